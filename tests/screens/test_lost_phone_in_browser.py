"""The two pages for a phone in trouble, in a real browser: people's sign-ins, and loading a hand-over file."""

import json

import pytest

from inspections.models import Submission
from tests.conftest import body
from tests.look.probes import axe_faults, probe
from tests.screens.test_handed_over import file_of, packed, photo, raw_report, uuid_of

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
OPEN_ALL = "document.querySelectorAll('details').forEach((d) => { d.open = true; })"
WIDTH = "document.documentElement.scrollWidth"
FILE = "#id_file"


@pytest.fixture
def mixed(cast, railway):
    """A file with one of each: two new ones, one kept apart, one damaged, photos good and bad."""
    good = packed(cast.driver, "1", photos=2)
    good["photos"].append(photo("bad", uuid_of("fault", "1"), b"%PDF-1.7"))
    stranger = raw_report(json.dumps(body(cast.driver, key="3") | {"author": 999_999}).encode())
    damaged = packed(cast.driver, "4") | {"sha256": "0" * 64}
    return file_of(good, packed(cast.other_driver, "2", unit="999", end="B"), stranger, damaged)


def put(page, raw):
    page.goto("/reports/handed-over/")
    page.set_input_files(FILE, {"name": "hand-over.json", "mimeType": "application/json", "buffer": raw})
    page.get_by_role("button", name="Load the file").click()


def faults_of(page, name):
    """What is wrong with the page as it stands, at the widths of phones."""
    page.evaluate(OPEN_ALL)
    found = axe_faults(page) + probe(page, "fieldFaults") + probe(page, "smallTargets", 44, 44)
    found += probe(page, "contrast", 7)["low"]
    for width in (1280, 360, 320):
        page.set_viewport_size({"width": width, "height": 640})
        found += [f"wider than {width}"] if page.evaluate(WIDTH) > width else []
    page.set_viewport_size({"width": 360, "height": 640})
    assert page.locator(".primary:visible").count() == 1, name
    return [f"{name}: {fault}" for fault in found]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_and_everything_fits_a_phone(browser_page, sign_in, client_of, cast, mixed, scheme):
    page = browser_page
    page.emulate_media(color_scheme=scheme)
    sign_in(page, cast.controller)
    page.goto("/reports/handed-over/")
    faults = faults_of(page, "before")
    put(page, mixed)
    faults += faults_of(page, "loaded")
    put(page, mixed[:400])
    faults += faults_of(page, "a part of a file")
    client_of(cast.driver)
    page.context.clear_cookies()
    sign_in(page, cast.manager)
    page.goto("/people/")
    faults += faults_of(page, "people")
    page.goto("/people/?q=nobody+of+that+name")
    faults += faults_of(page, "nobody")
    assert not faults, "\n".join(faults)


def test_a_refused_file_starts_at_its_problem(browser_page, sign_in, cast, mixed):
    page = browser_page
    sign_in(page, cast.controller)
    put(page, mixed[:400])
    assert page.title().startswith("Problem: ")
    assert page.evaluate("document.activeElement.className") == "problems"
    assert "only a part of one" in page.locator(".problems").inner_text()


def test_both_work_with_scripts_off(chromium, live_server, sign_in, client_of, cast, mixed):
    client_of(cast.driver)
    context = chromium.new_context(
        java_script_enabled=False, base_url=live_server.url, viewport={"width": 360, "height": 640}
    )
    page = context.new_page()
    sign_in(page, cast.controller)
    put(page, mixed)
    assert page.get_by_text("4 reports in the file.").is_visible()
    assert Submission.objects.filter(status="stored", channel="file").count() == 2
    page.get_by_role("link", name="Unit 201, A end").click()
    assert page.locator("h1").inner_text().startswith("Unit 201")
    context.clear_cookies()
    sign_in(page, cast.manager)
    page.goto("/people/")
    page.get_by_role("row", name="Driver 1").get_by_text("End these sign-ins").click()
    page.get_by_role("button", name="End the sign-in of Driver 1").click()
    assert page.get_by_text("1 sign-in of Driver 1 ended.").is_visible()
    context.close()
