"""What watches for control, in a real browser: axe, sizes, no sideways scroll, day and night, and on paper."""

from datetime import timedelta
from types import SimpleNamespace
from uuid import uuid4

import pytest
from django.utils import timezone
from pypdf import PdfReader

from fleet.models import Coupling, CouplingSide
from inspections import alerts, workflow
from inspections.models import Deferral, Finding
from tests.look.probes import axe_by_day_and_night, probe
from tests.screens.desk import finding_of, looked

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
OPEN_ALL = "document.querySelectorAll('details').forEach((d) => { d.open = true; })"
WIDTH = "document.documentElement.scrollWidth"


@pytest.fixture
def world(cast, railway, report):
    """One of everything these pages show."""
    now = timezone.now()
    at = now - timedelta(hours=3)
    coupling = Coupling.objects.create(
        uuid=uuid4(), at=at, place=railway.places["SKJ"], source="test", source_ref="1", received=at
    )
    for name in ("201 A", "202 B"):
        CouplingSide.objects.create(coupling=coupling, end=railway.ends[name], at=at)
    seen = {"seen": now.isoformat(), "received": now}
    pin = finding_of(report(cast.driver, part="contacts", symptom="pin-bent", place="SAL", **seen))
    late = (now - timedelta(minutes=40)).isoformat()
    call = finding_of(
        report(cast.driver, unit="301", part="hook", symptom="hook-marks", situation="C", seen=late, received=now)
    )
    cover = finding_of(report(cast.driver, unit="202", part="cover", symptom="cover-open", place="SAL", **seen))
    held = looked(cast, cover, now)
    held = workflow.tell(
        held, version=held.version, by=cast.controller, now=now, happened=now - timedelta(minutes=20),
        whom="Signaller at Saltmarsh", how="by phone",
    )  # fmt: skip
    Deferral.objects.create(
        finding=held, category=1, why="part", by=cast.controller, since=now - timedelta(hours=1),
        until=now + timedelta(hours=5), agreed=now - timedelta(hours=1), agreed_by=cast.engineer,
    )  # fmt: skip
    common = {"by": cast.controller, "now": now}
    alerts.enter(places=[railway.places["SAL"]], weather="frost", since=now, until=now + timedelta(hours=6), **common)
    alerts.enter(places=[railway.places["THO"]], weather="wet", since=now + timedelta(hours=2), until=None, **common)
    return SimpleNamespace(pin=pin, call=call, cover=Finding.objects.get(pk=cover.pk))


def addresses(world):
    return [
        ("controller", "/findings/new/"),
        ("controller", "/mates/"),
        ("controller", "/alerts/"),
        ("controller", "/alerts/hoods/"),
        ("controller", "/handover/"),
        ("controller", f"/findings/{world.cover.ref}/log/"),
        ("driver", f"/findings/{world.cover.ref}/log/"),
        ("driver", "/reports/"),
        ("fitter", "/alerts/hoods/"),
        ("manager", "/alerts/"),
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
        faults += [f"{who} {address}: {fault}" for fault in axe_by_day_and_night(page)]
        faults += [f"{who} {address}: {fault}" for fault in probe(page, "fieldFaults")]
        faults += [f"{who} {address}: {fault}" for fault in probe(page, "smallTargets", 44, 44)]
        if who != "driver":
            assert page.locator(".primary:visible").count() == 1, address
        for width in (360, 320):
            page.set_viewport_size({"width": width, "height": 640})
            if page.evaluate(WIDTH) > width:
                faults.append(f"{address}: wider than {width}")
    assert not faults, "\n".join(faults)


def test_the_handover_prints_on_a4_with_lines_for_notes(browser_page, sign_in, cast, world, tmp_path):
    page = browser_page
    sign_in(page, cast.controller)
    page.goto("/handover/")
    page.pdf(path=tmp_path / "handover.pdf", format="A4")
    reader = PdfReader(tmp_path / "handover.pdf")
    text = " ".join("".join(sheet.extract_text() for sheet in reader.pages).split())
    for words in ("Notes, face to face", "Handed over by:", "Taken over by, at:", "Signaller at Saltmarsh, by phone"):
        assert words in text
    for hidden in ("Sign out", "Nobody has looked: Intolerable", "What was promised in", "Open next"):
        assert hidden not in text
    width, height = (round(float(side) / 72 * 25.4) for side in reader.pages[0].mediabox[2:])
    assert (width, height) == (210, 297)


def test_an_alert_is_entered_with_scripts_off(chromium, live_server, sign_in, cast, world):
    context = chromium.new_context(java_script_enabled=False, base_url=live_server.url)
    page = context.new_page()
    sign_in(page, cast.controller)
    page.goto("/alerts/")
    page.locator(".answer label", has_text="Elmsgate").click()
    page.locator(".answer label", has_text="Frost or snow").click()
    page.get_by_role("button", name="Alert this weather").click()
    assert page.get_by_text("Frost or snow is alerted at Elmsgate.").is_visible()
    context.close()
