"""The leak test and the gauges in a real browser: axe, sizes, no sideways scroll, keyboard, no scripts."""

from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.utils import timezone

from fleet.models import UnitType
from inspections import leak_tests
from inspections.models import TestResult as Result
from tests.conftest import uuid_of
from tests.inspections.test_leak_tests import gauge, read
from tests.look.probes import axe_by_day_and_night, axe_faults, probe
from tests.screens.desk import finding_of, taken
from tests.screens.test_desk_in_browser import OPEN_ALL, WIDTH

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def world(cast, railway, report):
    """A job with two tests, another with none; a gauge in date, one overdue."""
    now = timezone.now()
    today = timezone.localdate(now)
    UnitType.objects.update(volumes={"MRP": "25"})
    used = gauge(calibrated_until=today + timedelta(days=200), depot=railway.places["BRK"])
    gauge("P-018", calibrated_until=today - timedelta(days=12))
    job = taken(cast, railway, finding_of(report(cast.driver)), now)
    for key, changes in (("1", {"end_c": ""}), ("2", {})):
        told = {"test": "leak-coupled", "gauge": used, "readings": read(**changes), "by": cast.fitter, "now": now}
        leak_tests.record(job, uuid=uuid_of(key), mate="202 B", **told)
    other = taken(cast, railway, finding_of(report(cast.driver, unit="202")), now)
    return SimpleNamespace(job=job, other=other, gauge=used)


def addresses(world):
    """(who, address) of every page, in its fullest state and empty."""
    return [
        ("fitter", f"/findings/{world.job.ref}/leak/"),
        ("fitter", f"/findings/{world.other.ref}/leak/"),
        ("controller", f"/findings/{world.job.ref}/leak/"),
        ("controller", f"/gauges/{world.gauge.pk}/"),
        ("checker", "/gauges/"),
        ("checker", "/gauges/new/"),
        ("checker", f"/gauges/{world.gauge.pk}/"),
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


def test_a_refused_test_starts_at_its_problem_and_keeps_what_was_read(browser_page, sign_in, cast, world):
    page = browser_page
    sign_in(page, cast.fitter)
    page.goto(f"/findings/{world.other.ref}/leak/")
    page.locator(".answer label", has_text="Air leak, coupled").click()
    page.select_option("#id_gauge", index=2)
    for name, value in (("start", "9.00"), ("minutes", "5"), ("end", "8.80")):
        page.locator(f"#id_{name}").fill(value)
    page.get_by_role("button", name="Save this test").click()
    assert page.title().startswith("Problem: ")
    assert page.evaluate("document.activeElement.className") == "problems"
    assert "The calibration of gauge P-018 ended on" in page.locator(".problems").inner_text()
    assert page.locator("#id_start").input_value() == "9.00"
    assert not axe_faults(page)
    page.select_option("#id_gauge", index=1)
    page.get_by_role("button", name="Save this test").click()
    assert page.get_by_role("heading", name="Repeat: Air leak, coupled").is_visible()


def test_a_test_is_entered_with_scripts_off(chromium, live_server, sign_in, cast, world):
    context = chromium.new_context(java_script_enabled=False, base_url=live_server.url)
    page = context.new_page()
    sign_in(page, cast.fitter)
    page.goto(f"/findings/{world.other.ref}/")
    page.get_by_role("link", name="Leak test").click()
    page.locator(".answer label", has_text="Air leak, coupled").click()
    page.select_option("#id_gauge", index=1)
    for name, value in (("start", "9.00"), ("start_c", "20"), ("minutes", "5"), ("end", "8.80"), ("end_c", "18")):
        page.locator(f"#id_{name}").fill(value)
    page.locator("#id_end_c").press("Enter")
    assert page.get_by_role("heading", name="Pass: Air leak, coupled").is_visible()
    assert page.get_by_text("0.66 ± 0.25 L/min").is_visible()
    assert page.get_by_role("img", name="How far did the pressure fall, and how far may it?").is_visible()
    assert Result.objects.filter(finding=world.other).count() == 1
    context.close()
