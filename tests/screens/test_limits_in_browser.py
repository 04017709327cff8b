"""The pages of control's further acts in a real browser: axe, sizes, no sideways scroll, one primary, paper."""

from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.utils import timezone

from inspections import deferring, labels, moving, workflow
from inspections.models import Finding
from inspections.rules.limits import Limits
from tests.look.probes import axe_by_day_and_night, axe_faults, probe
from tests.screens.desk import finding_of, looked

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
OPEN_ALL = "document.querySelectorAll('details').forEach((d) => { d.open = true; })"
WIDTH = "document.documentElement.scrollWidth"
HOUR = timedelta(hours=1)


def fresh(finding):
    return Finding.objects.select_related("end__pattern", "end__unit", "unit").get(pk=finding.pk)


@pytest.fixture
def world(cast, railway, report):
    """Something of everything in force on 201; 202 needs a plan; one finding was moved."""
    now = timezone.now()
    control = {"by": cast.controller, "now": now}

    def fault(**more):
        at = now - HOUR
        return fresh(looked(cast, finding_of(report(cast.driver, received=at, seen=at.isoformat(), **more)), at))

    seal, again, hose = fault(note="Flap."), fault(), fault(part="hoses", symptom="hose-rubbed")
    end = {"end": railway.ends["201 A"], "unit": None}
    row = workflow.restrict(**end, limits=Limits(couple="not", speed=40), why="Torn.", finding=seal, **control)
    labels.hang(number="7", shows="Do not couple", restriction=row, **end, **control)
    labels.isolate(kind="mrp-cock", where="Cab", key="12", finding=seal, **end, **control)
    waits = deferring.defer(hose, version=2, until=now + 5 * HOUR, why="No hose.", **control)
    gone = fault(part="handle", symptom="release-dead")
    before = now - 2 * HOUR
    deferring.defer(gone, version=2, until=now - HOUR, why="x", by=cast.controller, now=before)
    for letter in "AB":
        fault(unit="202", end=letter, part="hook", symptom="hook-crack")
    moving.move(again, unit=again.unit, end=railway.ends["201 B"], part="air-upper", version=2, why="x", **control)
    closed = fault(unit="301")
    Finding.objects.filter(pk=closed.pk).update(state="closed", closed=now - HOUR)
    plain = fault(unit="301", part="handle", symptom="release-dead")
    return SimpleNamespace(seal=seal, moved=again, waits=waits, plain=plain)


def addresses(world):
    """(who, address) of every page, in its fullest state."""
    return [
        ("controller", "/in-force/"),
        ("controller", "/in-force/?kind=label&unit=201"),
        ("controller", f"/findings/{world.seal.ref}/"),
        ("controller", f"/findings/{world.seal.ref}/merge/"),
        ("controller", f"/findings/{world.seal.ref}/move/"),
        ("controller", f"/findings/{world.moved.ref}/moved/"),
        ("controller", f"/findings/{world.seal.ref}/repeat/"),
        ("controller", f"/findings/{world.seal.ref}/occurrence/"),
        ("controller", f"/findings/{world.plain.ref}/defer/"),
        ("controller", f"/findings/{world.seal.ref}/defer/"),
        ("engineer", f"/findings/{world.waits.finding.ref}/defer/"),
        ("engineer", "/in-force/?kind=waiting"),
        ("driver", "/in-force/"),
        ("driver", f"/findings/{world.seal.ref}/"),
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
        if page.locator(".primary:visible").count() != 1:
            faults.append(f"{address}: {page.locator('.primary:visible').count()} primary")
        for width in (360, 320):
            page.set_viewport_size({"width": width, "height": 640})
            if page.evaluate(WIDTH) > width:
                faults.append(f"{address}: wider than {width}")
    assert not faults, "\n".join(faults)


def test_the_hour_that_comes_twice_is_asked_by_radios(browser_page, sign_in, cast, world):
    """Far in the future on purpose: the question comes before the time is judged."""
    page = browser_page
    sign_in(page, cast.controller)
    page.goto(f"/findings/{world.plain.ref}/defer/")
    page.get_by_label("Until").fill("2027-10-31T01:30")
    page.get_by_label("Why can it wait?").fill("Valve on order")
    page.get_by_role("button", name="Leave it until then").click()
    assert page.title().startswith("Problem: ")
    assert page.evaluate("document.activeElement.className") == "problems"
    assert page.get_by_text("01:30 comes twice on 31 October").first.is_visible()
    assert page.get_by_label("Why can it wait?").input_value() == "Valve on order"
    assert page.get_by_label("Until").input_value() == "2027-10-31T01:30"
    assert not axe_faults(page)
    page.locator("label", has_text="The second, 01:30 GMT").click()
    page.get_by_role("button", name="Leave it until then").click()
    assert "The longest it may be left is until " in page.locator(".problems").inner_text()
    assert page.locator("input[name=which]:checked").input_value() == "second"


def test_a_fault_is_moved_with_scripts_off(chromium, live_server, sign_in, cast, world):
    context = chromium.new_context(java_script_enabled=False, base_url=live_server.url)
    page = context.new_page()
    sign_in(page, cast.fitter)
    page.goto(f"/findings/{world.seal.ref}/")
    page.get_by_role("link", name="Move it to the right unit, end or part").click()
    page.get_by_label("Part").select_option("cover")
    page.get_by_label("Why is it moved?").fill("It is the flap.")
    page.get_by_role("button", name="Move it there").click()
    page.locator("label", has_text="It stays open, pins can be seen").click()
    page.get_by_role("button", name="Move it there").click()
    assert page.get_by_role("heading", name="Who must be told").is_visible()
    assert page.get_by_text("Driver 1, who reported it").is_visible()
    assert page.get_by_role("heading", name="What the A end of 201 may still do").is_visible()
    context.close()


def test_on_paper_the_lists_leave_the_chrome_away(browser_page, sign_in, cast, world):
    page = browser_page
    sign_in(page, cast.controller)
    page.emulate_media(media="print")
    for address, shown in (
        ("/in-force/", "Restriction by control"),
        (f"/findings/{world.moved.ref}/moved/", "who reported it"),
    ):
        page.goto(address)
        assert page.get_by_text(shown).first.is_visible()
        for hidden in (".top", ".actions", "nav"):
            assert not page.locator(hidden).first.is_visible(), (address, hidden)
