"""One report or photo that the logbook will not take: it is kept and shown with its words, the others go on."""

import json

import pytest
from playwright.sync_api import expect

from tests.faults.ledger import hexed
from tests.photos.heics import heic

WORDS, PHOTO = r"^PUT /phone/reports/", r"^PUT /phone/faults/"
JSON = {"Content-Type": "application/json"}


def refuse(link, match, status, error, words, **more):
    body = json.dumps({"error": error, "words": words}).encode()
    return link.fault("error", match=match, status=status, headers=JSON, body=body, **more)


def panel(phone, report):
    """What the phone says of one report."""
    phone.open("/phone/")
    phone.open(f"/reports/new/#sent-{report}")
    main = phone.page.locator("main")
    expect(main).to_contain_text("Saved here")
    return main


@pytest.mark.parametrize(
    ("status", "error"), [(413, "too big"), (400, "unreadable"), (403, "not allowed"), (404, "not found")]
)
def test_a_report_refused_is_shown_with_its_words_and_the_others_go_on(status, error, phone, link, ledger, photo):
    first, second = phone.save([photo(1)]), phone.save([photo(2)])
    refuse(link, f"{WORDS}{first}", status, error, "Words of the logbook about this one.")
    phone.run()
    phone.run()
    ledger.wait_delivered(phone.kept(second))
    assert link.count(f"{WORDS}{first}") == 1, "it was sent again although that cannot help"
    assert "1 report on this phone not sent" in phone.strip()
    main = panel(phone, first)
    expect(main).to_contain_text(
        "We couldn’t send it. Your report is safe on this phone. Try again, or call control."
    )
    expect(main).to_contain_text("Words of the logbook about this one.")
    link.clear()
    main.locator("button", has_text="Try again").click()
    ledger.wait_delivered(phone.kept(first, second))


def test_a_status_nobody_thought_of_loses_nothing(phone, link, ledger, photo):
    """422, 418: not one of ours; whoever said it, the report stays and is tried again."""
    first, second = phone.save(), phone.save()
    refuse(link, f"{WORDS}{first}", 422, "odd", "")
    phone.run()
    assert len(phone.kept(first)) == 1
    assert dict(zip([second, first], phone.states(), strict=True))[second] == "received"
    link.clear()
    phone.run()
    ledger.wait_delivered(phone.kept(first, second))


def test_another_report_under_the_same_id_is_kept_on_both_sides(phone, server, link, ledger, photo):
    """The server has other words under this id: 409. Both are kept, the person is told, the next report goes on."""
    first, second = phone.save(note="The right words"), phone.save()
    kept = phone.kept(first)[0]
    other = json.dumps(kept.words | {"note": "Other words", "faults": []})
    status = phone.page.evaluate(
        """async ({ id, body }) => {
          const { csrf } = await (await fetch("/phone/session/")).json();
          const bytes = new TextEncoder().encode(body);
          const sha = await Outbox.digest(bytes.buffer);
          const headers = { "X-CSRFToken": csrf, "X-Content-SHA256": sha };
          return (await fetch(`/phone/reports/${id}/`, { method: "PUT", body: bytes, headers })).status;
        }""",
        {"id": first, "body": other},
    )
    assert status == 201
    phone.run()
    assert dict(zip([second, first], phone.states(), strict=True)) == {second: "received", first: "attention"}
    rows = server.rows(
        "SELECT status, body FROM inspections_submission WHERE uuid = ? ORDER BY id",
        kept.words["id"].replace("-", ""),
    )
    assert [status for status, _ in rows] == ["stored", "quarantined"]
    assert bytes(rows[1][1]) == kept.body
    expect(panel(phone, first)).to_contain_text("kept apart, and control will sort it out")


def test_a_report_kept_in_quarantine_is_received_and_said_so(phone, server, ledger):
    """Nothing is refused for content: a part that no coupler has is kept whole, and the phone may let go."""
    report = phone.save(faults=[{"id": "no uuid", "end": "Z", "part": "x" * 90, "photos": []}])
    assert phone.run() == "done"
    assert phone.states() == ["received"]
    status = server.rows("SELECT status FROM inspections_submission WHERE uuid = ?", hexed(report))
    assert status == [("quarantined",)]
    expect(panel(phone, report)).to_contain_text("Control will sort it out")


def test_one_photo_that_never_goes_does_not_keep_the_words_and_the_others(phone, link, server, ledger, photo):
    report = phone.save([photo(n) for n in (1, 2, 3)])
    kept = phone.kept(report)
    stuck = list(kept[0].photos)[1]
    refuse(link, f"{PHOTO}.*{stuck}", 413, "too big", "That photo is over 12 MB.")
    phone.run()
    phone.run()
    assert ledger.new() == {"submission": 1, "inspection": 1, "observation": 1, "photo": 2}
    main = panel(phone, report)
    expect(main).to_contain_text("A photo could not be sent.")
    expect(main).to_contain_text("That photo is over 12 MB.")
    assert phone.mine()[0]["photos"] == {"all": 3, "sent": 2, "attention": 1}
    assert server.rows("SELECT count(*) FROM inspections_photo WHERE uuid = ?", hexed(stuck)) == [(0,)]
    link.clear()
    main.locator("button", has_text="Send the photo").click()
    ledger.wait_delivered(kept)


def test_a_photo_this_browser_cannot_open_goes_as_it_is(phone, link, ledger):
    """HEIC: the phone keeps and sends the original bytes, the logbook opens them."""
    original = heic()
    phone.form()
    phone.answer()
    file = {"name": "seal.heic", "mimeType": "image/heic", "buffer": original}
    phone.take_photo(file)
    expect(phone.page.locator("#shots")).to_contain_text("This photo cannot be shown here. It will be sent as it is.")
    phone.page.click("#send")
    expect(phone.page.locator("main")).to_contain_text("The logbook has your report")
    kept = phone.kept()
    assert list(kept[0].photos.values()) == [original]
    ledger.wait_delivered(kept)


def test_a_file_that_is_no_photo_is_refused_in_words_and_the_report_stands(phone, server, ledger):
    """Bytes that nobody can open, called a JPEG: kept sealed, the phone says why, the words are in."""
    phone.form()
    phone.answer()
    phone.take_photo({"name": "seal.jpg", "mimeType": "image/jpeg", "buffer": b"\xff\xd8\xff" + b"no photo" * 100})
    phone.page.click("#send")
    main = phone.page.locator("main")
    expect(main).to_contain_text("The logbook has your report")
    expect(main).to_contain_text("incomplete or damaged")
    assert ledger.new() == {"submission": 1, "inspection": 1, "observation": 1, "photo": 1}
    assert server.rows("SELECT state FROM inspections_photo ORDER BY id DESC LIMIT 1") == [("refused",)]
