"""Several people on one phone, and what the phone keeps of anybody: what is cached, what goes at sign-out."""

import json
from base64 import b64encode
from hashlib import sha256

import pytest
from playwright.sync_api import Error as BrowserError
from playwright.sync_api import expect

# Everything the worker may keep: shells and hashed files. A new entry needs a reason.
PAGES = {"/phone/", "/phone/report/", "/phone/coupling/"}
FOLDERS = ("/phone/page.js", "/phone/late.js", "/static/js/", "/static/css/", "/static/icons/")


def bodies(phone):
    """Address → (headers, text) of everything in every cache."""
    return phone.page.evaluate(
        """async () => {
          const all = {};
          for (const name of await caches.keys()) {
            const cache = await caches.open(name);
            for (const request of await cache.keys()) {
              const answer = await cache.match(request);
              all[new URL(request.url).pathname] = [Object.fromEntries(answer.headers), await answer.text()];
            }
          }
          return all;
        }"""
    )


def look_around(phone):
    """Visit what a driver visits, so that anything that could be cached had its chance."""
    for path in ("/", "/units/", "/units/201/", "/reports/", "/reports/new/?unit=201", "/units/pick/", "/password/"):
        phone.open(path)


def test_only_shells_and_hashed_files_are_cached(phone, link, ledger, photo):
    phone.save([photo(1)])
    phone.run()
    look_around(phone)
    phone.wait(lambda: {path for paths in phone.caches().values() for path in paths} >= PAGES)
    kept = [path for paths in phone.caches().values() for path in paths]
    assert {path for path in kept if not path.startswith(FOLDERS)} == PAGES
    assert len(phone.caches()) == 1
    server_list = phone.page.evaluate("fetch('/sw.js').then((answer) => answer.text())").split("\n", 1)[0]
    listed = json.loads(server_list.removeprefix("const SHELL = ").rstrip(";"))
    assert sorted(kept) == sorted(listed["first"] + listed["later"])


def test_nothing_of_a_person_is_in_any_cached_answer(phone, server, ledger, photo):
    """Not the name, the session, a token, a unit with what is wrong with it, a reference."""
    phone.save([photo(1)], note="The cover is loose, says the shunter")
    phone.run()
    ref = phone.mine()[0]["refs"][0]
    look_around(phone)
    sid = next(one["value"] for one in phone.context.cookies() if one["name"] == "sid")
    token = phone.page.evaluate("fetch('/phone/session/').then((a) => a.json()).then((said) => said.csrf)")
    found = bodies(phone)
    assert set(found) >= PAGES
    for path, (headers, text) in found.items():
        for secret in ("Driver 1", "driver1", sid, token, ref, "shunter"):
            assert secret not in text, (path, secret)
        assert "set-cookie" not in headers, path
        if path in PAGES:
            for sign in ("csrfmiddlewaretoken", "data-person", "201"):
                assert sign not in text, (path, sign)


def test_the_worker_keeps_no_private_page_that_was_visited(phone, server, link):
    look_around(phone)
    link.fault("down")
    for path in ("/units/201/", "/reports/", "/password/", "/"):
        phone.open(path)
        assert phone.page.locator("#shell").count() == 1, path  # it names the person from the phone's own store
        assert "csrfmiddlewaretoken" not in phone.page.content(), path


def sign_out(phone):
    phone.page.once("dialog", lambda dialog: dialog.accept())
    phone.page.locator("form.person button", has_text="Sign out").click()
    phone.page.wait_for_url(lambda url: "/sign-in/" in url or url.endswith("/phone/"))


@pytest.mark.parametrize("signal", [True, False], ids=["with signal", "without signal"])
def test_signing_out_clears_facts_and_person_and_keeps_what_is_not_sent(signal, phone, server, link, ledger, photo):
    """It always works. What the logbook has goes from the phone; a report and a draft not sent stay."""
    sent = phone.save([photo(1)])
    phone.run()
    link.fault("down", match="^PUT")
    waiting = phone.save([photo(2)], note="not sent yet")
    phone.form()
    phone.answer()
    phone.wait(phone.drafts)
    phone.open("/units/")
    if not signal:
        link.fault("down")
    sign_out(phone)
    phone.wait(lambda: phone.stored()["facts"] == {})
    stored = phone.stored()
    assert set(stored["meta"]) <= {"ballast", "clock", "met", "left", "leaving"}, set(stored["meta"])
    assert [row["id"] for row in stored["reports"]] == [waiting], sent
    assert len(stored["photos"]) == len(stored["drafts"]) == 1
    link.clear()
    phone.open("/")
    phone.wait(lambda: signed_out(phone))
    kept = phone.kept()
    phone.sign_in().open()
    phone.run()
    assert [row["id"] for row in phone.stored()["drafts"]]
    assert len(kept) == 1
    phone.wait(lambda: waiting in [row["id"] for row in phone.mine() if row["state"] == "received"])


def signed_out(phone):
    try:
        said = phone.page.evaluate("fetch('/phone/session/', { redirect: 'manual' }).then((said) => said.status)")
    except BrowserError:
        return False  # the page is on its way to the sign-in
    return said == 401


def test_sign_out_warns_of_what_is_not_sent(phone, link, photo):
    link.fault("down", match="^PUT")
    phone.save([photo(1)])
    phone.open("/units/")
    said = []
    phone.page.once("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
    phone.page.locator("form.person button", has_text="Sign out").click()
    phone.wait(lambda: said)
    assert "Your report is not sent. It stays on this phone" in said[0]
    assert not signed_out(phone)


def become(phone, username):
    """Sign in on the same phone as somebody else, and let the first page do what it does."""
    phone.context.clear_cookies()
    phone.sign_in(username).open()
    phone.until("Boolean(self.lastRun)")


@pytest.mark.parametrize("left", ["signed out", "forgot to"])
def test_a_second_person_sees_a_number_and_never_sends(left, phone, server, link, ledger, photo):
    link.fault("down", match="^PUT")
    mine = phone.save([photo(1)], note="Written by the first")
    if left == "signed out":
        phone.open("/units/")
        sign_out(phone)
    link.clear()
    become(phone, "driver2")
    expect(phone.page.locator("#phone-strip")).to_contain_text("1 report of another person waits on this phone")
    assert phone.mine() == []
    assert phone.run() == "done"
    ledger.assert_nothing_came()
    for path in ("/", "/reports/", "/phone/", "/reports/new/?unit=201"):
        phone.open(path)
        phone.until("Boolean(self.lastRun)")
        assert "Written by the first" not in phone.page.content()
        assert mine not in phone.page.content()
    own = phone.kept(phone.save([photo(2)], unit="202"))
    phone.run()
    ledger.wait_delivered(own)
    kept = phone.kept(mine)
    become(phone, "driver1")
    phone.run()
    ledger.wait_delivered(own + kept)
    author = server.rows("SELECT person_id FROM inspections_inspection WHERE note = 'Written by the first'")
    assert set(author) == {(server.person("driver1"),)}


def test_a_draft_of_another_person_is_not_shown(phone, link):
    phone.form()
    phone.answer()
    phone.page.fill("textarea[name=note]", "Written by the first")
    phone.wait(lambda: phone.drafts() and phone.drafts()[0]["answers"].get("note"))
    become(phone, "driver2")
    phone.form()
    assert "Written by the first" not in phone.page.content()
    assert "You started a report" not in phone.page.locator("main").inner_text()
    assert phone.page.locator("input[name=end]:checked").count() == 0
    become(phone, "driver1")
    phone.form()
    assert phone.page.locator("textarea[name=note]").input_value() == "Written by the first"


def test_a_session_that_changes_hands_in_mid_run_sends_nothing_under_the_other_name(
    phone, server, link, ledger, photo
):
    """Another tab signs somebody else in between words and photo, and nobody tells this page: the photo stays."""
    kept = phone.kept(phone.save([photo(1)]))
    link.fault("down", match="^PUT /phone/faults/", times=1)
    phone.run()
    phone.context.clear_cookies()
    phone.sign_in("driver2")
    phone.run()
    assert ledger.new()["photo"] == 0
    become(phone, "driver1")
    phone.run()
    ledger.wait_delivered(kept)
    by = server.rows("SELECT by_id FROM inspections_photo ORDER BY id DESC LIMIT 1")
    assert by == [(server.person("driver1"),)]


def test_what_cannot_be_sent_is_handed_over_whole(phone, server, link, ledger, photo):
    """The way out of a phone whose person is gone: a file with the exact bytes, that control loads."""
    link.fault("down", match="^PUT")
    phone.save([photo(1), photo(2)])
    kept = phone.kept()
    text = phone.page.evaluate("Outbox.handOver().then((blob) => blob.text())")
    (report,) = json.loads(text)["reports"]
    assert report["body"] == b64encode(kept[0].body).decode()
    assert report["sha256"] == sha256(kept[0].body).hexdigest()
    assert {one["id"]: one["data"] for one in report["photos"]} == {
        uuid: b64encode(data).decode() for uuid, data in kept[0].photos.items()
    }
    control = phone.context.browser.new_context()
    page = control.new_page()
    control.add_cookies([{"name": "sid", "value": server.session("controller1"), "url": link.base}])
    page.goto(link.base + "/reports/handed-over/")
    page.locator("input[type=file]").set_input_files(
        {"name": "reports.json", "mimeType": "application/json", "buffer": text.encode()}
    )
    page.locator("main button.primary").click()
    ledger.wait_delivered(kept)
    control.close()
    link.clear()
    phone.run()  # the phone comes back after all: the same once more, and nothing twice
    ledger.wait_delivered(kept)
    assert phone.states() == ["received"]
