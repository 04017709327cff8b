"""The server is gone, or the phone is killed at the worst moment: a whole report or a whole draft, never half."""

import os

import pytest
from playwright.sync_api import expect

ONE = ["delivered", "draft"]
# tests/long killed tries twenty.
MOMENTS = [tuple(range(n, 80, 20)) for n in (0, 4, 8, 12, 16)] if "ALL_MOMENTS" in os.environ else [(0, 15), (30, 50)]


def test_the_form_opens_with_the_server_down_and_private_pages_are_not_shown(phone, server, ledger, camera):
    phone.open("/units/201/")
    secret = phone.page.locator("main").inner_text()
    server.kill()
    tab = phone.tab()
    phone.open("/findings/new/", tab)
    expect(tab.locator("h1")).to_contain_text("No signal")
    phone.open("/reports/", tab)
    assert "200" not in tab.locator("h1").inner_text()
    assert secret not in tab.locator("main").inner_text()
    phone.form(page=tab)
    phone.answer(tab)
    phone.take_photo(camera(), page=tab)
    expect(tab.locator("#verdict")).to_contain_text("Do not couple at this end")
    tab.click("#send")
    expect(tab.locator("main")).to_contain_text("Saved on this phone. Not sent yet: no signal here.")
    kept = phone.kept()
    assert len(kept) == len(kept[0].photos) == 1
    server.start()
    phone.nudge(tab)
    ledger.wait_delivered(kept)
    expect(tab.locator("main")).to_contain_text("The logbook has your report")
    expect(tab.locator("main")).to_contain_text("Control has not looked yet")


def test_a_phone_killed_while_its_driver_answers_gives_the_draft_back(killable, link, ledger, camera):
    """The camera app does this, and a flat battery. Answers and the first photo are there; nothing was sent."""
    killable.form()
    killable.answer(situation="About to couple")
    killable.take_photo(camera(1))
    killable.page.fill("textarea[name=note]", "Torn at the lower edge")
    killable.wait(lambda: killable.drafts()[0]["answers"].get("note"))
    before = killable.drafts()
    killable.kill()
    link.fault("down")
    killable.start().form()
    assert killable.drafts() == before
    page = killable.page
    expect(page.locator("main")).to_contain_text("You started a report on unit 201")
    assert page.locator("input[name=end]:checked").input_value() == "A"
    assert page.locator("input[name=part]:checked").input_value() == "air-upper"
    assert page.locator("input[name=situation]:checked").input_value() == "C"
    assert page.locator("textarea[name=note]").input_value() == "Torn at the lower edge"
    expect(page.locator("#shots li")).to_have_count(1)
    ledger.assert_nothing_came()
    page.click("#send")
    expect(page.locator("main")).to_contain_text("Saved on this phone")
    kept = killable.kept()
    assert len(kept[0].photos) == 1
    link.clear()
    killable.sign_in().open()
    ledger.wait_delivered(kept)


@pytest.mark.parametrize("moments", MOMENTS)
def test_a_phone_killed_within_moments_of_send_has_all_or_a_draft(moments, killable, link, ledger, camera):
    """Milliseconds between the tap and the kill. The draft is there before; one of the two is there after."""
    link.fault("down")
    ends = []
    for moment in moments:
        reports = len(killable.kept()) if ends else 0
        killable.form()
        killable.answer()
        killable.take_photo(camera(moment))
        killable.page.evaluate("document.getElementById('send').click()")
        killable.page.wait_for_timeout(moment)
        killable.kill()
        killable.start().open("/phone/")
        drafts, kept = killable.drafts(), killable.kept()
        assert (len(kept) - reports, len(drafts)) in ((1, 0), (0, 1)), (moment, len(kept), len(drafts))
        assert all(len(report.photos) == 1 for report in kept)
        ends.append(ONE[len(drafts)])
        if drafts:
            assert len(drafts[0]["photos"]) == 1
            killable.form()
            killable.page.click("#send")
            expect(killable.page.locator("main")).to_contain_text("Saved on this phone")
    kept = killable.kept()
    assert len(kept) == len(moments)
    link.clear()
    killable.sign_in().open()
    ledger.wait_delivered(kept)
    print(f"killed {moments} ms after the tap: {ends}")


def test_a_phone_killed_once_it_said_saved_delivers_after_signing_in(killable, link, ledger, camera):
    """Two photos of 12 million pixels, no signal, SIGKILL at once. The kill may lose the cookie, never the report."""
    link.fault("down")
    killable.form()
    killable.answer()
    killable.take_photo(camera(1, (4000, 3000)), 1)
    killable.take_photo(camera(2, (4000, 3000)), 2)
    killable.page.click("#send")
    expect(killable.page.locator("main")).to_contain_text("Saved on this phone")
    killable.kill()
    killable.start().open("/phone/")
    kept = killable.kept()
    sizes = [len(data) for data in kept[0].photos.values()]
    assert len(sizes) == 2
    assert max(sizes) <= 150_000
    link.clear()
    if killable.run() == "sign in":
        killable.sign_in().open()
    killable.run()
    ledger.wait_delivered(kept)
