"""The phone's disk: full, shut off, lost in the background, cleared."""

import json
import re

import pytest
from playwright.sync_api import expect

ROOM = 3_000_000  # bytes for a whole origin: shells and their files take 0.5 MB, the store with its ballast 0.3 MB

# Put so many bytes into the store, as anything else would; whether they fitted.
LUMP = """async (size) => {
  const db = await new Promise((done) => {
    indexedDB.open("logbook").onsuccess = (event) => done(event.target.result);
  });
  const bytes = new Uint8Array(size);
  for (let at = 0; at < size; at += 50000) crypto.getRandomValues(bytes.subarray(at, Math.min(size, at + 50000)));
  const fits = await new Promise((done) => {
    const tx = db.transaction("facts", "readwrite", { durability: "strict" });
    tx.objectStore("facts").put(bytes.buffer, `lump ${Math.random()}`);
    tx.oncomplete = () => done(true);
    tx.onabort = () => done(false);
  });
  db.close();
  return fits;
}"""


def bounded(new_phone, link, size):
    """A phone with this much room. The bound must be set before the origin opens its store."""
    phone = new_phone()
    cdp = phone.context.new_cdp_session(phone.page)
    cdp.send("Storage.overrideQuotaForOrigin", {"origin": link.base, "quotaSize": size})
    phone.cdp = cdp
    return phone


def test_a_photo_that_does_not_fit_is_said_and_the_words_are_sent(new_phone, link, ledger, camera):
    phone = bounded(new_phone, link, 800_000).ready()
    link.fault("down", match="^PUT")
    phone.form()
    phone.answer()
    page, taken = phone.page, 0
    for number in range(1, 5):
        page.locator("input[type=file][capture]").set_input_files(camera(number, (4000, 3000)))
        phone.wait(lambda: "Making it smaller" not in page.locator("#photo-words").inner_text())
        if "no room" in page.locator("#photo-words").inner_text():
            break
        taken += 1
    expect(page.locator("#photo-words")).to_contain_text("Your words and the other photos are kept.")
    expect(page.locator("#shots li")).to_have_count(taken)
    page.click("#send")
    expect(page.locator("main")).to_contain_text(re.compile("Saved on this phone|Not saved: this phone has no room"))
    if not phone.kept():
        # Full to the brim: nothing is lost, and once there is room the same button saves all of it.
        assert page.evaluate("Report.value('sign')")
        phone.cdp.send("Storage.overrideQuotaForOrigin", {"origin": link.base, "quotaSize": 5_000_000})
        phone.wait(lambda: page.locator("#send").is_visible() and page.click("#send") or phone.kept(), seconds=45)
    kept = phone.kept()
    assert len(kept[0].photos) == taken
    link.clear()
    phone.nudge()
    ledger.wait_delivered(kept)


def test_the_ballast_lets_words_through_on_a_full_phone(new_phone, link, ledger, photo):
    """Fill the phone to the brim, then report in words: the ballast goes, the report stays."""
    phone = bounded(new_phone, link, ROOM).ready()
    phone.wait(lambda: "ballast" in phone.stored()["meta"])
    used = phone.cdp.send("Storage.getUsageAndQuota", {"origin": link.base})["usage"]
    assert phone.page.evaluate(LUMP, ROOM - used - 12_000)
    assert not phone.page.evaluate(LUMP, 700_000)  # only now the browser counts anew what is left
    while phone.page.evaluate(LUMP, 2_000):
        pass
    link.fault("down", match="^PUT")
    kept = phone.kept(phone.save(note="It hangs by a thread. " * 150))
    assert "ballast" not in phone.stored()["meta"], "it fitted without: the phone was not full"
    link.clear()
    phone.run()
    ledger.wait_delivered(kept)


def test_a_phone_with_no_room_at_all_says_so_and_keeps_the_answers(new_phone, link, ledger):
    """Not even the ballast helps. The page says that it is not saved; once there is room the same report goes."""
    phone = new_phone().ready()
    phone.form()
    phone.answer()
    phone.page.evaluate(
        """() => {
          self.put = IDBObjectStore.prototype.put;
          IDBObjectStore.prototype.put = () => { throw new DOMException("full", "QuotaExceededError"); };
        }"""
    )
    phone.page.click("#send")
    expect(phone.page.locator("#words")).to_contain_text("Not saved: this phone has no room for the report.")
    ledger.assert_nothing_came()
    identity = phone.page.locator("input[name=id]").input_value()
    phone.page.evaluate("() => { IDBObjectStore.prototype.put = self.put; }")
    phone.page.click("#send")
    expect(phone.page.locator("main")).to_contain_text("The logbook has your report")
    kept = phone.kept()
    assert [report.id for report in kept] == [identity]
    ledger.wait_delivered(kept)


def test_a_browser_that_keeps_nothing_says_so_before_a_word_is_typed(new_killable, link, server, ledger, camera):
    """Cookies and site data shut off by the person: the plain page is what is left, and it is said."""
    phone = new_killable()
    phone.context.close()
    settings = phone.folder / "Default" / "Preferences"
    settings.write_text(json.dumps({"profile": {"default_content_setting_values": {"cookies": 2}}}))
    phone.start().open("/reports/new/?unit=201")
    words = phone.page.locator("body").inner_text()
    assert "keeps nothing" in words or "keep data" in words or "Sign in" in words
    assert "Saved on this phone" not in words


def test_a_store_that_is_shut_says_so_and_the_page_still_sends(new_phone, link, server, ledger, camera):
    """The store cannot be opened, cookies work: the report goes as a plain page while there is signal."""
    phone = new_phone()
    phone.context.add_init_script(
        "IDBFactory.prototype.open = () => { throw new DOMException('The user denied permission', 'UnknownError'); }"
    )
    phone.sign_in().open("/reports/new/?unit=201")
    page = phone.page
    expect(page.locator("#words")).to_contain_text("This browser keeps nothing")
    expect(page.locator("#phone-strip")).to_contain_text("This browser keeps nothing")
    phone.answer()
    page.locator("input[type=file][capture]").set_input_files(camera())
    page.click("#send")
    expect(page.locator("main")).to_contain_text("The logbook has your report")
    assert ledger.new() == {"submission": 1, "inspection": 1, "observation": 1, "photo": 1}


@pytest.mark.parametrize("name", ["InvalidStateError", "UnknownError"])
def test_a_store_lost_in_the_background_is_opened_again(name, phone, link, ledger, photo):
    """What phones do to pages that slept: the next transaction fails once, for no fault of ours."""
    phone.page.evaluate(
        """(name) => {
          const whole = IDBDatabase.prototype.transaction;
          self.failed = 0;
          IDBDatabase.prototype.transaction = function (...asked) {
            if (self.failed === 0) {
              self.failed += 1;
              throw new DOMException("Connection to Indexed Database server lost", name);
            }
            return whole.apply(this, asked);
          };
        }""",
        name,
    )
    phone.save([photo(1)])
    kept = phone.kept()
    assert phone.page.evaluate("self.failed") == 1
    assert phone.run() == "done"
    ledger.wait_delivered(kept)


def test_a_store_closed_under_an_open_page_is_opened_again(phone, link, ledger, photo):
    """The connection itself is closed, as a browser under memory pressure does."""
    phone.page.evaluate(
        """() => {
          const whole = IDBDatabase.prototype.transaction;
          IDBDatabase.prototype.transaction = function (...asked) {
            IDBDatabase.prototype.transaction = whole;
            this.close();
            return whole.apply(this, asked);
          };
        }"""
    )
    phone.save([photo(1)])
    kept = phone.kept()
    phone.run()
    ledger.wait_delivered(kept)


def test_a_store_that_the_browser_threw_away_is_told_honestly(phone, link, server):
    """Site data evicted while the cookie stayed: the page must not claim that reports wait here."""
    cdp = phone.context.new_cdp_session(phone.page)
    link.fault("down", match="^PUT")
    phone.save()
    cdp.send("Storage.clearDataForOrigin", {"origin": link.base, "storageTypes": "indexeddb"})
    phone.open()
    phone.until("Boolean(self.lastRun)")
    assert phone.kept() == []
    assert "not sent" not in phone.strip()
