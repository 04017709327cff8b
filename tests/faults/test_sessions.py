"""Who is signed in while reports wait: sessions end, tokens change, people are taken off."""

import pytest
from playwright.sync_api import expect

WORDS, PHOTO = r"^PUT /phone/reports/", r"^PUT /phone/faults/"


def sign_in_here(phone, username="driver1"):
    """Follow the strip's link and sign in as a person does."""
    phone.page.locator("#phone-strip a", has_text="Sign in again").click()
    phone.page.fill("input[name=username]", username)
    phone.page.fill("input[name=password]", "correct horse battery staple")
    phone.page.locator("main button.primary").click()


def test_a_session_that_ended_keeps_the_report_and_sends_it_after_signing_in(phone, server, link, ledger, photo):
    server.end_sessions()
    phone.open("/phone/")  # a page without a person, as a phone left overnight shows
    kept = phone.kept(phone.save([photo(1)]))
    assert phone.run() == "sign in"
    ledger.assert_nothing_came()
    phone.nudge()
    expect(phone.page.locator("#phone-strip")).to_contain_text("Sign in again to send. Your report is kept.")
    sign_in_here(phone)
    ledger.wait_delivered(kept)
    phone.wait(lambda: phone.states() == ["received"])


def test_a_session_that_ends_between_words_and_photo_keeps_the_photo(phone, server, link, ledger, photo):
    kept = phone.kept(phone.save([photo(1), photo(2)]))
    link.fault("down", match=PHOTO, times=1)
    assert phone.run() == "offline"
    assert phone.states() == ["received"]
    server.end_sessions()
    assert phone.run() == "sign in"
    assert ledger.new()["photo"] == 0
    phone.sign_in().open()
    phone.run()
    ledger.wait_delivered(kept)


@pytest.mark.parametrize("tabs", ["one", "other"])
def test_a_token_that_changed_is_fetched_again_once(tabs, phone, server, link, ledger, photo):
    """Signing in anew, here or in another tab, makes a new token; the old one is refused."""
    phone.save([photo(1)])
    assert phone.run() == "done"  # the page has a token now
    phone.context.clear_cookies(name="csrf")
    phone.sign_in()
    if tabs == "other":
        phone.open(page=phone.tab())
    phone.save([photo(2)])
    refused = link.count("^PUT", "403")
    assert phone.run() == "done"
    assert link.count("^PUT", "403") - refused <= 1
    ledger.wait_delivered(phone.kept())


def test_a_token_refused_for_ever_is_no_endless_loop(phone, link, ledger, photo):
    kept = phone.kept(phone.save([photo(1)]))
    json = {"Content-Type": "application/json"}
    link.fault("error", match="^PUT", status=403, headers=json, body=b'{"error": "csrf"}')
    phone.run()
    assert link.count("^PUT") <= 4
    link.clear()
    phone.page.evaluate("Outbox.retryNow()")
    phone.run()
    ledger.wait_delivered(kept)


def test_a_person_taken_off_keeps_the_reports_and_is_told(phone, server, link, ledger, photo):
    kept = phone.kept(phone.save([photo(1)]))
    server.change("UPDATE auth_user SET is_active = 0 WHERE username = 'driver1'")
    try:
        assert phone.run() == "sign in"
        phone.nudge()
        expect(phone.page.locator("#phone-strip")).to_contain_text("1 report on this phone not sent")
        expect(phone.page.locator("#phone-strip")).to_contain_text("Your report is kept.")
        ledger.assert_nothing_came()
    finally:
        server.change("UPDATE auth_user SET is_active = 1 WHERE username = 'driver1'")
    assert phone.kept() == kept
    phone.sign_in().open()
    phone.run()
    ledger.wait_delivered(kept)


def test_a_driver_who_lost_the_role_keeps_the_report_and_is_told(phone, server, link, ledger, photo):
    """A person who may not report any more: the words say so, the report stays, and goes once they may again."""
    kept = phone.kept(phone.save([photo(1)]))
    rows = server.rows("SELECT user_id, group_id FROM auth_user_groups WHERE user_id = ?", server.person("driver1"))
    server.change("DELETE FROM auth_user_groups WHERE user_id = ?", server.person("driver1"))
    try:
        phone.run()
        ledger.assert_nothing_came()
        assert phone.kept() == kept
    finally:
        for row in rows:
            server.change("INSERT INTO auth_user_groups (user_id, group_id) VALUES (?, ?)", *row)
    phone.run()
    ledger.wait_delivered(kept)
