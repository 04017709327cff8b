"""The pages of the rules in a real browser: axe, sizes, no sideways scroll, without scripts, on paper."""

import os
from itertools import product
from pathlib import Path

import pytest

from inspections import rulesets
from inspections.models import RuleSet
from tests.conftest import PASSWORD
from tests.look.probes import axe_by_day_and_night, probe
from tests.rulesets.house import changed, tighter

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
OPEN_ALL = "document.querySelectorAll('details').forEach((d) => { d.open = true; })"
WIDTH = "document.documentElement.scrollWidth"
PICTURES = os.environ.get("RULES_PICTURES")


@pytest.fixture
def world(cast, report, now):
    """Findings; a candidate whose effect is worked out, one whose is not."""
    for part, symptom in (("air-upper", "seal-torn"), ("hook", "hook-marks"), ("cover", "cover-slow")):
        report(cast.driver, part=part, symptom=symptom, end="B" if part == "hook" else "A")
    worse = tighter().replace('often = "Occasional", when = {leak', 'often = "Frequent", when = {leak')
    row = rulesets.bring(worse, by=cast.engineer, reason="Couple no torn seal", now=now)
    rulesets.try_out(row, by=cast.engineer, now=now)
    return row, rulesets.bring(changed(version="9"), by=cast.engineer, reason="", now=now)


def addresses(world):
    """(who, address, name of its picture) of every page of the rules, in its fullest state."""
    tried, untried = (row.sha256[:12] for row in world)
    current = RuleSet.objects.exclude(in_force_from=None).get().sha256[:12]
    torn = "/rules/try/?part=air-upper&symptom=seal-torn&weather=frost&other=valve-passes"
    return [
        ("engineer", "/rules/", "list"),
        ("engineer", f"/rules/{tried}/", "candidate"),
        ("engineer", f"/rules/{untried}/", "untried"),
        ("engineer", f"/rules/{current}/", "current"),
        ("engineer", f"/rules/{tried}/compare/", "compare"),
        ("engineer", f"/rules/{current}/compare/", "nothing"),
        ("driver", "/rules/", "driver-list"),
        ("driver", f"/rules/{tried}/", "driver-candidate"),
        ("driver", "/rules/try/", "parts"),
        ("driver", "/rules/try/?part=other", "other"),
        ("driver", torn, "try"),
        ("driver", "/rules/try/?part=hook&mode=hook-worn&fact-gap=wide", "try-wrong"),
        ("driver", "/rules/glossary/", "glossary"),
    ]


def test_axe_finds_nothing_and_everything_fits_a_phone(browser_page, sign_in, cast, world):
    page, faults, signed_in = browser_page, [], None
    for who, address, picture in addresses(world):
        if who != signed_in:
            page.context.clear_cookies()
            sign_in(page, getattr(cast, who))
            signed_in = who
        page.set_viewport_size({"width": 360, "height": 640})
        page.goto(address)
        save(page, picture)
        page.evaluate(OPEN_ALL)
        faults += [f"{address}: {fault}" for fault in axe_by_day_and_night(page)]
        faults += [f"{address}: {fault}" for fault in probe(page, "fieldFaults")]
        faults += [f"{address}: {fault}" for fault in probe(page, "smallTargets", 44, 44)]
        if page.locator(".primary:visible").count() != 1:
            faults.append(f"{address}: {page.locator('.primary:visible').count()} primary buttons")
        for width in (360, 320):
            page.set_viewport_size({"width": width, "height": 640})
            if page.evaluate(WIDTH) > width:
                faults.append(f"{address}: wider than {width}")
    assert not faults, "\n".join(faults)


def save(page, stem):
    """Pictures of both sizes, where somebody asked for them."""
    if PICTURES:
        for scheme, (width, height) in product(("light", "dark"), ((360, 640), (1280, 800))):
            page.emulate_media(color_scheme=scheme)
            page.set_viewport_size({"width": width, "height": height})
            page.screenshot(path=Path(PICTURES) / f"{stem}-{scheme}-{width}.png", full_page=True)
        page.emulate_media(color_scheme="light")
        page.set_viewport_size({"width": 360, "height": 640})


def test_an_engineer_puts_a_ruleset_in_force(browser_page, sign_in, cast, world, tmp_path):
    page = browser_page
    sign_in(page, cast.engineer)
    file = tmp_path / "rules.toml"
    file.write_text(changed(version="12"))
    page.goto("/rules/")
    page.set_input_files("input[type=file]", file)
    page.fill("textarea[name=why]", "Only a new version")
    page.click("button:has-text('Check it and keep it')")
    page.click("button:has-text('Work out what it would change')")
    page.fill("textarea[name=why]", "Agreed")
    page.fill("input[name=password]", "not my password")
    page.click("button:has-text('Put it in force')")
    assert "That is not your password" in page.inner_text(".problems")
    assert page.title().startswith("Problem: ")
    assert page.input_value("textarea[name=why]") == "Agreed"
    page.fill("input[name=password]", PASSWORD)
    page.click("button:has-text('Put it in force')")
    assert "Open findings graded anew: 3;" in page.inner_text(".messages")
    assert page.inner_text("main .tag") == "In force"


def test_the_rules_are_tried_by_keyboard_and_without_scripts(chromium, live_server, sign_in, cast, world):
    context = chromium.new_context(
        viewport={"width": 360, "height": 640}, base_url=live_server.url, java_script_enabled=False
    )
    page = context.new_page()
    sign_in(page, cast.driver)
    page.goto("/rules/try/")
    with page.expect_navigation():
        page.get_by_role("link", name="Upper air seal").press("Enter")
    page.select_option("select[name=symptom]", "seal-torn")
    page.focus("button:has-text('Show the grade')")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert "Judged as: Air seal torn" in page.inner_text("main")
    assert "symptom=seal-torn" in page.url
    page.select_option("select[name=fact-pipe]", "BP")
    page.click("button:has-text('Show the grade')")
    assert page.input_value("select[name=fact-pipe]") == "BP"
    assert "Do not rely on this end for rescue." in page.inner_text("main")
    context.close()


def test_words_and_the_comparison_print_in_full(browser_page, sign_in, cast, world):
    page = browser_page
    sign_in(page, cast.engineer)
    page.emulate_media(media="print")
    page.goto(f"/rules/{world[0].sha256[:12]}/compare/")
    assert page.locator("strong:has-text('+ added')").first.is_visible()
    assert not page.locator("header.top").is_visible()
    page.goto("/rules/glossary/")
    assert page.locator("#limit-play-most").is_visible()
    assert page.evaluate("document.querySelector('#limits + table').scrollHeight") > 0
