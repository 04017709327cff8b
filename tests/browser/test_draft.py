"""A report not sent yet: kept from the first tap, given back without asking, one person's, with its photos."""

import io
import os

import pytest
from PIL import Image
from playwright.sync_api import expect

from inspections.models import Finding, Photo, Submission
from tests.browser.reporting import (
    all_sent,
    answer,
    common,
    forget_drafts,
    in_situation,
    is_ready,
    kept,
    open_report,
    open_shell,
    photo,
    received,
)

pytestmark = pytest.mark.browser

SMALL, SIDE = 150_000, 1280


@pytest.fixture
def page(browser_page, sign_in, cast, railway):
    """A driver's phone, signed in."""
    sign_in(browser_page, cast.driver)
    browser_page.set_default_timeout(10_000)
    return browser_page


@pytest.fixture
def ready(page):
    open_report(page)
    return page


def line(page):
    return page.locator("#words [data-owner=found]")


def reopened(page):
    page.reload()
    is_ready(page)


# ---- kept, and given back


@pytest.mark.parametrize("opened", [open_report, open_shell])
def test_the_first_tap_is_kept_and_given_back_without_asking(page, cast, opened):
    opened(page)
    assert kept(page) == []
    answer(page, "end", "A end")
    draft = kept(page)
    assert (draft["author"], draft["unit"], draft["answers"]["end"]) == (cast.driver.pk, "201", "A")
    common(page, "Coupled")
    page.fill("#id_note", "by the lower bolt")
    page.wait_for_timeout(600)
    reopened(page)
    expect(line(page)).to_contain_text("You started a report on unit 201 at ")
    expect(line(page)).to_contain_text("It’s all here.")
    values = page.evaluate("['end', 'part', 'sign', 'situation'].map(Report.value)")
    assert values == ["A", "air-upper", "seal-torn", "R"]
    assert page.input_value("#id_note") == "by the lower bolt"
    assert page.input_value("[name=id]") == draft["id"]
    assert page.input_value("[name=made]") == draft["answers"]["made"]
    expect(page.locator("#verdict .standing")).to_be_visible()
    page.click("text=Carry on")
    expect(line(page)).to_have_count(0)
    page.click("#send")
    assert received(page) == draft["id"]
    assert kept(page) == []
    assert Submission.objects.count() == 1


def test_taps_made_before_the_scripts_came_are_kept_too(page):
    page.goto("/reports/new/?unit=201", wait_until="commit")
    page.locator("#q-end label", has_text="B end").click()
    is_ready(page)
    assert kept(page)["answers"]["end"] == "B"


def test_a_page_looked_at_keeps_nothing(ready):
    reopened(ready)
    assert kept(ready) == []
    expect(line(ready)).to_have_count(0)


def test_photos_and_faults_before_come_back(ready):
    common(ready)
    ready.set_input_files("#id_photos_album", [photo("a.jpg"), photo("b.jpg", "blue")])
    expect(ready.locator("#shots img")).to_have_count(2)
    ready.click("#another")
    expect(ready.locator("#so-far h2")).to_be_focused()
    answer(ready, "end", "B end")
    ready.set_input_files("#id_photos", photo("c.jpg", "green"))
    expect(ready.locator("#shots img")).to_have_count(1)
    reopened(ready)
    expect(ready.locator("#so-far li")).to_contain_text("A end, uncoupled. 5 Upper air seal: The rubber is torn")
    expect(ready.locator("#so-far li")).to_contain_text("2 photos")
    expect(ready.locator("#shots img")).to_have_count(1)
    ready.click("text=Remove fault 1")
    expect(ready.locator("#so-far")).to_be_hidden()
    assert kept(ready)["shots"] == 1
    ready.click("svg [data-slot=cover]")
    answer(ready, "sign", "stays open")
    in_situation(ready, "Uncoupled")
    ready.click("#send")
    received(ready)
    all_sent(ready)
    assert Finding.objects.get().slot == "cover"
    assert Photo.objects.get().state == "stored"


def test_a_draft_can_be_discarded_after_a_question(ready):
    answer(ready, "end", "A end")
    kept(ready)
    reopened(ready)
    ready.click("text=Discard the draft")
    expect(line(ready)).to_contain_text("Discard this draft on unit 201? It was never sent.")
    ready.click("text=Keep it")
    expect(line(ready)).to_contain_text("It’s all here.")
    ready.click("text=Discard the draft")
    with ready.expect_navigation():
        ready.get_by_role("button", name="Discard", exact=True).click()
    is_ready(ready)
    assert kept(ready) == []
    assert ready.evaluate("Report.value('end')") == ""


def test_a_draft_of_another_unit_is_offered_and_never_mixed(ready):
    answer(ready, "end", "A end")
    kept(ready)
    open_report(ready, "?unit=301")
    expect(line(ready)).to_contain_text("You started a report on unit 201 at ")
    assert ready.evaluate("Report.value('end')") == ""
    answer(ready, "end", "B end")
    assert {(draft["unit"], draft["answers"]["end"]) for draft in kept(ready)} == {("201", "A"), ("301", "B")}
    with ready.expect_navigation():
        ready.click("text=Carry on")
    is_ready(ready)
    assert "unit=201" in ready.url
    assert ready.evaluate("Report.value('end')") == "A"


def test_a_look_and_a_fault_are_two_drafts(ready):
    answer(ready, "end", "A end")
    kept(ready)
    open_report(ready, "?unit=201&found=nothing")
    assert ready.evaluate("Report.value('end')") == ""
    expect(line(ready)).to_be_visible()


@pytest.mark.parametrize("opened", [open_report, open_shell])
def test_another_unit_takes_the_answers_along(page, opened):
    opened(page)
    common(page)
    page.click("#q-unit summary")
    page.fill("#id_unit", "401")
    with page.expect_navigation():
        page.click("text=Use this unit")
    is_ready(page)
    expect(page.locator("h1")).to_have_text("Report damage: unit 401")
    assert page.evaluate("['end', 'sign'].map(Report.value)") == ["A", "seal-torn"]
    expect(line(page)).to_have_count(0)
    assert kept(page)["unit"] == "401"


def test_another_persons_draft_is_neither_shown_nor_given_back(ready, sign_in, cast):
    answer(ready, "end", "A end")
    kept(ready)
    sign_in(ready, cast.other_driver)
    open_report(ready, "?unit=201&plain=1")
    expect(line(ready)).to_have_count(0)
    assert ready.evaluate("Report.value('end')") == ""
    answer(ready, "end", "B end")
    assert {draft["author"] for draft in kept(ready)} == {cast.driver.pk, cast.other_driver.pk}
    sign_in(ready, cast.driver)
    open_report(ready, "?unit=201&plain=1")
    assert ready.evaluate("Report.value('end')") == "A"


def test_a_report_saved_in_another_tab_is_not_a_draft_here(ready):
    common(ready)
    kept(ready)
    other = ready.context.new_page()
    other.goto(ready.url)
    is_ready(other)
    other.click("#send")
    sent = received(other)
    expect(ready.locator("main .sync")).to_be_visible()
    ready.bring_to_front()
    assert kept(ready) == []
    assert Submission.objects.get().uuid.hex == sent.replace("-", "")


def test_no_answer_is_picked_that_the_page_does_not_offer(ready, cast, report):
    report(cast.other_driver)
    open_report(ready, "?unit=201&plain=1")
    answer(ready, "end", "A end")
    ready.click("svg [data-slot=air-upper]")
    answer(ready, "sign", "Already reported")
    kept(ready)
    Finding.objects.update(state="closed", closed=Finding.objects.get().first_seen)
    open_report(ready, "?unit=201&plain=1")
    expect(ready.locator("#words [data-owner=sign]")).to_contain_text("What you said is wrong is not offered here.")
    assert ready.evaluate("Report.value('sign')") == ""


# ---- photos


def picture(size, orientation=None, noise=False):
    """A camera's JPEG with where it was taken, and the way it was held."""
    out = io.BytesIO()
    image = (
        Image.frombytes("RGB", size, os.urandom(size[0] * size[1] * 3)) if noise else Image.new("RGB", size, "red")
    )
    exif = Image.Exif()
    exif[0x010F] = "camera"
    if orientation:
        exif[0x0112] = orientation
    exif.get_ifd(0x8825)[1] = "N"
    image.save(out, "JPEG", exif=exif, quality=95)
    return out.getvalue()


def shrunk(page, data, kind="image/jpeg"):
    """(type, bytes) of a file after Photo.shrink."""
    page.set_input_files("#id_photos_album", {"name": "p.jpg", "mimeType": kind, "buffer": data})
    expect(page.locator("#shots li")).to_have_count(1)
    kind, numbers = page.evaluate(
        "[Answers.state.photos[0].type, [...new Uint8Array(Answers.state.photos[0].bytes)]]"
    )
    page.click("text=Remove photo 1")
    return kind, bytes(numbers)


def test_photos_are_made_small_upright_and_without_their_place(ready, capsys):
    said = []
    for size, orientation, noise in [((3000, 2000), 6, True), ((1600, 1200), None, False), ((300, 200), 3, False)]:
        kind, data = shrunk(ready, picture(size, orientation, noise))
        image = Image.open(io.BytesIO(data))
        said.append(f"{size[0]}×{size[1]} → {image.width}×{image.height}, {len(data)} bytes")
        assert kind == "image/jpeg"
        assert len(data) <= SMALL
        assert max(image.size) <= min(SIDE, max(size))
        assert (image.width > image.height) is (orientation != 6)
        assert not image.getexif()
        assert b"camera" not in data
    with capsys.disabled():
        print("\n" + "; ".join(said))


def test_what_cannot_be_decoded_is_kept_as_it_is_and_said(ready):
    data = b"\0\0\0\x18ftypheic" + os.urandom(2_000)
    ready.set_input_files("#id_photos_album", {"name": "p.heic", "mimeType": "image/heic", "buffer": data})
    expect(ready.locator("#shots")).to_contain_text("This photo cannot be shown here. It will be sent as it is.")
    kind, numbers = ready.evaluate(
        "[Answers.state.photos[0].type, [...new Uint8Array(Answers.state.photos[0].bytes)]]"
    )
    assert (kind, bytes(numbers)) == ("image/heic", data)


@pytest.mark.parametrize(
    ("name", "kind", "data", "said"),
    [
        (
            "p.heic",
            "image/heic",
            b"\0\0\0\x18ftypheic" + bytes(12_000_000),
            "over 12 MB and cannot be made smaller here",
        ),
        ("p.jpg", "image/jpeg", b"", "That photo is empty. Take it again or skip it."),
        ("p.pdf", "application/pdf", b"%PDF-1.7", "That file is not a photo. Take a photo or skip it."),
    ],
    ids=["large", "empty", "document"],
)
def test_a_file_that_is_not_taken_is_said(ready, name, kind, data, said):
    ready.set_input_files("#id_photos_album", {"name": name, "mimeType": kind, "buffer": data})
    expect(ready.locator("#photo-words")).to_contain_text(said)
    expect(ready.locator("#shots li")).to_have_count(0)


def test_the_same_photo_is_taken_once_and_that_stays_said(ready):
    ready.set_input_files("#id_photos", photo())
    expect(ready.locator("#shots img")).to_have_count(1)
    ready.set_input_files("#id_photos_album", [photo("copy.jpg"), photo("b.jpg", "blue")])
    expect(ready.locator("#photo-words")).to_have_text("That is photo 1 again: it is taken once.")
    expect(ready.locator("#shots img")).to_have_count(2)
    common(ready)
    ready.fill("#id_note", "words that are kept")
    kept(ready)
    expect(ready.locator("#photo-words")).to_have_text("That is photo 1 again: it is taken once.")
    reopened(ready)
    ready.set_input_files("#id_photos", photo("again.jpg"))
    expect(ready.locator("#photo-words")).to_have_text("That is photo 1 again: it is taken once.")


# ---- a phone that keeps nothing, or has no room


SHUT = "Object.defineProperty(self, 'indexedDB', { get() { throw new DOMException('denied', 'SecurityError'); } });"


def test_a_browser_that_keeps_nothing_is_told_before_typing_and_posts_plainly(page):
    page.add_init_script(SHUT)
    page.goto("/reports/new/?unit=201")
    expect(page.locator("#words")).to_contain_text(
        "This browser keeps nothing: a report is safe only once it is sent."
    )
    common(page)
    page.set_input_files("#id_photos", photo())
    page.click("#send")
    page.wait_for_url("**/reports/*-*/")
    expect(page.locator("main")).to_contain_text("Control has not looked yet.")
    assert Photo.objects.get().state == "stored"


def test_the_kept_page_of_a_browser_that_keeps_nothing_leads_to_the_plain_one(page):
    open_shell(page)
    page.add_init_script(SHUT)
    page.goto("/reports/new/?unit=201")
    page.wait_for_url("**/reports/new/?plain=1&unit=201")
    expect(page.locator("#words")).to_contain_text("This browser keeps nothing")


FULL = """
  const put = IDBObjectStore.prototype.put;
  IDBObjectStore.prototype.put = function (value, ...key) {
    if (self.full?.(value, this.name)) throw new DOMException("full", "QuotaExceededError");
    return put.call(this, value, ...key);
  };
"""


def test_no_room_for_a_photo_keeps_the_words_and_the_photo_that_fits(page):
    page.add_init_script(FULL)
    open_report(page)
    page.evaluate("() => { self.full = (value) => value.photos?.length > 1; }")
    common(page)
    page.set_input_files("#id_photos_album", [photo("a.jpg"), photo("b.jpg", "blue")])
    expect(page.locator("#photo-words")).to_have_text(
        "This phone has no room for that photo. Your words and the other photos are kept."
    )
    expect(page.locator("#shots img")).to_have_count(1)
    assert kept(page)["shots"] == 1
    expect(page.locator("#words [data-owner=draft]")).to_have_count(0)


def test_no_room_for_the_report_is_said_and_the_same_report_goes_once_there_is(page):
    page.add_init_script(FULL)
    open_report(page)
    page.evaluate("() => { self.full = (value, store) => store === 'reports'; }")
    common(page)
    page.set_input_files("#id_photos", photo())
    expect(page.locator("#shots img")).to_have_count(1)
    page.click("#send")
    expect(page.locator("#words [data-owner=save]")).to_contain_text(
        "Not saved: this phone has no room for the report."
    )
    expect(page.locator("#shots img")).to_have_count(1)
    name = page.input_value("[name=id]")
    assert kept(page)["id"] == name
    page.evaluate("self.full = null")
    page.click("#send")
    assert received(page) == name


def test_no_room_for_the_draft_is_said_and_taken_back(page):
    page.add_init_script(FULL)
    open_report(page)
    page.evaluate("() => { self.full = (value, store) => store === 'drafts'; }")
    answer(page, "end", "A end")
    expect(page.locator("#words [data-owner=draft]")).to_contain_text("your answers are not kept here")
    page.evaluate("self.full = null")
    answer(page, "end", "B end")
    expect(page.locator("#words [data-owner=draft]")).to_have_count(0)


# ---- the page the phone keeps


def test_the_whole_report_without_signal(page, cast, report):
    report(cast.other_driver, part="cover", symptom="cover-open")
    open_shell(page)
    page.context.set_offline(True)
    reopened(page)
    expect(page.locator("h1")).to_have_text("Report damage: unit 201")
    expect(page.locator("#send")).to_have_text("Save and send later")
    common(page)
    expect(page.locator("#verdict")).to_contain_text("As known at ")
    page.click("#another")
    answer(page, "end", "A end")
    page.click("svg [data-slot=cover]")
    expect(page.locator("#q-sign label:visible").first).to_contain_text(
        "Already reported: It stays open, pins can be seen."
    )
    answer(page, "sign", "Already reported")
    answer(page, "changed", "Worse")
    page.click("#send")
    expect(page.locator("main .sync-phone")).to_contain_text("Saved on this phone. Not sent yet: no signal here.")
    assert not page.locator("main .ref").count()
    page.context.set_offline(False)
    received(page)
    assert Submission.objects.count() == 2
    assert Finding.objects.count() == 2


def test_the_kept_page_is_the_same_as_the_servers(page, cast, report, railway):
    """Questions, answers, steps, words: of a unit with a pattern of its own, one with open findings, a clean look."""
    railway.units["301"].ends.update(pattern=railway.patterns["Q"])
    report(cast.other_driver, weather="wet")
    said = """() => {
      const texts = "main :is(legend, label, .step, summary, .help, svg text)";
      const seen = [...document.querySelectorAll(texts)].filter((e) => e.checkVisibility());
      const words = [...document.querySelectorAll("h1, #send"), ...seen].map((e) => e.textContent.trim());
      const places = [...document.querySelectorAll("#places option")].map((e) => e.value);
      return [document.title, words.map((said) => said.replace(/\\s+/g, " ")), places];
    }"""

    def both(query, *taps):
        found = []
        for plain in ("", "&plain=1"):
            open_report(page, query + plain)
            for tap in taps:
                tap()
            found.append(page.evaluate(said))
            forget_drafts(page)
        assert found[0] == found[1]

    open_shell(page)
    both("?unit=301")
    both("?unit=201", lambda: answer(page, "end", "A end"), lambda: page.click("svg [data-slot=air-upper]"))
    both("?unit=201&found=nothing")


def test_a_unit_that_is_not_on_the_phones_list_is_kept_as_given(page):
    open_shell(page, "?unit=471")
    expect(page.locator("#words")).to_contain_text(
        "Unit 471 is not on the list on this phone. We keep it as you give it."
    )
    common(page)
    expect(page.locator("#verdict")).to_contain_text("Ask control what this end may still do.")
    page.click("#send")
    received(page)
    expect(page.locator("main")).to_contain_text("Unit 471 is not on our list. We kept it as you gave it")
    assert Submission.objects.get().status == "stored"


def test_without_a_unit_it_is_asked_first(page):
    open_shell(page)
    common(page)
    page.click("#send")
    received(page)
    page.evaluate("Store.write([['delete', 'meta', 'unit']])")
    open_report(page, "")
    expect(page.locator("#id_unit")).to_be_visible()
    expect(page.locator("h1")).to_have_text("Report damage")
    page.click("#recent button:has-text('201')")
    is_ready(page)
    expect(page.locator("h1")).to_have_text("Report damage: unit 201")


def test_where_nobody_was_ever_signed_in_that_is_said(page):
    open_shell(page)
    page.context.clear_cookies()
    page.evaluate("Store.write([['delete', 'meta', 'user']])")
    page.goto("/reports/new/?unit=201")
    expect(page.locator("main")).to_contain_text("Nobody is signed in on this phone.")
    expect(page.locator("#report")).to_be_hidden()
