"""A CSV file of couplings on its page: checked, then imported; all of the very file that was checked, or nothing."""

import time
from datetime import UTC, datetime
from io import BytesIO

import pytest
from django.db import OperationalError
from django.utils import timezone

from fleet.models import Coupling
from inspections import couplings, mates
from inspections.models import LogEntry, MateLook
from tests.fleet.coupling_files import GOOD, HEAD, NOW, file, many, row, stored
from tests.screens.desk import ESCAPED, HOSTILE

pytestmark = pytest.mark.django_db
PAGE = "/couplings/import/"
SOURCED = HEAD + b",source"


@pytest.fixture(autouse=True)
def clock(monkeypatch):
    """The files' own day, whatever day it is."""
    monkeypatch.setattr(timezone, "now", lambda: NOW)


@pytest.fixture
def desk(client_of, cast, railway):
    return client_of(cast.controller)


def send(desk, data, *, go=False, **more):
    upload = BytesIO(data)
    upload.name = "couplings.csv"
    posted = {"file": upload, "source": "recorder", **({"import": "1"} if go else {}), **more}
    return desk.post(PAGE, posted)


def text_of(answer, status=200):
    assert answer.status_code == status, answer.content.decode()[:3000]
    return answer.content.decode()


def test_a_file_is_checked_then_imported_with_a_log_entry(desk, cast):
    data = file(GOOD, row())
    page = text_of(send(desk, data))
    assert "nothing is written yet" in page
    assert "Import the file that was checked" in page
    assert 'value="recorder"' in page, "what was typed stays"
    assert not Coupling.objects.exists()
    assert not LogEntry.objects.exists()
    page = text_of(send(desk, data, go=True))
    assert "Imported." in page
    assert Coupling.objects.count() == 2
    (entry,) = LogEntry.objects.all()
    assert (entry.subject, entry.kind, entry.actor_id) == ("couplings", "couplings imported", cast.controller.pk)
    assert (entry.data["new"], entry.data["source"], len(entry.data["sha256"])) == (2, "recorder", 64)


def test_importing_again_changes_nothing(desk):
    data = file(GOOD, row())
    send(desk, data)
    send(desk, data, go=True)
    before, entries = stored(), LogEntry.objects.count()
    page = text_of(send(desk, data, go=True))
    assert "it is all here" in page
    assert "Everything in it is here already" in text_of(send(desk, data))
    assert (stored(), LogEntry.objects.count()) == (before, entries)


@pytest.mark.parametrize(
    "other",
    [
        {"data": file(GOOD, row(), row(source_ref="r3", at="2026-11-24T05:40Z"))},
        {"source": "another"},
        {"local": "on"},
    ],
    ids=["rows", "source", "zone"],
)
def test_what_was_not_checked_is_not_imported(desk, other):
    data = file(GOOD, row())
    send(desk, data)
    page = text_of(send(desk, other.pop("data", data), go=True, **other), 409)
    assert "This is not the file that was checked" in page
    assert not Coupling.objects.exists()


def test_what_nobody_checked_is_not_imported(desk, client_of, cast):
    data = file(GOOD)
    text_of(send(desk, data, go=True), 409)
    assert not Coupling.objects.exists()
    other = client_of(cast.manager)
    text_of(send(other, data, go=True), 409)
    assert not Coupling.objects.exists(), "what another person checked"
    text_of(send(other, data, go=True))
    assert Coupling.objects.count() == 1


def test_bad_rows_are_named_by_line_column_and_reason_and_nothing_is_written(desk):
    data = file(GOOD, row(stage="engaged"), row(source_ref="r3", end_1="999 A", at="2099-01-01T00:00Z"))
    for go in (False, True):
        page = text_of(send(desk, data, go=go), 422)
        assert "<title>Problem: Import couplings" in page
        for words in (
            "Line 3",
            ">stage</td>",
            "“engaged” is none of",
            "Line 4",
            "“999” is not on the list",
            "in the future",
        ):
            assert words in page, words
        assert 'value="recorder"' in page, "what was typed stays"
        assert "Import the file that was checked" not in page
    assert not Coupling.objects.exists()


def test_a_bad_file_takes_the_leave_to_import_the_one_before(desk):
    good = file(GOOD)
    send(desk, good)
    send(desk, file(row(stage="engaged")), go=True)
    text_of(send(desk, good, go=True), 409)
    assert not Coupling.objects.exists()


def test_hostile_cells_stay_words(desk):
    cell = HOSTILE.replace('"', "'").replace(",", "")
    assert ESCAPED[:20] in text_of(send(desk, file(row(end_1=cell))), 422)
    assert ESCAPED[:20] in text_of(send(desk, file(GOOD), source=cell[:20]), 200)


def test_more_faults_than_are_listed_are_counted(desk):
    page = text_of(send(desk, many(260, stage="engaged")), 422)
    assert "And 60 more." in page


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "The file is empty"),
        (b"\xff\xfea\x00", "UTF-16"),
        (b"PK\x03\x04....", "workbook"),
        (file(head=b"a,b"), "the columns are"),
        (b"x" * 9000, "far more than a row"),
        (HEAD + b"\n" + b"\n" * 20_001, "more than 20,000 rows"),
        (HEAD + b"\n" + b"x" * 5_000_000, "more than 20,000 rows"),
    ],
    ids=["empty", "UTF-16", "workbook", "header", "long line", "rows", "bytes"],
)
def test_what_is_no_such_file_is_said_so(desk, data, sentence):
    assert sentence in text_of(send(desk, data), 422)
    assert not Coupling.objects.exists()


def test_no_file_at_all(desk):
    page = text_of(desk.post(PAGE, {"source": "recorder"}), 422)
    assert "Choose the CSV file" in page
    assert 'value="recorder"' in page


def test_sources_in_a_column_and_local_times(desk):
    line = b"r1,2026-07-01T05:00:00,201 A,202 B,coupled,full,SKJ,,gate"
    data = file(line, head=SOURCED)
    assert "offset" in text_of(send(desk, data, source=""), 422)
    for go in (False, True):
        text_of(send(desk, data, source="", local="on", go=go))
    coupling = Coupling.objects.get()
    assert (coupling.source, coupling.at) == ("gate", datetime(2026, 7, 1, 4, tzinfo=UTC))


def test_findings_at_the_ends_look_again_for_whom_they_met(desk, cast, report):
    report(cast.driver, part="face", symptom="face-marks", seen="2026-11-24T05:50:00+00:00")
    for go in (False, True):
        text_of(send(desk, file(GOOD), go=go))
    assert [str(look.end) for look in MateLook.objects.all()] == ["202 B"]


def test_when_the_log_cannot_be_written_nothing_is(desk, monkeypatch):
    data = file(GOOD)
    send(desk, data)

    def refuse(*_):
        raise OperationalError("locked")

    monkeypatch.setattr(mates, "ask_again", refuse)
    page = text_of(send(desk, data, go=True), 503)
    assert "nothing was written" in page
    assert not Coupling.objects.exists()
    assert not LogEntry.objects.exists()


@pytest.mark.parametrize("role", ["driver", "fitter", "checker", "outsider"])
def test_others_import_nothing(client_of, cast, railway, role):
    visitor = client_of(getattr(cast, role))
    assert visitor.get(PAGE).status_code == 403
    assert send(visitor, file(GOOD)).status_code == 403


def test_twenty_thousand_rows_are_taken_in_while_a_person_waits(desk):
    data = many(20_000)
    began = time.monotonic()
    text_of(send(desk, data))
    text_of(send(desk, data, go=True))
    took = time.monotonic() - began
    assert Coupling.objects.count() == 20_000
    print(f"20,000 rows checked and imported in {took:.1f} s")
    assert took < 120, "far slower than measured: something grew"


def test_a_second_import_of_the_same_bytes_by_the_door_itself(cast, railway, now):
    data = many(50)
    first = couplings.import_file(data, by=cast.manager, now=now, source="gate")
    before = stored()
    again = couplings.import_file(data, by=cast.manager, now=now, source="gate")
    assert (first.new, first.written, again.here, again.written) == (50, True, 50, False)
    assert stored() == before
    assert LogEntry.objects.count() == 1
