"""Questions put to a page in the browser (probes.js) and to axe."""

from pathlib import Path

from axe_playwright_python.sync_playwright import Axe

SOURCE = (Path(__file__).parent / "probes.js").read_text().split("\n", 1)[1]
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def probe(page, name, *args):
    """The answer of one probe; most give a list of faults."""
    return page.evaluate(f"(args) => ({SOURCE}).{name}(...args)", list(args))


# What lies under a bar that sticks to the screen's edge depends on the scroll position: look with the bar in its place.
BARS = "at => document.querySelectorAll('.sendbar').forEach(bar => { bar.style.position = at; })"


def axe_faults(page):
    """Violations axe finds, as lines of words."""
    page.evaluate(BARS, "static")
    options = {"runOnly": {"type": "tag", "values": TAGS}, "resultTypes": ["violations"]}
    found = Axe().run(page, options=options).response["violations"]
    page.evaluate(BARS, "")
    return [f"{v['id']}: {[node['html'][:90] for node in v['nodes'][:3]]}" for v in found]
