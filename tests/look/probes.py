"""Questions put to a page in the browser (probes.js) and to axe."""

from pathlib import Path

from axe_playwright_python.sync_playwright import Axe

SOURCE = (Path(__file__).parent / "probes.js").read_text().split("\n", 1)[1]
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
COLOURS = ["color-contrast", "link-in-text-block"]  # the rules of axe that look at colours
AXE = Axe().axe_script
VIOLATIONS = """(options) => axe.run(document, options).then(({ violations }) =>
  violations.map(({ id, nodes }) => [id, nodes.slice(0, 3).map(({ html }) => html.slice(0, 90))]))"""


def probe(page, name, *args):
    """The answer of one probe; most give a list of faults."""
    return page.evaluate(f"(args) => ({SOURCE}).{name}(...args)", list(args))


# What lies under a bar at the screen's edge depends on the scroll position: look with the bar in its place.
BARS = "at => document.querySelectorAll('.sendbar').forEach(bar => { bar.style.position = at; })"


def axe_faults(page, *, colours_only=False):
    """Violations axe finds, as lines of words; `colours_only`: of a page that was looked at in other colours."""
    page.evaluate(BARS, "static")
    only = {"type": "rule", "values": COLOURS} if colours_only else {"type": "tag", "values": TAGS}
    if not page.evaluate("'axe' in self"):
        page.evaluate(AXE)
    found = page.evaluate(VIOLATIONS, {"runOnly": only, "resultTypes": ["violations"]})
    page.evaluate(BARS, "")
    return [f"{rule}: {places}" for rule, places in found]


def axe_by_day_and_night(page):
    """Violations by day, and what other colours may add by night."""
    page.emulate_media(color_scheme="light")
    day = axe_faults(page)
    page.emulate_media(color_scheme="dark")
    night = axe_faults(page, colours_only=True)
    page.emulate_media(color_scheme="light")
    return [*day, *(f"by night, {fault}" for fault in night)]
