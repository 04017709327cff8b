"""The fitter's pages of the work in a real browser: axe, sizes, keyboard, no scripts; drafts that stay."""

from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from fleet.models import Coupler, Gauge, PartFitting
from inspections import workflow, working
from inspections.models import CloseOut, Finding, Observation
from tests.conftest import PASSWORD
from tests.look.probes import axe_by_day_and_night, probe
from tests.screens.desk import finding_of, taken

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
WIDTH = "document.documentElement.scrollWidth"
WHERE = "end=B&situation=U&sign=air-upper%3Aseal-torn"
TYPED = "Ring was cut at the bottom."


@pytest.fixture
def world(cast, railway, report):
    """A job in work that was left half done, one closed and watched, a coupler with lives, gauges."""
    now = timezone.now()
    job = taken(cast, railway, finding_of(report(cast.driver)), now)
    shut = (working.Shut("mrp-cock", "A face", "14"),)
    job = working.make_safe(job, version=job.version, by=cast.fitter, now=now, done="Shut.", shut=shut)
    job = working.put_back(
        job, version=job.version, by=cast.fitter, now=now, parts_off="Upper seal ring", isolated="Cock", key="14"
    )
    job = workflow.take(job, version=job.version, by=cast.fitter, now=now)
    gone = finding_of(report(cast.driver, end="B", part="handle", symptom="release-dead"))
    Finding.objects.filter(pk=gone.pk).update(state="closed", closed=now - timedelta(days=2))
    report(cast.driver, end="B", part="handle", symptom="release-dead", seen=now.isoformat(), received=now)
    coupler = Coupler.objects.get(serial="P-201A")
    old = {"removed": now - timedelta(days=90), "reason": "failed", "age_days": None, "batch": "12"}
    PartFitting.objects.create(coupler=coupler, slot="air-upper", fitted=now - timedelta(days=400), **old)
    PartFitting.objects.create(coupler=coupler, slot="air-upper", fitted=now - timedelta(days=90), batch="14")
    for number, days in (("G-1", 90), ("G-2", -1)):
        until = timezone.localdate() + timedelta(days=days)
        Gauge.objects.create(number=number, kind="pressure", depot=railway.places["BRK"], calibrated_until=until)
    return SimpleNamespace(job=job, gone=gone, again=Finding.objects.latest("pk"))


def addresses(world):
    """(who, address) of every page, in its fullest state."""
    job = f"/findings/{world.job.ref}/"
    return [
        ("fitter", job),
        ("fitter", f"{job}examine/"),
        ("fitter", f"{job}examine/?found=seal-torn"),
        ("fitter", f"{job}make-safe/"),
        ("fitter", f"{job}put-back/"),
        ("fitter", f"{job}close/?found=seal-torn&rows=2"),
        ("fitter", "/units/201/repaired/"),
        ("fitter", f"/units/201/repaired/?{WHERE}"),
        ("fitter", f"/units/201/repaired/?{WHERE}&found=seal-torn"),
        ("fitter", f"/findings/{world.gone.ref}/"),
        ("fitter", "/work/?depot=BRK"),
        ("fitter", "/couplers/P-201A/"),
        ("fitter", "/couplers/P-202B/"),
        ("driver", "/couplers/P-201A/"),
        ("driver", "/units/201/"),
        ("controller", "/findings/new/"),
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
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        faults += [f"{address}: {fault}" for fault in axe_by_day_and_night(page)]
        faults += [f"{address}: {fault}" for fault in probe(page, "fieldFaults")]
        faults += [f"{address}: {fault}" for fault in probe(page, "smallTargets", 44, 44)]
        if page.locator(".primary:visible").count() != 1:
            faults.append(f"{address}: {page.locator('.primary:visible').count()} primary")
        for width in (360, 320, 1280):
            page.set_viewport_size({"width": width, "height": 640})
            if page.evaluate(WIDTH) > width:
                faults.append(f"{address}: wider than {width}")
    assert not faults, "\n".join(faults)


def results(page, world):
    """The page of the results, as a fitter opens it."""
    page.goto(f"/findings/{world.job.ref}/close/?found=seal-torn")
    return page.get_by_label("Found and done, in your words")


def kept(page):
    """Keys of the drafts on this phone."""
    return page.evaluate("Store.read('facts', 'kept').then((kept) => Object.keys(kept || {}))")


def write(page, world):
    """Type results; wait until they are kept."""
    results(page, world).fill(TYPED)
    page.locator("label", has_text="Wear or age").click()
    page.locator("#id_test-leak-coupled").fill("0.1")
    page.locator("summary", has_text="Parts out and in").click()
    page.locator("#id_part-1").select_option("air-upper")
    expect(page.locator("main")).to_contain_text("Kept on this phone as you type.")
    page.wait_for_function("Store.read('facts', 'kept').then((kept) => JSON.stringify(kept).includes('air-upper'))")


def test_what_is_typed_survives_a_lost_connection_and_signs_nothing(browser_page, sign_in, cast, world):
    page = browser_page
    sign_in(page, cast.fitter)
    write(page, world)
    page.context.set_offline(True)
    page.get_by_role("button", name="Check what I sign").click()
    expect(page.locator("main")).to_contain_text("No signal: nothing was sent or signed.")
    page.context.set_offline(False)
    page.goto("/work/")
    words = results(page, world)
    expect(words).to_have_value(TYPED)
    expect(page.locator("#id_test-leak-coupled")).to_have_value("0.1")
    expect(page.locator("#id_part-1")).to_be_visible()
    expect(page.locator("#id_part-1")).to_have_value("air-upper")
    assert page.locator("input[name=cause]:checked").input_value() == "Wear or age"
    expect(page.locator("main")).to_contain_text("It is on this phone only: not saved in the logbook, not signed.")
    assert not CloseOut.objects.exists()
    page.goto(f"/findings/{world.job.ref}/close/")
    page.get_by_role("link", name="Open what you typed").click()
    expect(page.get_by_label("Found and done, in your words")).to_have_value(TYPED)


def test_discard_takes_it_away(browser_page, sign_in, cast, world):
    page = browser_page
    sign_in(page, cast.fitter)
    write(page, world)
    results(page, world)
    page.get_by_role("button", name="Discard the draft").click()
    page.wait_for_function("Store.read('facts', 'kept').then((kept) => !Object.keys(kept || {}).length)")
    expect(results(page, world)).to_have_value("")


def test_once_the_logbook_has_it_the_draft_goes(browser_page, sign_in, cast, world):
    page = browser_page
    sign_in(page, cast.fitter)
    page.goto(f"/findings/{world.job.ref}/examine/?found=seal-torn")
    page.get_by_label("What you saw").fill(TYPED)
    expect(page.locator("main")).to_contain_text("Kept on this phone")
    assert kept(page) == [f"{cast.fitter.pk} examine-{world.job.ref}"]
    page.get_by_role("button", name="Save the examination").click()
    expect(page.locator("h2", has_text="History")).to_be_visible()
    page.wait_for_function("Store.read('facts', 'kept').then((kept) => !Object.keys(kept || {}).length)")
    assert Observation.objects.filter(kind="examined", note=TYPED).count() == 1


def test_signed_results_leave_no_draft(browser_page, sign_in, cast, world):
    page = browser_page
    sign_in(page, cast.fitter)
    write(page, world)
    page.locator("#id_part-1").select_option("")
    page.locator("label", has_text="Seal ring renewed").click()
    page.locator("label[for=id_test-look_0]").click()
    page.locator("label[for=id_outcome_0]").click()
    page.get_by_role("button", name="Check what I sign").click()
    page.get_by_label("Your password").fill(PASSWORD)
    page.get_by_role("button", name="Sign", exact=True).click()
    expect(page.locator("main")).to_contain_text("Signed at")
    page.wait_for_function("Store.read('facts', 'kept').then((kept) => !Object.keys(kept || {}).length)")
    assert CloseOut.objects.get().found == TYPED
    assert PASSWORD not in page.evaluate("Store.all('facts').then(JSON.stringify)")


def test_another_persons_draft_is_not_shown_and_signing_out_takes_it(browser_page, sign_in, cast, world):
    page = browser_page
    sign_in(page, cast.fitter)
    write(page, world)
    assert len(kept(page)) == 1
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in/**")
    assert kept(page) == []
    sign_in(page, cast.other_fitter)
    expect(results(page, world)).to_have_value("")


def test_the_password_is_never_kept_and_other_pages_have_no_script(browser_page, sign_in, cast, world):
    page = browser_page
    sign_in(page, cast.driver)
    for address in ("/", "/units/201/", f"/findings/{world.job.ref}/", "/reports/new/"):
        page.goto(address)
        assert page.locator("script[src*='kept.js']").count() == 0, address


def test_without_scripts_all_of_it_works(chromium, live_server, sign_in, cast, world):
    context = chromium.new_context(java_script_enabled=False, base_url=live_server.url)
    page = context.new_page()
    sign_in(page, cast.fitter)
    page.goto("/units/201/")
    page.get_by_role("link", name="Found and repaired something here?").click()
    page.locator("label[for=id_end_1]").click()
    page.locator("label", has_text="Uncoupled").click()
    page.get_by_label("What did you see?").select_option("air-lower:seal-torn")
    page.get_by_role("button", name="Go on").click()
    page.locator("label", has_text="Air seal torn").click()
    page.get_by_role("button", name="Go on").click()
    page.locator("label", has_text="Wear or age").click()
    page.locator("label", has_text="Seal ring renewed").click()
    page.get_by_role("button", name="Another part").click()
    assert page.locator("#id_part-2").count() == 1
    page.locator("#id_part-1").select_option("air-lower")
    page.get_by_label("Why the old one came out (1)").select_option("failed")
    page.get_by_label("Batch of the new one (1)").fill("14")
    page.locator("label[for=id_test-look_0]").click()
    page.locator("#id_test-leak-coupled").fill("0.1")
    page.locator("label[for=id_outcome_0]").click()
    page.get_by_role("button", name="Check what I sign").click()
    page.get_by_label("Your password").fill(PASSWORD)
    page.get_by_role("button", name="Sign", exact=True).click()
    expect(page.locator("main")).to_contain_text("It is closed.")
    context.close()
    assert CloseOut.objects.get().parts[0]["in"]["batch"] == "14"


def test_the_keyboard_reaches_every_field_in_order(browser_page, sign_in, cast, world):
    page = browser_page
    sign_in(page, cast.fitter)
    page.goto(f"/findings/{world.job.ref}/put-back/")
    page.get_by_label("Which parts are off?").focus()
    seen = []
    for _ in range(4):
        seen.append(page.evaluate("document.activeElement.name || document.activeElement.textContent"))
        page.keyboard.press("Tab")
    assert seen == ["parts_off", "isolated", "key", "note"]
    assert page.evaluate("document.activeElement.textContent") == "Put it back half done"
