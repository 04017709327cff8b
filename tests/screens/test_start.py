"""S1: the first page of each role, and picking today's unit."""

import pytest

from tests.screens.desk import HOSTILE, finding_of, looked

START = "/"
PICK = "/units/pick/"


@pytest.fixture
def driver(client_of, cast, railway):
    return client_of(cast.driver)


def pick(client, unit, query=""):
    return client.post(PICK + query, {"unit": unit})


@pytest.mark.parametrize(
    ("role", "page"),
    [("controller", "/findings/new/"), ("fitter", "/work/"), ("manager", "/recurring/"), ("checker", "/work/")],
)
def test_everybody_else_is_led_to_their_first_page(client_of, cast, railway, role, page):
    assert client_of(getattr(cast, role)).get(START).headers["Location"] == page


def test_who_has_no_role_gets_403(client_of, cast):
    assert client_of(cast.outsider).get(START).status_code == 403


def test_no_unit_picked_yet(driver):
    page = driver.get(START).content.decode()
    assert "No unit picked yet" in page
    assert "You have not reported anything yet." in page
    assert page.count('class="primary"') == 1


def test_a_unit_picked_by_its_number_is_todays(driver):
    assert pick(driver, " 201 ").headers["Location"] == START
    page = driver.get(START).content.decode()
    assert '<span class="unit-number">201</span>' in page
    assert "No limit is recorded here." in page
    assert "As known at" in page
    assert page.count('class="primary"') == 1


def test_picking_may_lead_to_the_report_and_nowhere_else(driver):
    assert pick(driver, "201", "?then=report").headers["Location"] == "/reports/new/"
    assert pick(driver, "201", "?then=https://example.org/").headers["Location"] == START


def test_recent_units_are_offered_newest_first(driver, report, cast):
    report(cast.driver, unit="401")
    for unit in ("201", "301", "201"):
        pick(driver, unit)
    assert driver.get(PICK).context["recent"] == ["201", "301", "401"]
    for number in range(100, 110):
        pick(driver, str(number))
    assert driver.get(PICK).context["recent"] == ["109", "108", "107", "106", "105", "104"]


@pytest.mark.parametrize("unit", ["", "twelve", "1", HOSTILE[:12]])
def test_a_number_that_can_be_none_is_asked_for_again(driver, unit):
    response = pick(driver, unit)
    assert response.status_code == 422
    page = response.content.decode()
    assert "<title>Problem: Pick a unit" in page
    assert page.count("Enter the unit number, 3 to 6 digits") == 2
    assert "<script>" not in page
    assert driver.session.get("unit") is None


def test_a_unit_that_is_not_on_the_list_may_be_picked(driver):
    pick(driver, "471")
    page = driver.get(START).content.decode()
    assert "Not on our list: control will sort it out." in page
    assert "Ask control what it may do." in page


def test_the_standing_of_both_ends_and_the_open_reports(driver, report, cast):
    report(cast.other_driver)
    pick(driver, "201")
    page = driver.get(START).content.decode()
    assert "A end, uncoupled" in page
    assert "Do not couple at this end." in page
    assert "All of 201: 1 open report, other situations" in page
    assert "Driver 2" not in page


def test_the_three_newest_reports_with_their_state(driver, report, cast, now):
    for part, symptom in [
        ("hook", "hook-slow"),
        ("cover", "cover-open"),
        ("handle", "handle-out"),
        ("cone", "guide-bent"),
    ]:
        receipt = report(cast.driver, part=part, symptom=symptom)
    looked(cast, finding_of(receipt), now)
    page = driver.get(START).content.decode()
    assert "4 Lock hook" not in page
    assert page.count("The logbook has it. Control has not looked ") == 2
    assert "Seen by control 06:00" in page


@pytest.mark.parametrize("address", [START, PICK, "/reports/", "/reports/new/"])
def test_pages_with_personal_facts_are_not_kept_by_the_browser(driver, address):
    assert driver.get(address).headers["Cache-Control"] == "no-store"


def test_only_looking_is_a_get(driver):
    assert driver.post(START).status_code == 405
