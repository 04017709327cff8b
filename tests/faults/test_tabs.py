"""Several tabs, several taps, several versions of the pages at once: one report, and nobody is stuck."""

import pytest
from playwright.sync_api import expect

NEXT = b"// the next version\n"
START = "() => { Outbox.retryNow().then((said) => { self.ended = said; }); }"  # and do not wait for it


@pytest.mark.parametrize("locks", [True, False], ids=["with locks", "without locks"])
def test_two_tabs_that_send_at_once_deliver_once(locks, new_phone, link, ledger, photo):
    phone = new_phone()
    if not locks:  # an old browser
        phone.context.add_init_script("Object.defineProperty(navigator, 'locks', { value: undefined })")
    phone.ready()
    other = phone.open(page=phone.tab())
    phone.until("Boolean(self.lastRun)", other)
    ids = [phone.save([photo(2 * n), photo(2 * n + 1)]) for n in range(3)]
    kept = phone.kept(*ids)
    link.fault("slow", match="^PUT", wait=0.1)
    for page in (phone.page, other):
        page.evaluate(START)
    for page in (phone.page, other):
        phone.until("Boolean(self.ended)", page)
    ended = {page.evaluate("self.ended") for page in (phone.page, other)}
    ledger.wait_delivered(kept)
    sent = link.count("^PUT")
    if locks:
        assert ended == {"busy", "done"}
        assert sent == 9, "three reports and six photos need nine requests"
    else:
        assert sent > 9, "both tabs sent, or this test tries nothing"


def test_a_tab_and_the_worker_that_send_at_once_deliver_once(phone, link, ledger, photo):
    cdp = phone.context.new_cdp_session(phone.page)
    found = []
    cdp.on("ServiceWorker.workerRegistrationUpdated", lambda said: found.extend(said["registrations"]))
    cdp.send("ServiceWorker.enable")
    kept = phone.kept(*(phone.save([photo(n)]) for n in (1, 2)))
    phone.wait(lambda: found)
    link.fault("slow", match="^PUT", wait=0.1)
    phone.page.evaluate(START)
    sync = {"origin": link.base + "/", "registrationId": found[-1]["registrationId"], "tag": "outbox"}
    cdp.send("ServiceWorker.dispatchSyncEvent", sync | {"lastChance": False})
    ledger.wait_delivered(kept)
    phone.until("Boolean(self.ended)")
    assert link.count("^PUT") == 4


def test_three_taps_and_a_reload_make_one_report(phone, link, ledger, camera):
    link.fault("down", match="^PUT")
    phone.form()
    phone.answer()
    phone.take_photo(camera())
    phone.page.evaluate("const send = document.getElementById('send'); send.click(); send.click(); send.click()")
    phone.page.reload()
    # Whole report or whole draft: where the reload was quicker than the disk, the draft is there to be sent.
    phone.wait(lambda: len(phone.kept()) + len(phone.drafts()) == 1)
    if phone.drafts():
        expect(phone.page.locator("main")).to_contain_text("It’s all here.")
        phone.page.click("#send")
    phone.wait(lambda: len(phone.kept()) == 1)
    phone.page.reload()
    kept = phone.kept()
    assert len(kept) == len(kept[0].photos) == 1
    assert phone.drafts() == []
    link.clear()
    phone.nudge()
    ledger.wait_delivered(kept)


def test_a_draft_open_in_two_tabs_is_sent_once(phone, link, ledger):
    """The second tab took the draft over; once the first has saved it, the second shows that, not a form."""
    phone.form()
    phone.answer()
    phone.wait(phone.drafts)
    other = phone.form(page=phone.tab())
    expect(other.locator("main")).to_contain_text("You started a report on unit 201")
    phone.page.bring_to_front()
    phone.page.click("#send")
    expect(phone.page.locator("main")).to_contain_text("The logbook has your report")
    other.bring_to_front()
    expect(other.locator("main")).to_contain_text("The logbook has your report")
    ledger.wait_delivered(phone.kept())


@pytest.mark.parametrize("visit", ["first", "later"])
def test_a_new_version_waits_for_a_tap_and_strands_nothing(visit, phone, link, ledger, photo):
    """The worker's script changed. The open page goes on; the person loads the new one; the full outbox is sent."""
    if visit == "later":
        phone.open()
    link.fault("down", match="^PUT")
    kept = phone.kept(*(phone.save([photo(n)]) for n in (1, 2)))
    link.fault("rewrite", match=r"^GET /sw\.js", change=lambda script: NEXT + renamed(script))
    before = set(phone.caches())
    phone.page.evaluate("navigator.serviceWorker.getRegistration().then((one) => one.update())")
    offer = phone.page.locator("#phone-strip button", has_text="Load it")
    expect(offer).to_be_visible()
    assert phone.page.evaluate("navigator.serviceWorker.controller.state") == "activated"
    phone.page.evaluate("self.old = true")
    offer.click()
    phone.until("self.old === undefined && navigator.serviceWorker.controller !== null")
    assert set(phone.caches()) - before, "no new cache was made"
    assert phone.kept() == kept
    link.clear()
    phone.run()
    ledger.wait_delivered(kept)


def renamed(script):
    """The same worker under another version, so that it installs anew."""
    assert b'"version": "' in script
    return script.replace(b'"version": "', b'"version": "next-', 1)


@pytest.mark.parametrize("what", [r"^GET /phone/report/", r"^GET /static/"], ids=["a shell", "a file"])
def test_a_new_version_cut_off_while_it_installs_leaves_the_old_one(what, phone, link, ledger, photo):
    link.fault("rewrite", match=r"^GET /sw\.js", change=lambda script: NEXT + broken_list(renamed(script)))
    link.fault("down", match=what)
    phone.page.evaluate("navigator.serviceWorker.getRegistration().then((one) => one.update()).catch(() => {})")
    phone.wait(lambda: link.count(what, "down"))
    phone.page.wait_for_timeout(300)
    assert phone.page.locator("#phone-strip button").count() == 0
    link.clear()
    link.fault("down")
    phone.form()
    phone.answer()
    phone.page.click("#send")
    expect(phone.page.locator("main")).to_contain_text("Saved on this phone")
    link.clear()
    phone.nudge()
    ledger.wait_delivered(phone.kept())


def broken_list(script):
    """A list with one more file, which the browser has not yet and must fetch."""
    return script.replace(b'"first": [', b'"first": ["/static/js/theme.js", ', 1)


def test_a_store_of_the_next_version_does_not_hang_an_old_tab(phone, new_phone, link, ledger, photo):
    """A newer page upgrades the store while an old one is open: the old one lets go and says so; nothing is lost."""
    link.fault("down", match="^PUT")
    kept = phone.kept(phone.save([photo(1)]))
    newer = phone.tab()
    newer.add_init_script("self.STORE_VERSION = 2")
    phone.open(page=newer)
    phone.until("Boolean(self.lastRun)", newer)
    expect(phone.page.locator("#phone-strip")).to_contain_text("A newer version is open on this phone")
    assert [report["id"] for report in phone.mine(newer)] == [kept[0].id]
    link.clear()
    phone.run(newer)
    ledger.wait_delivered(kept)
