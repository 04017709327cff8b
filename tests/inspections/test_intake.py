"""Nothing lost, nothing twice, nothing refused for its content."""

import json
from datetime import timedelta
from hashlib import sha256
from threading import Barrier, Thread

import pytest
from django.db import connection, connections

from fleet.models import Coupling, CouplingSide
from inspections import intake, log, references
from inspections.models import (
    Finding,
    Grade,
    GradeCell,
    InspectedEnd,
    Inspection,
    LogEntry,
    Observation,
    Submission,
)
from tests.conftest import body, uuid_of

ROWS = (Submission, Inspection, InspectedEnd, Finding, Observation, Grade, GradeCell, LogEntry)


def counts():
    return {model.__name__: model.objects.count() for model in ROWS}


def receive(author, data, now, **more):
    raw = data if isinstance(data, bytes) else json.dumps(data).encode()
    return intake.receive(raw=raw, submitted_by=author, channel=more.pop("channel", "page"), received=now, **more)


def test_new_report_is_stored_graded_and_logged(cast, railway, now):
    raw = json.dumps(body(cast.driver)).encode()
    receipt = receive(cast.driver, raw, now)
    finding = Finding.objects.get()
    assert (receipt.status, receipt.state, receipt.refs) == (201, "stored", (finding.ref,))
    assert receipt.sha256 == sha256(raw).hexdigest()
    assert references.read(finding.ref) == finding.ref
    assert (finding.end, finding.component, finding.slot) == (railway.ends["201 A"], "air-connection", "air-upper")
    assert finding.coupler.serial == "P-201A"
    assert finding.current_grade.cells.count() == 9
    assert finding.worst == finding.current_grade.worst == 2
    assert bytes(Submission.objects.get().body) == raw
    assert [e.kind for e in LogEntry.objects.order_by("seq")] == ["report stored", "opened", "graded"]
    assert log.first_break() is None


def test_the_same_again_is_the_same_answer_and_no_row(cast, railway, now):
    first = receive(cast.driver, body(cast.driver), now)
    before = counts()
    again = receive(cast.driver, body(cast.driver), now + timedelta(minutes=5))
    assert again.status == 200
    assert (again.refs, again.told, again.sha256) == (first.refs, first.told, first.sha256)
    assert counts() == before


def test_other_content_under_the_same_id_is_kept_apart(cast, railway, now):
    receive(cast.driver, body(cast.driver), now)
    before = counts()
    other = receive(cast.driver, body(cast.driver, symptom="seal-missing"), now)
    assert (other.status, other.state) == (409, "quarantined")
    assert other.refs == ()
    after = counts()
    assert after.pop("Submission") == before.pop("Submission") + 1
    assert after.pop("LogEntry") == before.pop("LogEntry") + 1
    assert after == before
    repeat = receive(cast.driver, body(cast.driver, symptom="seal-missing"), now)
    assert repeat.status == 409
    assert Submission.objects.count() == 2


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"\xff\xfe",
        b"[]",
        b"null",
        b'{"v":1}',
        b'{"id":"no uuid"}',
        b'{"id":NaN}',
        b'{"id": 1, "id": 2}',
        b'{"x":' + b"[" * 5000 + b"]" * 5000 + b"}",
        b'{"x":' + b"[" * 700 + b"]" * 700 + b"}",
        b'{"x":' + b"9" * 5000 + b"}",
        b'{"x":"' + b"a" * 300_000 + b'"}',
    ],
    ids=[
        "empty",
        "bytes",
        "list",
        "null",
        "no id",
        "bad id",
        "nan",
        "twice",
        "deep",
        "less deep",
        "long number",
        "big",
    ],
)
def test_what_is_no_report_at_all_gets_400_and_leaves_nothing(cast, railway, now, raw):
    receipt = receive(cast.driver, raw, now)
    assert receipt.status == 400
    assert "Keep it" in receipt.words
    assert not any(counts().values())


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"v": 2}, "v:"),
        ({"unit": ""}, "unit:"),
        ({"unit": "9" * 41}, "unit:"),
        ({"ends": [{"end": "C", "situation": "U"}]}, "end 1 end:"),
        ({"ends": [{"end": "A", "situation": "U"}, {"end": "A", "situation": "R"}]}, "an end stands twice"),
        ({"faults": [{"id": "x", "end": "A", "part": "hook"}]}, "fault 1 id:"),
        ({"faults": "many"}, "faults: must be a list"),
        ({"occasion": "picnic"}, "occasion:"),
    ],
)
def test_what_fails_validation_is_kept_whole_in_quarantine(cast, railway, now, change, why):
    data = body(cast.driver) | change
    receipt = receive(cast.driver, data, now)
    row = Submission.objects.get()
    assert (receipt.status, receipt.state, row.status) == (201, "quarantined", "quarantined")
    assert why in row.why
    assert why in receipt.words
    assert json.loads(bytes(row.body)) == data
    assert not Finding.objects.exists()


def test_a_fault_that_came_before_in_another_report_is_kept_in_quarantine(cast, railway, now):
    receive(cast.driver, body(cast.driver), now)
    other = body(cast.driver, key="2")
    other["faults"][0]["id"] = str(uuid_of("fault", "1"))
    receipt = receive(cast.driver, other, now)
    assert (receipt.status, receipt.state) == (201, "quarantined")
    assert "came in another report before" in receipt.words
    assert "faults:" not in receipt.words
    assert Finding.objects.count() == 1


def test_somebody_elses_report_is_not_taken_from_a_phone(cast, railway, now):
    receipt = receive(cast.other_driver, body(cast.driver), now)
    assert receipt.state == "quarantined"
    assert not Finding.objects.exists()


def test_control_may_bring_in_a_report_of_somebody_else(cast, railway, now):
    receipt = receive(cast.controller, body(cast.driver), now, channel="file")
    assert receipt.state == "stored"
    assert Observation.objects.get().by == cast.driver
    assert Submission.objects.get().submitted_by == cast.controller


def test_unit_not_on_the_list_is_kept_as_given(cast, railway, now):
    receive(cast.driver, body(cast.driver, unit="471"), now)
    finding = Finding.objects.get()
    assert (finding.unit, finding.unit_given, finding.end, finding.end_given) == (None, "471", None, "A")
    assert finding.worst is not None


def test_end_not_known_belongs_to_the_unit(cast, railway, now):
    receive(cast.driver, body(cast.driver, end="?"), now)
    finding = Finding.objects.get()
    assert (finding.unit.number, finding.end, finding.end_given) == ("201", None, "?")


@pytest.mark.parametrize(
    ("seen", "why"),
    [
        ("2026-11-24T05:48:00+00:00", ""),
        ("2027-11-24T05:48:00+00:00", "after the time it was received"),
        ("2025-11-24T05:48:00+00:00", "more than 30 days"),
        ("0001-01-01T00:00:00+00:00", "not understood"),
        ("2026-11-24T05:48:00", "not understood"),
        ("yesterday", "not understood"),
        ("", "not said"),
    ],
)
def test_a_doubtful_time_is_flagged_not_believed_not_refused(cast, railway, now, seen, why):
    receive(cast.driver, body(cast.driver, seen=seen), now)
    inspection = Inspection.objects.get()
    assert why in inspection.doubtful
    assert bool(inspection.doubtful) == bool(why)


def test_offset_is_kept_on_the_night_clocks_go_back(cast, railway, now):
    for key, seen in (("a", "2026-10-25T01:30:00+01:00"), ("b", "2026-10-25T01:30:00+00:00")):
        receive(cast.driver, body(cast.driver, key=key, seen=seen), now)
    first, second = Inspection.objects.order_by("seen")
    assert second.seen - first.seen == timedelta(hours=1)
    assert (first.seen_offset_min, second.seen_offset_min) == (60, 0)


def test_codes_the_ruleset_does_not_know_are_kept_and_graded(cast, railway, now):
    receive(cast.driver, body(cast.driver, part="gizmo", symptom="fell-over"), now)
    finding = Finding.objects.get()
    assert (finding.slot, finding.symptom) == ("gizmo", "fell-over")
    assert finding.current_grade.cells.count() == 9


def test_hostile_text_is_cleaned_and_stored_as_text(cast, railway, now):
    note = "<script>alert(1)</script>\u0000\ud800 e\u0301"
    receive(cast.driver, body(cast.driver, note=note), now)
    assert Inspection.objects.get().note == "<script>alert(1)</script> é"


def test_still_there_joins_the_finding_it_names(cast, railway, now):
    ref = receive(cast.driver, body(cast.driver), now).refs[0]
    again = body(cast.other_driver, key="2", kind="still there", of=ref)
    assert receive(cast.other_driver, again, now).refs == (ref,)
    assert [o.kind for o in Observation.objects.order_by("pk")] == ["first report", "still there"]
    assert Finding.objects.get().grades.count() == 2


@pytest.mark.parametrize("of", ["99999999", "rubbish", ""])
def test_still_there_of_nothing_we_know_opens_a_finding(cast, railway, now, of):
    receipt = receive(cast.driver, body(cast.driver, kind="still there", of=of), now)
    assert receipt.refs == (Finding.objects.get().ref,)


def test_still_there_cannot_reach_another_unit(cast, railway, now):
    ref = receive(cast.driver, body(cast.driver), now).refs[0]
    other = receive(cast.driver, body(cast.driver, key="2", unit="202", kind="still there", of=ref), now)
    assert other.refs != (ref,)
    assert Finding.objects.count() == 2


def test_several_faults_and_both_ends_in_one_report(cast, railway, now):
    data = body(cast.driver) | {
        "ends": [{"end": "A", "situation": "U"}, {"end": "B", "situation": "C", "mate": "301 A", "stage": "contact"}],
        "faults": [
            {"id": str(uuid_of("f", 1)), "end": "A", "part": "air-upper", "symptom": "seal-torn"},
            {"id": str(uuid_of("f", 2)), "end": "B", "part": "contacts", "symptom": ""},
        ],
    }
    receipt = receive(cast.driver, data, now)
    assert len(receipt.refs) == 2
    assert {f.end for f in Finding.objects.all()} == {railway.ends["201 A"], railway.ends["201 B"]}
    assert InspectedEnd.objects.get(end_given="B").mate == railway.ends["301 A"]


def test_looked_and_found_nothing_counts(cast, railway, now):
    data = body(cast.driver) | {"faults": [], "ends": [{"end": "A", "situation": "U", "clean": True}]}
    receipt = receive(cast.driver, data, now)
    assert (receipt.status, receipt.refs) == (201, ())
    assert InspectedEnd.objects.get().clean
    assert not Finding.objects.exists()


def closed_finding(cast, now, days_ago):
    seen = now - timedelta(days=days_ago + 1)
    receive(cast.driver, body(cast.driver, key="old", seen=seen.isoformat()), seen)
    Finding.objects.update(state="closed", closed=now - timedelta(days=days_ago))
    return Finding.objects.get()


def couple(railway, now, times):
    for n in range(times):
        coupling = Coupling.objects.create(
            uuid=uuid_of("c", n), at=now - timedelta(hours=n), source="t", source_ref=str(n), received=now
        )
        CouplingSide.objects.create(coupling=coupling, end=railway.ends["201 A"], at=coupling.at)


@pytest.mark.parametrize(
    ("days", "couplings", "repeat"),
    [(27, 50, True), (28, 50, True), (29, 50, False), (29, 10, True), (29, 11, False), (300, 3, True)],
)
def test_repeat_within_28_days_and_10_couplings_whichever_ends_later(cast, railway, now, days, couplings, repeat):
    old = closed_finding(cast, now, days)
    couple(railway, now - timedelta(hours=1), couplings)
    receive(cast.driver, body(cast.driver, key="new", seen=now.isoformat()), now)
    new = Finding.objects.exclude(pk=old.pk).get()
    assert (new.repeat_of == old) is repeat
    assert new.gap_days == days + 1


def test_preview_says_what_the_receipt_would_and_stores_nothing(cast, railway, now):
    raw = json.dumps(body(cast.driver)).encode()
    verdict = intake.preview(raw=raw, submitted_by=cast.driver, received=now)
    assert not any(counts().values())
    receipt = receive(cast.driver, raw, now)
    assert {e.end.letter: e.as_told() for e in verdict.ends} == receipt.told
    assert verdict.worst == Finding.objects.get().worst


def test_eight_at_once_store_one(transactional_db, cast, railway, now):
    raw = json.dumps(body(cast.driver)).encode()
    start, statuses = Barrier(8), []

    def send():
        start.wait()
        statuses.append(receive(cast.driver, raw, now).status)
        connections.close_all()

    threads = [Thread(target=send) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(statuses) == [200] * 7 + [201]
    assert (Submission.objects.count(), Finding.objects.count()) == (1, 1)
    assert log.first_break() is None
    assert connection.vendor in ("sqlite", "postgresql")


def test_a_fault_half_way_leaves_nothing(cast, railway, now, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("half way")

    monkeypatch.setattr(intake.grading, "regrade", broken)
    with pytest.raises(RuntimeError, match="half way"):
        receive(cast.driver, body(cast.driver), now)
    assert not any(counts().values())


def facts():
    return [observation.facts for observation in Observation.objects.order_by("pk")]


@pytest.mark.parametrize(("place", "curve"), [("THO", {"curve": "yes"}), ("SKJ", {}), ("nowhere", {}), ("", {})])
def test_situation_and_curve_are_facts_of_the_fault(cast, railway, now, place, curve):
    receive(cast.driver, body(cast.driver, situation="R", place=place), now)
    assert facts() == [{"seen-in": "R", **curve}]


def test_a_fault_that_came_back_is_graded_as_a_repeat(cast, railway, now):
    times = []
    for n in range(3):
        seen = now + timedelta(days=n)
        dirty = body(cast.driver, key=str(n), part="contacts", symptom="pins-dirty", seen=seen.isoformat())
        receive(cast.driver, dirty, seen)
        times.append(facts()[-1].get("repeats", "none"))
        limits = Finding.objects.latest("pk").current_grade.cells.get(situation="C", weather="dry").limits
        assert (limits.couple == "not") is (n == 2)
        Finding.objects.filter(closed=None).update(state="closed", closed=seen + timedelta(hours=1))
    assert times == ["none", "1", "2"]
