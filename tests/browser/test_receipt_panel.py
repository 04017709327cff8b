"""The panel after Send: where the report is, in words; what the ends may do; what to do next."""

import json
import re

import pytest
from django.contrib.sessions.models import Session
from django.utils import timezone
from playwright.sync_api import expect

from inspections import workflow
from inspections.models import Finding, Photo, Submission
from inspections.rules.limits import Limits
from tests.browser.reporting import (
    all_sent,
    answer,
    common,
    in_situation,
    open_report,
    open_shell,
    photo,
    received,
    send,
    wait_until,
)
from tests.look.probes import axe_faults

pytestmark = pytest.mark.browser

REPORTS, PHOTOS = "**/phone/reports/*/", "**/phone/faults/**"


@pytest.fixture
def page(browser_page, sign_in, cast, railway):
    """A driver's phone, signed in."""
    sign_in(browser_page, cast.driver)
    browser_page.set_default_timeout(10_000)
    return browser_page


@pytest.fixture
def away(page):
    """The report page without signal, answered."""
    open_shell(page)
    page.context.set_offline(True)
    common(page)
    return page


def state(page):
    return page.locator("main .sync")


def rerun(page):
    """Ask the logbook again, once whoever is asking now is done."""
    wait_until(page, "Outbox.run().then((outcome) => outcome !== 'busy')")


def clean(page):
    """Axe finds nothing, nothing runs off the side, one primary button, in both themes."""
    page.set_viewport_size({"width": 360, "height": 3000})
    for theme in ("day", "night"):
        page.evaluate("(theme) => { document.documentElement.dataset.theme = theme; }", theme)
        assert axe_faults(page, colours_only=theme == "night") == [], theme
    for width in (320, 1280, 360):
        page.set_viewport_size({"width": width, "height": 640})
        assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
    assert page.locator(".primary").count() == 1
    assert page.locator("h1").count() == 1
    sizes = page.eval_on_selector_all(
        "main :is(button, .primary, .secondary)", "all => all.map((e) => e.offsetHeight)"
    )
    assert min(sizes) >= 64


# ---- its states


def test_saved_here_then_sent_when_there_is_signal(away):
    send(away)
    expect(state(away)).to_have_class(re.compile("sync-phone"))
    expect(state(away)).to_contain_text(
        "Saved on this phone. Not sent yet: no signal here. If it can’t wait, tell control by radio."
    )
    expect(state(away)).to_contain_text("We’ll send it when this page is open where there is signal.")
    expect(away.locator("h1")).to_have_text("Unit 201, A end")
    expect(away.locator("h1")).to_be_focused()
    expect(away.locator("main")).to_contain_text("5 Upper air seal: The rubber is torn or has a flap")
    expect(away.locator("main .standing")).to_contain_text("Do not couple at this end.")
    expect(away.locator("main .standing .known")).to_contain_text("As known at ")
    assert not away.locator("main .ref").count()
    assert not Submission.objects.exists()
    expect(away.locator("main").get_by_role("button", name="Try again")).to_be_visible()
    clean(away)
    away.reload()
    expect(state(away)).to_contain_text("Saved on this phone.")
    away.context.set_offline(False)
    received(away)
    finding = Finding.objects.get()
    expect(away.locator("main .ref-large")).to_have_text(finding.spoken_ref)
    expect(state(away)).to_contain_text("Control has not looked yet.")
    expect(away.get_by_role("button", name="Try again")).to_have_count(0)
    clean(away)


def test_seen_by_control_is_told_and_where_it_came_from_is_a_step_away(page, cast, now):
    open_report(page)
    common(page)
    send(page)
    name = received(page)
    finding = Finding.objects.get()
    workflow.look(finding, version=finding.version, by=cast.controller, now=timezone.now())
    rerun(page)
    expect(state(page)).to_contain_text("Seen by control ")
    expect(state(page)).not_to_contain_text("has not looked")
    page.click("text=Open the receipt")
    page.wait_for_url(f"**/reports/{name}/")
    page.go_back()
    expect(state(page)).to_contain_text("Seen by control ")


def test_what_is_said_again_is_not_spoken_again(page):
    open_report(page)
    common(page)
    send(page)
    received(page)
    expect(state(page)).to_have_attribute("role", "status")
    page.evaluate("document.querySelector('main .sync').firstChild.id = 'first'")
    for _ in range(3):
        rerun(page)
    page.wait_for_timeout(200)
    expect(page.locator("main .sync > #first")).to_have_count(1)


def test_sending_says_so_and_after_ten_seconds_that_it_still_tries(page):
    open_report(page)
    held = []
    page.route(REPORTS, lambda route: held.append(route))
    common(page)
    send(page)
    expect(state(page)).to_have_text("Sending your report…")
    clean(page)
    expect(state(page)).to_have_text("Still trying. It stays on this phone until it is sent.", timeout=12_000)
    held[0].continue_()
    received(page)


def test_signed_out_meanwhile_it_waits_for_the_sign_in(page):
    open_report(page)
    common(page)
    Session.objects.all().delete()
    send(page)
    expect(state(page)).to_have_text("Sign in again to send. Your report is kept.")
    expect(page.locator("main").get_by_role("link", name="Sign in again")).to_have_attribute(
        "href", re.compile(r"^/sign-in/\?next=%2Freports%2Fnew%2F%23sent-")
    )
    clean(page)


def answered(status, **data):
    """A route that answers with this JSON."""
    return lambda route: route.fulfill(status=status, content_type="application/json", body=json.dumps(data))


def test_a_report_that_was_not_taken_says_why_and_goes_when_it_can(page):
    open_report(page)
    page.route(REPORTS, answered(413, error="too big", words="This report is too long for the logbook."))
    common(page)
    send(page)
    expect(state(page)).to_contain_text(
        "We couldn’t send it. Your report is safe on this phone. Try again, or call control."
    )
    expect(state(page)).to_contain_text("This report is too long for the logbook.")
    assert not page.locator("main .ref").count()
    clean(page)
    expect(page.get_by_role("button", name="Try again")).to_be_visible()


def test_a_page_that_is_no_receipt_is_not_believed(page):
    open_report(page)
    page.route(REPORTS, lambda route: route.fulfill(status=200, content_type="text/html", body="<h1>Free Wi-Fi</h1>"))
    common(page)
    send(page)
    expect(state(page)).to_contain_text("Saved on this phone.")
    again = page.get_by_role("button", name="Try again")
    page.unroute(REPORTS)
    again.evaluate("(button) => button.click()")
    received(page)
    assert Submission.objects.count() == 1


def test_words_first_and_the_photo_is_said_until_it_is_in(page):
    open_report(page)
    page.route(PHOTOS, lambda route: route.abort())
    common(page)
    page.set_input_files("#id_photos", photo())
    expect(page.locator("#shots img")).to_have_count(1)
    send(page)
    received(page)
    expect(page.locator("main")).to_contain_text("Your report is in. The photo is still on this phone.")
    clean(page)
    page.unroute(PHOTOS)
    page.get_by_role("button", name="Send the photo").click()
    expect(page.get_by_role("button", name="Send the photo")).to_have_count(0)
    expect(page.locator("main")).not_to_contain_text("still on this phone")
    assert Photo.objects.get().state == "stored"


def test_a_photo_that_was_not_taken_says_why(page):
    open_report(page)
    common(page)
    data = b"\0\0\0\x18ftypheic" + bytes(500)
    page.set_input_files("#id_photos_album", {"name": "p.heic", "mimeType": "image/heic", "buffer": data})
    expect(page.locator("#shots li")).to_have_count(1)
    send(page)
    received(page)
    all_sent(page)
    expect(page.locator("main .message.warning")).to_contain_text(Photo.objects.get().why)


def test_an_old_one_says_how_long_nobody_else_could_see_it(away):
    send(away)
    older = "(row) => ({ ...row, saved: row.saved - 3.2 * 3600e3 })"
    away.evaluate(f"Outbox.mine().then(([row]) => Store.change('reports', row.id, {older}))")
    away.reload()
    expect(state(away)).to_contain_text("This report has been on your phone for 3 hours. Nobody else can see it.")


def test_the_call_stands_first_and_largest(page, cast):
    open_report(page)
    answer(page, "end", "A end")
    page.click("svg [data-slot=cover]")
    answer(page, "sign", "hangs or flaps")
    in_situation(page, "Uncoupled")
    send(page)
    received(page)
    call = page.locator("main .call")
    expect(call).to_have_text("Call control now. The call is the report.")
    assert page.evaluate(
        "() => document.querySelector('main .call').compareDocumentPosition(document.querySelector('main .sync')) & 4"
    )
    sizes = page.eval_on_selector_all("main p", "all => all.map((e) => parseFloat(getComputedStyle(e).fontSize))")
    assert call.evaluate("(e) => parseFloat(getComputedStyle(e).fontSize)") == max(sizes)
    clean(page)
    finding = Finding.objects.get()
    workflow.look(finding, version=finding.version, by=cast.controller, now=timezone.now())
    rerun(page)
    expect(call).to_be_hidden()


def test_several_faults_have_a_reference_each(page):
    open_report(page)
    common(page)
    page.click("#another")
    answer(page, "end", "B end")
    page.click("svg [data-slot=cover]")
    answer(page, "sign", "stays open")
    in_situation(page, "Coupled")
    send(page)
    received(page)
    expect(page.locator("h1")).to_have_text("Unit 201, A end and B end")
    first, second = Finding.objects.order_by("pk")
    assert page.locator("main .ref-large").all_inner_texts() == [first.spoken_ref, second.spoken_ref]
    expect(page.locator("main .facts")).to_contain_text(f"It stays open, pins can be seen, {second.spoken_ref}")
    expect(page.locator("main .standing")).to_have_count(2)
    clean(page)


def test_a_look_that_found_nothing_has_no_reference(page):
    open_report(page, "?unit=201&found=nothing")
    answer(page, "end", "B end")
    in_situation(page, "Uncoupled")
    send(page)
    received(page)
    expect(state(page)).to_contain_text("The logbook has your look, ")
    expect(state(page)).to_contain_text("Nothing was found.")
    assert not page.locator("main .ref").count()
    clean(page)


def test_what_was_kept_but_not_filed_says_so(page):
    open_report(page)
    common(page)
    words = "A fault in it came in another report before. This one is kept apart, and control will sort it out."
    page.context.set_offline(True)
    send(page)
    name, digest = page.evaluate("Store.all('reports').then(([row]) => [row.id, row.sha256])")
    told = {
        "id": name,
        "sha256": digest,
        "state": "quarantined",
        "refs": [],
        "missing": [],
        "words": words,
        "told": {},
    }
    page.route(REPORTS, answered(201, **told))
    page.route(
        "**/phone/receipts/**", answered(200, receipts={name: {"refs": [], "seen": None, "missing": [], "words": ""}})
    )
    page.context.set_offline(False)
    expect(state(page)).to_have_text(words)
    assert not page.locator("main .ref").count()
    clean(page)


# ---- the logbook's answer beside this phone's


def test_a_stricter_answer_of_the_logbook_is_said_and_shown(away, cast, railway, now):
    send(away)
    expect(away.locator("main .standing")).not_to_contain_text("Stand: not to move")
    limits = Limits(move="stand")
    workflow.restrict(end=railway.ends["201 A"], unit=None, limits=limits, why="x", by=cast.controller, now=now)
    away.context.set_offline(False)
    received(away)
    expect(away.locator("main .message.warning")).to_contain_text(
        "For the A end the logbook’s answer is stricter than this phone’s, "
        "because it knows of reports or limits this phone did not have."
    )
    expect(away.locator("main .standing")).to_contain_text("Stand: not to move")
    clean(away)


def test_a_looser_answer_of_the_logbook_is_said_and_shown(page, cast, railway, now):
    limits = Limits(move="stand")
    row = workflow.restrict(end=railway.ends["201 A"], unit=None, limits=limits, why="x", by=cast.controller, now=now)
    open_shell(page)
    page.context.set_offline(True)
    common(page)
    send(page)
    expect(page.locator("main .standing")).to_contain_text("Stand: not to move")
    workflow.lift(row, why="repaired", by=cast.controller, now=timezone.now())
    page.context.set_offline(False)
    received(page)
    expect(page.locator("main .message.warning")).to_contain_text("the logbook’s answer is looser than this phone’s")
    expect(page.locator("main .standing")).not_to_contain_text("Stand: not to move")


def test_the_same_answer_is_shown_once_and_without_a_word(page):
    open_report(page)
    common(page)
    send(page)
    received(page)
    expect(page.locator("main .standing")).to_have_count(1)
    expect(page.locator("main .message.warning")).to_have_count(0)


# ---- what next


def test_report_something_else_and_back_never_sends_again(page):
    open_report(page)
    common(page)
    send(page)
    received(page)
    page.click("text=Report something else")
    expect(page.locator("form[data-ready]")).to_be_attached()
    assert page.evaluate("Report.value('end')") == ""
    expect(page.locator("#words [data-owner=found]")).to_have_count(0)
    page.go_back()
    expect(state(page)).to_be_visible()
    rerun(page)
    assert Submission.objects.count() == 1


def test_the_panel_of_a_report_this_phone_no_longer_has_is_the_receipt(page, cast, report):
    receipt = report(cast.driver)
    page.goto(f"/reports/new/#sent-{receipt.id}")
    page.wait_for_url(f"**/reports/{receipt.id}/")
    expect(page.locator("main")).to_contain_text("The logbook has your report")


def test_the_unit_of_the_report_is_the_unit_of_today(page):
    open_report(page, "?unit=301")
    common(page)
    send(page)
    received(page)
    assert page.evaluate("Promise.all(['unit', 'recent'].map((key) => Store.read('meta', key)))") == ["301", ["301"]]
    wait_until(page, "Store.read('meta', 'unit-told').then((unit) => unit === '301')")
    page.goto("/")
    expect(page.locator("main")).to_contain_text("301")
