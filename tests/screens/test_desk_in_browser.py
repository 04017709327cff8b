"""Control's, the fitter's and the manager's pages in a real browser: axe, sizes, no sideways scroll, no scripts."""

from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.utils import timezone

from inspections import fleet_actions, workflow
from inspections.models import CloseOut, Finding
from tests.conftest import PASSWORD
from tests.look.probes import axe_by_day_and_night, axe_faults, probe
from tests.screens.desk import copies, finding_of, taken
from tests.screens.test_close import sound

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
OPEN_ALL = "document.querySelectorAll('details').forEach((d) => { d.open = true; })"
WIDTH = "document.documentElement.scrollWidth"


@pytest.fixture
def world(cast, railway, report, client_of):
    """New reports, a job in work, one waiting for its check, a year with enough to count."""
    now = timezone.now()
    new = finding_of(
        report(cast.driver, part="hook", symptom="hook-marks", end="B", note="Marks are out by a finger.")
    )
    job = taken(cast, railway, finding_of(report(cast.driver)), now)
    worn = taken(cast, railway, finding_of(report(cast.driver, unit="301", part="hook", symptom="hook-slow")), now)
    posted = {**sound(worn, "lock-spring"), "step": "sign", "password": PASSWORD}
    client_of(cast.fitter).post(f"/findings/{worn.ref}/close/", posted)
    copies(
        job, 7, [railway.ends["202 B"]], first_seen=now - timedelta(days=40), state="closed", closed=now, visit=None
    )
    action = fleet_actions.start(
        what="Renew the seals", why="x", component="air-connection", on="202 B, 201 A",
        due=timezone.localdate(now) + timedelta(days=30), by=cast.manager, now=now,
    )  # fmt: skip
    return SimpleNamespace(new=new, job=job, worn=Finding.objects.get(pk=worn.pk), action=action)


def addresses(world):
    """(who, address) of every page of the desk, in its fullest state."""
    return [
        ("controller", "/findings/new/"),
        ("controller", f"/findings/{world.new.ref}/"),
        ("other_driver", f"/findings/{world.new.ref}/"),
        ("fitter", f"/findings/{world.job.ref}/"),
        ("driver", "/findings/?q=00000014"),
        ("fitter", "/work/?depot=BRK"),
        ("fitter", "/work/?depot=ELM"),
        ("fitter", f"/findings/{world.job.ref}/close/"),
        ("fitter", f"/findings/{world.job.ref}/close/?found=seal-torn"),
        ("checker", f"/findings/{world.worn.ref}/check/"),
        ("manager", "/recurring/"),
        ("manager", f"/recurring/ends/{world.new.end_id}/"),
        ("manager", "/recurring/reviews/"),
        ("manager", "/actions/"),
        ("manager", "/actions/new/"),
        ("manager", f"/actions/{world.action.pk}/"),
    ]


def test_axe_finds_nothing_and_everything_fits_a_phone(browser_page, sign_in, cast, world):
    page, faults, signed_in = browser_page, [], None
    for who, address in addresses(world):
        if who != signed_in:
            page.context.clear_cookies()
            sign_in(page, getattr(cast, who))
            signed_in = who
        page.set_viewport_size({"width": 360, "height": 640})
        page.goto(address)
        page.evaluate(OPEN_ALL)
        faults += [f"{address}: {fault}" for fault in axe_by_day_and_night(page)]
        faults += [f"{address}: {fault}" for fault in probe(page, "fieldFaults")]
        faults += [f"{address}: {fault}" for fault in probe(page, "smallTargets", 44, 44)]
        assert page.locator(".primary:visible").count() == 1, address
        for width in (360, 320):
            page.set_viewport_size({"width": width, "height": 640})
            if page.evaluate(WIDTH) > width:
                faults.append(f"{address}: wider than {width}")
    assert not faults, "\n".join(faults)


def test_a_refused_act_starts_at_its_problem_and_keeps_the_words(browser_page, sign_in, cast, world):
    page = browser_page
    sign_in(page, cast.controller)
    page.goto(f"/findings/{world.new.ref}/")
    now = timezone.now()
    workflow.tell(world.new, version=1, by=cast.other_controller, now=now, whom="Signaller", how="by phone")
    page.get_by_text("Withdraw this report").first.click()
    page.get_by_label("Why is it withdrawn?").fill("Wrong unit")
    page.get_by_role("button", name="Withdraw this report").click()
    assert page.title().startswith("Problem: ")
    assert page.evaluate("document.activeElement.className") == "problems"
    assert "Controller 2 recorded who was told at " in page.locator(".problems").inner_text()
    assert page.get_by_label("Why is it withdrawn?").input_value() == "Wrong unit"
    assert not axe_faults(page)
    page.get_by_role("button", name="Withdraw this report").click()
    assert page.get_by_text("Withdrawn. It stays readable.").is_visible()


def test_a_job_is_closed_with_scripts_off(chromium, live_server, sign_in, cast, world):
    context = chromium.new_context(java_script_enabled=False, base_url=live_server.url)
    page = context.new_page()
    sign_in(page, cast.fitter)
    page.goto("/work/?depot=BRK")
    page.get_by_role("link", name="201, A end: 5 Upper air seal").click()
    page.get_by_role("link", name="Enter results").click()
    page.locator("label", has_text="Air seal torn, nicked or part missing").click()
    page.get_by_role("button", name="Go on").click()
    for answer in ("Wear or age", "Seal ring renewed", "Passed", "Repaired"):
        page.locator(".answer label", has_text=answer).click()
    page.locator("#id_test-leak-coupled").fill("0.3")
    page.get_by_role("button", name="Check what I sign").click()
    assert page.get_by_text("0.3 bar is over the limit of 0.2 bar").first.is_visible()
    page.locator("#id_test-leak-coupled").fill("0.2")
    page.get_by_role("button", name="Check what I sign").click()
    assert page.get_by_text("0.2 bar, limit at most 0.2 bar: passed").is_visible()
    page.locator("#id_password").fill(PASSWORD)
    page.get_by_role("button", name="Sign", exact=True).click()
    assert page.get_by_text("It is closed.").is_visible()
    assert CloseOut.objects.get(finding=world.job).outcome == "repaired"
    context.close()
