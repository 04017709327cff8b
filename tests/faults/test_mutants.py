"""Breakages made on purpose: the check that all tests here end with must notice each, or it is worth nothing."""

import pytest

WORDS, PHOTO = r"^PUT /phone/reports/", r"^PUT /phone/faults/"


def rewritten(*changes):
    """A change of a script: each (old, new) once, where it stands exactly once."""

    def change(script):
        for old, new in changes:
            assert script.count(old.encode()) == 1, f"page.js has it not once: {old}"
            script = script.replace(old.encode(), new.encode())
        return script

    return change


def broken_phone(new_phone, link, *changes):
    broken = link.fault("rewrite", match=r"/phone/page\.js", change=rewritten(*changes))
    phone = new_phone().ready()
    assert broken.taken
    return phone


DONE_FIRST = ("changed(report.id);", 'changed(report.id); await amend("reports", report.id, { state: "received" });')
ANYTHING_IS_JSON = ("if (!/json/.test(", "if (!/json|html/.test(")
NO_JSON_READ = ("data: await answer.json()", "data: await answer.json().catch(() => ({}))")
ANYTHING_IS_OURS = ("data.id === row.id && data.sha256 === row.sha256", "true")
TRUSTING = (ANYTHING_IS_JSON, NO_JSON_READ, ANYTHING_IS_OURS)
NEVER_ASKS = ("await ask();", "")


def test_a_phone_that_lets_go_before_the_receipt_is_noticed(new_phone, link, ledger, photo):
    phone = broken_phone(new_phone, link, DONE_FIRST, NEVER_ASKS)
    kept = phone.kept(phone.save([photo(1)]))
    link.fault("cut_upload", match=WORDS, times=1)
    phone.run()
    phone.run()
    assert "0 new rows of submission, not 1" in ledger.faults_of(kept)


def test_a_phone_that_trusts_a_status_is_noticed(new_phone, link, ledger, photo):
    phone = broken_phone(new_phone, link, *TRUSTING, NEVER_ASKS)
    kept = phone.kept(phone.save([photo(1)]))
    link.fault("captive", match=WORDS, times=1)
    assert phone.run() == "done"
    assert phone.states() == ["received"]
    assert "0 new rows of submission, not 1" in ledger.faults_of(kept)


def test_a_phone_that_believed_a_false_receipt_finds_out_by_asking(new_phone, link, ledger, photo):
    """The second line of defence: even the phone that trusts a status asks what became of its reports."""
    phone = broken_phone(new_phone, link, *TRUSTING)
    kept = phone.kept(phone.save([photo(1)]))
    link.fault("captive", match=WORDS, times=1)
    phone.run()
    assert link.count(WORDS, "captive") == 1, "the false receipt was never given, so this test tries nothing"
    phone.run()
    ledger.wait_delivered(kept)


@pytest.fixture
def mutant(server):
    """Start the server anew with one of the breakages of tests/faults/inside.py."""

    def start(name):
        server.kill()
        server.mutant = name
        server.start()

    yield start
    server.kill()
    server.mutant = ""
    server.start()


def test_a_server_that_files_a_repeat_again_is_noticed(mutant, phone, link, ledger, photo):
    mutant("no-dedupe")
    kept = phone.kept(phone.save([photo(1)]))
    link.fault("lose_response", match=WORDS, times=1)
    phone.run()
    assert phone.run() == "done"
    assert "2 new rows of submission, not 1" in ledger.faults_of(kept)


def test_a_server_that_stores_less_than_it_says_is_noticed(mutant, phone, ledger, photo):
    mutant("half-photos")
    kept = phone.kept(phone.save([photo(1)]))
    assert phone.run() == "done"
    (wrong,) = ledger.faults_of(kept)
    assert wrong.startswith("photo ")
