"""Long queues, wrong clocks, old bodies, a server that asks to wait or went back in time, a browser that forgot."""

import json
import shutil
import sqlite3
from contextlib import closing
from uuid import uuid4

import pytest
from playwright.sync_api import expect

WORDS, PHOTO = r"^PUT /phone/reports/", r"^PUT /phone/faults/"


@pytest.mark.parametrize(("clock", "words"), [("2031-03-01T05:00:00", "fast"), ("2026-01-02T03:04:05", "slow")])
def test_a_wrong_clock_is_flagged_and_not_believed(clock, words, phone, server, link, ledger):
    """Years ahead, months behind: both times are stored, the order is the server's, the time seen is doubtful."""
    phone.page.clock.set_system_time(clock)
    phone.form()
    phone.answer()
    phone.page.click("#send")
    expect(phone.page.locator("main")).to_contain_text("The logbook has your report")
    ledger.wait_delivered(phone.kept())
    ((received, sent, doubtful),) = server.rows(
        "SELECT s.received, s.device_sent, i.doubtful FROM inspections_submission s "
        "JOIN inspections_inspection i ON i.submission_id = s.id ORDER BY s.id DESC LIMIT 1"
    )
    assert sent.startswith(clock[:10])
    assert received[:10] != clock[:10]
    assert f"{words} when it sent this" in doubtful


def test_a_report_made_in_one_time_zone_and_sent_in_another_keeps_its_moment(phone, server, link, ledger):
    """The body is fixed at Send: its offset is that of the place where it was seen."""
    cdp = phone.context.new_cdp_session(phone.page)
    cdp.send("Emulation.setTimezoneOverride", {"timezoneId": "Australia/Lord_Howe"})
    link.fault("down", match="^PUT")
    phone.form()
    phone.answer()
    phone.page.click("#send")
    expect(phone.page.locator("main")).to_contain_text("Saved on this phone")
    kept = phone.kept()
    assert kept[0].words["seen"][-6:] in ("+10:30", "+11:00")
    cdp.send("Emulation.setTimezoneOverride", {"timezoneId": "America/St_Johns"})
    link.clear()
    phone.nudge()
    ledger.wait_delivered(kept)
    ((offset, doubtful),) = server.rows(
        "SELECT seen_offset_min, doubtful FROM inspections_inspection ORDER BY id DESC LIMIT 1"
    )
    assert (offset, doubtful) in ((630, ""), (660, ""))


@pytest.mark.parametrize("locale", ["ar-EG", "tr-TR"])
def test_the_phones_language_changes_no_byte_of_meaning(locale, new_phone, ledger, camera):
    """Digits of another script, a dotless i: what is sent is what a phone in English sends."""
    phone = new_phone(locale=locale).ready()
    phone.form()
    phone.answer()
    phone.take_photo(camera())
    phone.page.click("#send")
    expect(phone.page.locator("main")).to_contain_text("The logbook has your report")
    kept = phone.kept()
    assert kept[0].body.isascii()
    assert kept[0].words["faults"][0]["part"] == "air-upper"
    ledger.wait_delivered(kept)


LOOKS = """async (count) => {
  for (let n = 0; n < count; n += 1) {
    const unit = ["201", "202", "301", "401"][n % 4];
    const ends = [{ end: "A", situation: "U", clean: true }];
    const body = { v: 1, id: crypto.randomUUID(), unit, seen: "2026-11-24T05:48:00+00:00", ends, faults: [] };
    await Outbox.save({ id: body.id, body, photos: [], about: { unit, end: "A end", faults: [] } });
  }
}"""


def test_two_hundred_reports_queued_arrive_once_each(phone, server, link, ledger, photo):
    """More than one person may send in a minute: the logbook asks to wait and is heard; then it restarts as well."""
    link.fault("down", match="^PUT")
    phone.page.evaluate(LOOKS, 199)
    phone.save([photo(1), photo(2)])
    kept = phone.kept()
    assert len(kept) == 200
    phone.wait(lambda: "200 reports on this phone not sent" in phone.strip())
    link.clear()
    ends = [phone.run()]
    if ends[-1] == "later":
        assert link.count(WORDS, "429")
        assert 0 < phone.page.evaluate("Outbox.pause()") <= 60_000
        server.kill()
        server.start()
        ends.append(phone.run())
    assert ends[-1] == "done"
    ledger.wait_delivered(kept)
    assert phone.strip() == ""


@pytest.mark.parametrize("status", [429, 503])
@pytest.mark.parametrize("kind", ["application/json", "text/html"])
def test_a_server_that_asks_to_wait_is_heard(status, kind, phone, link, ledger, photo):
    """Retry-After, from the logbook or from what stands before it: nothing before, all after, without a tap."""
    kept = phone.kept(phone.save([photo(1)]))
    asked = {"Retry-After": "3", "Content-Type": kind}
    link.fault("error", match="^PUT", status=status, times=1, headers=asked, body=b"{}")
    phone.nudge()
    phone.until("self.lastRun.outcome === 'later'")
    phone.page.wait_for_timeout(1_500)
    assert link.count("^PUT") == 1, "it did not wait"
    ledger.wait_delivered(kept, seconds=8)


def copied(server):
    """A copy of the database as it is now."""
    with closing(sqlite3.connect(server.database)) as now, closing(sqlite3.connect(server.home / "copy")) as copy:
        now.backup(copy)


def restored(server):
    server.kill()
    shutil.copy(server.home / "copy", server.database)
    server.start()


@pytest.mark.parametrize("lost", ["photo", "report"])
def test_a_server_restored_from_an_older_copy_is_offered_what_it_lost(lost, phone, server, link, ledger, photo):
    """What the phone had sent, the logbook has no longer; the phone still has it and is asked."""
    report = phone.save([photo(1), photo(2)])
    kept = phone.kept(report)
    if lost == "report":
        copied(server)
    else:
        link.fault("down", match=PHOTO, times=1)
        phone.run()
        copied(server)
    phone.run()
    ledger.wait_delivered(kept)
    restored(server)
    assert ledger.new()["photo"] == 0
    for _ in range(3):  # asks, offers, and says so
        phone.run()
    ledger.wait_delivered(kept)
    assert phone.states() == ["received"]


OLDEST = {
    "v": 1,
    "unit": "201",
    "seen": "2026-05-24T05:48:00+01:00",
    "ends": [{"end": "A", "situation": "U"}],
}


@pytest.mark.parametrize(
    "more",
    [{}, {"from a later version": {"of": ["the", "phone"]}}, {"sent": "2026-05-24T05:50:00+01:00", "occasion": ""}],
    ids=["least", "more than we know", "blank"],
)
def test_a_body_of_the_first_version_is_taken_for_ever(more, phone, server, ledger, photo):
    """A phone that lay in a drawer for half a year: its body is version 1, whatever phones send today."""
    fault = {"id": str(uuid4()), "end": "A", "part": "air-upper", "symptom": "seal-torn", "photos": [str(uuid4())]}
    kept = phone.kept(phone.save([photo(1)], faults=[fault], **OLDEST, **more))
    assert phone.run() == "done"
    ledger.wait_delivered(kept)


def test_a_photo_picked_twice_is_sent_once(phone, link, ledger, camera):
    phone.form()
    phone.answer()
    phone.take_photo(camera(1))
    phone.page.locator("input[type=file][capture]").set_input_files(camera(1))
    expect(phone.page.locator("#photo-words")).to_contain_text("That is photo 1 again: it is taken once.")
    phone.take_photo(camera(2), 2)
    phone.page.click("#send")
    expect(phone.page.locator("main")).to_contain_text("The logbook has your report")
    kept = phone.kept()
    assert len(kept[0].photos) == 2
    ledger.wait_delivered(kept)


def test_sent_photos_are_kept_a_week_and_no_longer(phone, link, ledger, photo):
    kept = phone.kept(phone.save([photo(1)]))
    phone.run()
    ledger.wait_delivered(kept)
    age = "Store.change('reports', '{id}', (row) => ({{ ...row, received: Date.now() - {days} * 24 * 3600e3 }}))"
    phone.page.evaluate(age.format(id=kept[0].id, days=6.9))
    phone.run()
    assert phone.kept() == kept
    phone.page.evaluate(age.format(id=kept[0].id, days=7.1))
    phone.run()
    stored = phone.stored()
    assert (stored["reports"], stored["photos"], stored["bytes"]) == ([], [], {})


def test_the_table_and_the_facts_on_the_phone_are_the_servers(phone, server):
    """So that what the phone says without signal is what the server would have said."""
    stored = phone.stored()["facts"]
    assert stored["table"]["sha256"] == stored["facts"]["rules"]
    assert len(json.dumps(stored["facts"])) < 30_000
