"""What happens to the answer: lost, cut, never given, somebody else's. The report arrives exactly once."""

import pytest

WORDS, PHOTO = r"^PUT /phone/reports/", r"^PUT /phone/faults/"
BOTH = pytest.mark.parametrize("what", [WORDS, PHOTO], ids=["words", "photo"])


def deliver(phone, ledger, kept, first):
    """`first` is how the first try ended; the next one delivers everything, once."""
    assert phone.run() == first
    assert ledger.faults_of(kept), "nothing was left to do, so nothing went wrong"
    assert phone.run() == "done"
    ledger.wait_delivered(kept)
    assert phone.states() == ["received"] * len(kept)
    assert phone.strip() == ""


@BOTH
def test_an_answer_lost_after_the_commit_makes_no_second_row(what, phone, link, ledger, photo):
    kept = phone.kept(phone.save([photo(1), photo(2)]))
    link.fault("lose_response", match=what, times=1)
    assert phone.run() == "offline"
    assert link.count(what, "lose_response") == 1
    assert phone.states() == [{WORDS: "queued", PHOTO: "received"}[what]]
    assert phone.run() == "done"
    assert link.count(what, "200") == 1, "the same again was not answered with the same receipt"
    ledger.wait_delivered(kept)
    assert phone.states() == ["received"]


@BOTH
def test_a_server_that_dies_between_commit_and_answer_makes_no_second_row(what, phone, server, link, ledger, photo):
    kept = phone.kept(phone.save([photo(1)]))
    server.die_after(what.removeprefix("^"))
    assert phone.run() == "offline"
    phone.wait(lambda: not server.alive)
    server.start()
    assert phone.run() == "done"
    assert link.count(what, "200") == 1
    ledger.wait_delivered(kept)


@BOTH
def test_a_browser_that_sends_again_by_itself_makes_no_second_row(what, phone, link, ledger, photo):
    """On a connection used before, Chromium repeats a PUT that got no answer; no code of ours knows."""
    kept = phone.kept(phone.save([photo(1), photo(2)]))
    link.keep_alive = True
    link.fault("dropped_reuse", match=what, times=1)
    assert phone.run() == "done", "the browser did not repeat it, so this test tries nothing"
    assert link.count(what, "dropped_reuse") == 1
    ledger.wait_delivered(kept)


@BOTH
def test_an_upload_cut_half_way_leaves_no_row_and_is_sent_whole(what, phone, link, ledger, photo):
    kept = phone.kept(phone.save([photo(1)]))
    link.fault("cut_upload", match=what, times=1)
    deliver(phone, ledger, kept, "offline")


@BOTH
def test_a_body_that_lost_its_end_is_refused_as_damaged_and_sent_whole(what, phone, link, ledger, photo):
    kept = phone.kept(phone.save([photo(1)]))
    link.fault("halved", match=what, times=1)
    phone.run()
    assert link.count(what, "400") == 1
    assert "attention" not in phone.states()
    phone.run()
    ledger.wait_delivered(kept)


def test_a_stall_ends_by_the_clock_and_frees_the_lock(new_phone, link, ledger, photo):
    """The limit of a minute is made a second for this phone; two tabs, so that the lock is seen to be free."""
    quick = link.fault("rewrite", match=r"/phone/page\.js", change=quicker)
    phone = new_phone().ready()
    assert quick.taken
    kept = phone.kept(phone.save([photo(1)]))
    link.fault("blackhole", match=WORDS, times=1)
    assert phone.run() == "offline"
    assert link.count(WORDS, "swallowed") == 1
    other = phone.open(page=phone.tab())
    assert phone.run(other) == "done"
    ledger.wait_delivered(kept)


def quicker(script):
    assert script.count(b"60_000 + ") == 1
    return script.replace(b"60_000 + ", b"1_000 + ")


@pytest.mark.parametrize(
    "what", [r"^GET /phone/session/", r"^PUT ", r"^PUT /phone/faults/"], ids=["GET", "PUT", "photo"]
)
def test_a_portal_that_answers_for_the_logbook_is_not_believed(what, phone, link, ledger, photo):
    phone.save([photo(1)])
    kept = phone.kept()
    link.fault("captive", match=what)
    phone.open()  # a page without the session it had
    assert phone.run() == "offline"
    assert link.count(what, "captive") >= 1
    assert phone.stored()["photos"][0]["state"] == "queued"
    assert "1 report on this phone not sent" in phone.strip()
    link.clear()
    assert phone.run() == "done"
    ledger.wait_delivered(kept)


@BOTH
def test_a_redirect_to_the_sign_in_page_is_not_believed(what, phone, link, ledger, photo):
    kept = phone.kept(phone.save([photo(1)]))
    link.fault("login_redirect", match=what, times=1)
    deliver(phone, ledger, kept, "offline")
    assert link.count("^GET /sign-in/") == 0, "the redirect was followed"


@pytest.mark.parametrize("status", [500, 502, 503])
@pytest.mark.parametrize("kind", ["text/html", "application/json"])
def test_a_fault_of_the_server_loses_nothing(status, kind, phone, link, ledger, photo):
    kept = phone.kept(phone.save([photo(1)]))
    link.fault("error", match="^PUT", status=status, headers={"Content-Type": kind}, body=b'{"error": "broken"}')
    assert phone.run() in ("later", "offline")
    assert phone.states() == ["queued"]
    link.clear()
    assert phone.run() == "done"
    ledger.wait_delivered(kept)


def test_one_report_the_server_chokes_on_does_not_stop_the_others(phone, link, ledger, photo):
    first, second = phone.save([photo(1)]), phone.save([photo(2)])
    link.fault("error", match=f"{WORDS}{first}", status=500)
    phone.run()
    assert dict(zip([second, first], phone.states(), strict=True)) == {second: "received", first: "queued"}
    link.clear()
    phone.run()
    ledger.wait_delivered(phone.kept(first, second))


def test_words_saved_while_photos_are_on_their_way_overtake_them(phone, link, ledger, photo):
    """A slow link takes a minute for some photos; the words of another report must not wait for that."""
    link.fault("slow", match=PHOTO, wait=0.5)
    first = phone.save([photo(n) for n in range(1, 5)])
    phone.nudge()
    phone.wait(lambda: link.count(PHOTO))
    second = phone.save()
    phone.page.evaluate("dispatchEvent(new Event('outbox-send'))")
    ledger.wait_delivered(phone.kept(first, second), seconds=25)
    lines = [line for _, line, _ in link.seen if line.startswith("PUT")]
    assert lines.index(next(line for line in lines if second in line)) < len(lines) - 1, lines


def test_signal_that_returns_sends_by_itself(phone, link, ledger, photo):
    link.fault("down")
    kept = phone.kept(phone.save([photo(1)]))
    assert phone.run() == "offline"
    ledger.assert_nothing_came()
    link.clear()
    phone.nudge()
    ledger.wait_delivered(kept)
    phone.wait(lambda: phone.strip() == "")


def test_a_page_that_stays_open_tries_again_by_itself(phone, link, ledger, photo):
    """No event, no tap: the timer alone, a few seconds after the first failure."""
    link.fault("down")
    kept = phone.kept(phone.save([photo(1)]))
    phone.nudge()
    phone.until("self.lastRun.outcome === 'offline'")
    link.clear()
    ledger.wait_delivered(kept, seconds=20)


def test_the_worker_sends_when_the_browser_wakes_it(phone, link, ledger, photo):
    """Background Sync, where there is one: the worker sends although no page asks it to."""
    cdp = phone.context.new_cdp_session(phone.page)
    found = []
    cdp.on("ServiceWorker.workerRegistrationUpdated", lambda said: found.extend(said["registrations"]))
    cdp.send("ServiceWorker.enable")
    kept = phone.kept(phone.save([photo(1)]))
    phone.wait(lambda: found)
    registration = found[-1]["registrationId"]
    phone.open("/static/js/theme.js")  # a page that has none of our scripts
    sync = {"origin": link.base + "/", "registrationId": registration, "tag": "outbox", "lastChance": False}
    cdp.send("ServiceWorker.dispatchSyncEvent", sync)
    ledger.wait_delivered(kept)
