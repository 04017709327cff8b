"""What is open is graded anew in bulk: the same answers as one by one, whole batches, nothing twice."""

from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inspections import grading, log, regrading
from inspections.models import Finding, Grade, GradeCell, LogEntry, RuleSet
from tests.rulesets.house import milder, stored, tighter, worse
from tests.rulesets.test_what_if import seen_as
from tests.screens.desk import copies, finding_of, taken

pytestmark = pytest.mark.django_db
REPORTED = [
    {},
    {"part": "hook", "symptom": "hook-marks"},
    {"part": "hook", "symptom": "hook-slow", "end": "B", "facts": {"may-fall": "no"}},
    {"part": "air-lower", "symptom": "seal-torn"},
    {"part": "contacts", "symptom": "pin-bent", "unit": "401"},
    {"part": "cover", "symptom": "cover-slow", "unit": "401"},
    {"part": "wing", "symptom": "wobbles", "unit": "999"},
    {"part": "other", "symptom": "", "unit": "301", "end": "?"},
    {"part": "air-upper", "symptom": "seal-hiss", "unit": "301", "end": "?"},
]


@pytest.fixture
def reported(cast, report):
    """Findings of every kind: known, unknown unit, unknown end, alone and beside others."""
    return [finding_of(report(cast.driver, **more)) for more in REPORTED]


def answers():
    """Reference → what its current grade says, cell by cell."""
    found = Finding.objects.select_related("current_grade__ruleset").prefetch_related("current_grade__cells")
    return {f.ref: (f.worst, f.current_grade.hours, grading.pure(f.current_grade)) for f in found}


def test_in_bulk_and_one_by_one_say_the_same(reported, now):
    row = stored(worse(), in_force_from=now)
    done = regrading.regrade_open(now=now, actor=None)
    assert done == regrading.Regraded(len(REPORTED), done.changed, 0)
    bulk = answers()
    assert set(Grade.objects.filter(ruleset=row).values_list("cause", flat=True)) == {"ruleset"}
    for finding in Finding.objects.select_related("end__pattern", "current_grade").all():
        grading.regrade(finding, cause="ruleset", now=now, actor=None, always=True)
    assert Grade.objects.filter(ruleset=row).count() == 2 * len(REPORTED)
    assert answers() == bulk


def test_every_new_grade_is_in_the_chain(reported, cast, now):
    stored(worse(), in_force_from=now)
    done = regrading.regrade_open(now=now, actor=cast.engineer.pk)
    assert done.changed >= 1
    assert log.first_break() is None
    entries = LogEntry.objects.filter(kind="graded", actor=cast.engineer)
    assert {entry.subject for entry in entries} == {f"finding:{finding.ref}" for finding in reported}
    before = {finding.ref: finding.worst for finding in reported}
    for entry in entries:
        ref = entry.subject.partition(":")[2]
        grade = Finding.objects.get(ref=ref).current_grade
        assert entry.data["cause"] == "ruleset"
        assert (entry.data["grade"], entry.data["worst"]) == (grade.pk, grade.worst)
        assert entry.data["before"] == before[ref]


def test_only_what_waits_is_graded_and_only_once(reported, now):
    assert regrading.regrade_open(now=now, actor=None).graded == 0
    stored(tighter(), in_force_from=now)
    assert regrading.regrade_open(now=now, actor=None, most=4) == regrading.Regraded(4, 0, len(REPORTED) - 4)
    assert regrading.regrade_open(now=now, actor=None).graded == len(REPORTED) - 4
    assert regrading.regrade_open(now=now, actor=None).graded == 0
    assert regrading.regrade_open(now=now, actor=None, everything=True).graded == len(REPORTED)


def test_closed_findings_keep_their_grade(reported, now):
    first, second = Finding.objects.filter(pk__in=[finding.pk for finding in reported[:2]])
    Finding.objects.filter(pk=first.pk).update(state="closed", closed=now)
    Finding.objects.filter(pk=second.pk).update(state="withdrawn", closed=now)
    stored(tighter(), in_force_from=now)
    assert regrading.regrade_open(now=now, actor=None, everything=True).graded == len(REPORTED) - 2
    assert Finding.objects.get(pk=first.pk).current_grade == first.current_grade


def test_what_was_said_of_a_merged_finding_counts(cast, report, now):
    kept, gone = (
        finding_of(report(cast.driver)),
        finding_of(report(cast.driver, part="hook", symptom="hook-marks", situation="C")),
    )
    Finding.objects.filter(pk=gone.pk).update(state="merged", closed=now, merged_into=kept)
    stored(tighter(), in_force_from=now)
    regrading.regrade_open(now=now, actor=None)
    kept.refresh_from_db()
    assert {"seal-torn", "lock-not-home"} <= set(kept.current_grade.modes)


def test_states_and_versions_stay(cast, railway, reported, now):
    job = taken(cast, railway, reported[0], now)
    stored(worse(), in_force_from=now)
    regrading.regrade_open(now=now, actor=None)
    after = Finding.objects.get(pk=job.pk)
    assert (after.state, after.version) == (job.state, job.version)


def test_a_newer_ruleset_stops_an_older_run(reported, now):
    stored(tighter(), in_force_from=now)
    stored(milder(), in_force_from=now + timedelta(minutes=1))
    assert regrading.regrade_open(now=now, actor=None).graded == 0
    assert regrading.regrade_open(now=now + timedelta(minutes=2), actor=None).graded == len(REPORTED)


def test_a_batch_that_fails_leaves_nothing_behind(reported, now, monkeypatch):
    stored(tighter(), in_force_from=now)
    before = log.head(), Grade.objects.count(), GradeCell.objects.count()
    monkeypatch.setattr(log, "chain", lambda *args, **more: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        regrading.regrade_open(now=now, actor=None)
    assert (log.head(), Grade.objects.count(), GradeCell.objects.count()) == before
    assert regrading.waiting(grading.in_force(now)).count() == len(REPORTED)


def test_an_empty_logbook_has_nothing_to_grade(db, now):
    assert regrading.regrade_open(now=now, actor=None) == regrading.Regraded(0, 0, 0)


def statements(now):
    with CaptureQueriesContext(connection) as found:
        regrading.regrade_open(now=now, actor=None, everything=True)
    # Inserts in bulk are cut to what one statement can hold; reads and updates must not grow.
    return [q["sql"].split()[0] for q in found if q["sql"].startswith(("SELECT", "UPDATE"))]


def test_the_number_of_statements_does_not_grow(cast, railway, report, now):
    seal = finding_of(report(cast.driver))
    few = statements(now)
    for more in copies(seal, 40, list(railway.ends.values())):
        seen_as(more)
    assert statements(now) == few


def test_the_command_says_what_it_did(reported):
    out, err = StringIO(), StringIO()
    stored(worse(), in_force_from=RuleSet.objects.get().in_force_from + timedelta(days=1))
    call_command("regrade", "--progress", stdout=out, stderr=err)
    assert out.getvalue().startswith(f"{len(REPORTED)} graded, ")
    assert out.getvalue().endswith(" with another worst category, 0 still wait.\n")
    assert err.getvalue().endswith(f"100 % {len(REPORTED)} of {len(REPORTED)}\n")
    call_command("regrade", stdout=out, stderr=err)
    assert out.getvalue().endswith("\n0 graded, 0 with another worst category, 0 still wait.\n")
    call_command("regrade", "--all", stdout=out, stderr=err)
    assert f"\n{len(REPORTED)} graded, 0 with another" in out.getvalue()


def test_no_bar_where_nobody_watches(reported):
    err = StringIO()
    call_command("regrade", "--all", stdout=StringIO(), stderr=err)
    assert err.getvalue() == ""
