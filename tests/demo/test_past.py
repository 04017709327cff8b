"""What the demonstration holds is what the doors would have made of it."""

import hashlib
from collections import defaultdict
from itertools import pairwise

import pytest
from django.db.models import Count

from fleet.models import CouplerEnd, PartFitting, Unit
from inspections import bodies, closing, grading, intake, leak_tests, log, references
from inspections.demonstration.filing import as_sent
from inspections.demonstration.making import LIVE_FOR
from inspections.models import (
    CloseOut,
    Finding,
    Grade,
    Inspection,
    LogEntry,
    Observation,
    Restriction,
    Submission,
    TestResult,
)

pytestmark = [pytest.mark.usefixtures("filled"), pytest.mark.django_db]
State = Finding.State


def findings():
    return Finding.objects.select_related("end__pattern", "end__unit", "unit", "current_grade")


def test_every_state_occurs():
    counts = dict(Finding.objects.values_list("state").annotate(n=Count("pk")))
    assert set(counts) == set(State.values)
    assert counts["closed"] > 100


def test_every_outcome_occurs():
    assert set(CloseOut.objects.values_list("outcome", flat=True)) == set(CloseOut.Outcome.values)


def test_chain_is_whole_and_in_order_of_writing():
    assert log.first_break() is None
    written = list(LogEntry.objects.order_by("seq").values_list("written", flat=True))
    assert written == sorted(written)


def test_entries_say_what_those_of_the_doors_say(filled):
    """The kinds written in bulk have the same contents as those of the last days, which the doors wrote."""
    cut = filled.now - LIVE_FOR
    bulk, doors = defaultdict(set), defaultdict(set)
    for entry in LogEntry.objects.exclude(subject__startswith="demonstration"):
        kind = entry.kind + (" by a close-out" if entry.kind == "restricted" and entry.data.get("finding") else "")
        (bulk if entry.written <= cut else doors)[kind].add(tuple(sorted(entry.data)))
    assert {kind: bulk[kind] for kind in bulk if kind in doors} == {
        kind: doors[kind] for kind in doors if kind in bulk
    }
    of_bulk = {"merged", "restriction lifted", "renumbered", "vehicles exchanged", "tested"}
    assert set(bulk) - set(doors) <= of_bulk | {"fleet action done", "fleet action ended"}
    assert {"opened", "graded", "looked at", "told", "planned", "taken", "signed", "checked"} <= set(bulk) & set(
        doors
    )


def test_versions_count_the_acts():
    last = {}
    for entry in LogEntry.objects.filter(subject__startswith="finding:").order_by("seq"):
        if "version" in entry.data:
            version, state = last.get(entry.subject, (0, "reported"))
            assert entry.data["version"] == version + 1
            last[entry.subject] = entry.data["version"], entry.data.get("state", state)
    found = Finding.objects.values_list("ref", "version", "state")
    assert last == {f"finding:{ref}": (version, state) for ref, version, state in found}


def test_references_are_valid_and_count_on():
    refs = list(Finding.objects.order_by("pk").values_list("ref", flat=True))
    assert [references.number(references.read(ref)) for ref in refs] == list(range(1, len(refs) + 1))


def test_closed_findings_are_signed():
    for finding in Finding.objects.filter(state=State.CLOSED).prefetch_related("close_outs__tests"):
        (close,) = finding.close_outs.all()
        assert hashlib.sha256(close.signed_text.encode()).hexdigest() == close.signed_sha256
        assert f'"finding":"{finding.ref}"' in close.signed_text
        assert not close.check_needed or (close.checker_id and close.checker_id != close.by_id)
        assert finding.closed == (close.checked or close.signed)
        if close.outcome == CloseOut.Outcome.REPAIRED:
            assert {test.verdict for test in close.tests.all()} == {"pass"}


def test_released_ones_left_a_limit():
    released = CloseOut.objects.filter(outcome=CloseOut.Outcome.RELEASED)
    assert released.count() == Restriction.objects.filter(close_out__in=released).count() > 0
    assert Restriction.objects.filter(lifted__isnull=False).exists()


def test_every_grade_has_all_its_cells():
    cells = set(Grade.objects.annotate(n=Count("cells")).values_list("n", flat=True))
    assert cells == {3 * len(grading.ruleset().weathers)}
    for grade in Grade.objects.prefetch_related("cells"):
        assert grade.worst == max(cell.category for cell in grade.cells.all())


def test_current_grade_is_the_last_one():
    for finding in findings().prefetch_related("grades"):
        last = max(finding.grades.all(), key=lambda grade: grade.pk)
        assert finding.current_grade_id == last.pk
        assert finding.worst == last.worst


def alone(finding, spans):
    """True when no other finding of its end was open at the same time."""
    mine = finding.first_seen, finding.closed
    others = [span for pk, span in spans[finding.end_id] if pk != finding.pk]
    return all(end is not None and (end < mine[0] or start > mine[1]) for start, end in others)


def test_grades_are_those_the_doors_would_give():
    spans = defaultdict(list)
    for pk, end, start, closed in Finding.objects.values_list("pk", "end", "first_seen", "closed"):
        spans[end].append((pk, (start, closed)))
    rules, tried = grading.ruleset(), 0
    for finding in findings().filter(state=State.CLOSED):
        if alone(finding, spans):
            value = grading.value_of(finding, [], rules)
            assert grading.same(finding.current_grade, value), finding
            tried += 1
    assert tried > 50


def test_repeats_gaps_and_couplers_are_those_intake_would_find():
    repeats = 0
    for finding in findings().filter(end__isnull=False):
        end, component, seen = finding.end, finding.component, finding.first_seen
        assert intake.repeat_of(end, component, seen) == finding.repeat_of
        before = intake.previous(end, component, seen)
        assert finding.gap_days == ((seen - before.first_seen).days if before else None)
        fitted = end.fitments.at(seen).first()
        assert finding.coupler_id == (fitted.coupler_id if fitted else None)
        repeats += finding.repeat_of_id is not None
    assert repeats > 5


def test_bodies_are_what_was_taken_in():
    rows = Inspection.objects.select_related("submission", "unit", "place").prefetch_related("ends", "observations")
    for inspection in rows.order_by("pk")[::3]:
        submission = inspection.submission
        raw = bytes(submission.body)
        assert hashlib.sha256(raw).hexdigest() == submission.sha256
        body = bodies.body_of(bodies.read_json(raw))
        assert (body.id, body.author, body.unit) == (submission.uuid, submission.author_id, inspection.unit_given)
        assert (body.seen, body.seen_offset_min) == (inspection.seen, inspection.seen_offset_min)
        assert (body.place, body.weather) == (inspection.place_given, inspection.weather)
        assert {(e.end, e.situation, e.clean, e.mate) for e in body.ends} == {
            (e.end_given, e.situation, e.clean, e.mate_given) for e in inspection.ends.all()
        }
        assert [fault.id for fault in body.faults] == [o.uuid for o in inspection.observations.all()]


def test_a_body_survives_the_way_to_the_phone_and_back():
    with_faults = Submission.objects.filter(inspection__observations__isnull=False).distinct()
    for submission in with_faults[:40]:
        raw = bytes(submission.body)
        assert as_sent(bodies.body_of(bodies.read_json(raw))) == raw


def test_most_coupling_days_were_looked_at(filled):
    clean = Inspection.objects.filter(observations__isnull=True).count()
    assert 0.6 < clean / (filled.units * filled.years * 365) < 0.75


def test_everybody_is_told_something():
    told = Inspection.objects.filter(unit__isnull=False).values_list("standing_told", flat=True)
    assert all(set(letters) == {"A", "B"} for letters in told)
    assert {frozenset(end) for letters in told for end in letters.values()} == {
        frozenset({"at", "weather", "now", "U", "C", "R"})
    }


def test_who_reported_a_fault_was_told_of_it():
    first = Observation.objects.filter(
        kind="first report", inspection__unit__isnull=False, finding__end__isnull=False
    )
    moved = LogEntry.objects.filter(kind="moved").values_list("subject", flat=True)
    first = first.exclude(finding__ref__in=[subject.removeprefix("finding:") for subject in moved])
    for observation in first.select_related("inspection", "finding__end", "finding"):
        grade = observation.finding.grades.order_by("pk").first()
        told = observation.inspection.standing_told[observation.finding.end.letter]
        cells = {cell.situation: cell.category for cell in grade.cells.filter(weather=told["weather"])}
        assert all(told[situation]["category"] >= category for situation, category in cells.items())


def test_merged_reports_name_the_open_finding_of_the_same_part():
    merged = list(findings().filter(state=State.MERGED).select_related("merged_into"))
    assert merged
    for finding in merged:
        into = finding.merged_into
        assert (into.end_id, into.component, into.slot) == (finding.end_id, finding.component, finding.slot)
        assert into.closed is None or into.closed > finding.closed


def lives_by_slot():
    lives = defaultdict(list)
    for life in PartFitting.objects.order_by("fitted", "pk"):
        lives[life.coupler_id, life.slot].append(life)
    return lives


def test_part_lives_follow_one_another_and_end_for_every_reason():
    for lives in lives_by_slot().values():
        for before, after in pairwise(lives):
            assert before.removed is not None
            assert before.removed <= after.fitted
    seals = PartFitting.objects.filter(slot__startswith="air-")
    assert set(seals.values_list("reason", flat=True)) == {"", "failed", "planned", "other"}
    assert seals.filter(age_days__isnull=True).exists(), "nobody knew the age of some when records began"
    assert seals.filter(age_days__gt=0).exists()


def test_parts_that_were_signed_are_the_lives_that_began():
    signed = [close for close in CloseOut.objects.select_related("finding") if close.parts]
    assert len(signed) > 10
    for close in signed:
        (part,) = close.parts
        assert part["slot"] == close.finding.slot
        assert f'"batch":"{part["in"]["batch"]}"' in close.signed_text
        new = PartFitting.objects.get(slot=part["slot"], fitted=close.signed)
        old = PartFitting.objects.get(slot=part["slot"], removed=close.signed)
        assert (new.batch, old.batch, old.reason) == (
            part["in"]["batch"],
            part["out"]["batch"],
            part["out"]["reason"],
        )
        assert new.coupler_id == old.coupler_id


def test_signed_leak_tests_copy_their_last_attempt():
    signed = TestResult.objects.filter(close_out__isnull=False, readings__has_key="drop")
    assert signed.count() > 20
    for row in signed.select_related("close_out__finding", "gauge"):
        attempt = closing.attempts(row.close_out.finding)[row.test]
        assert (row.value, row.readings, row.gauge, row.at) == (
            attempt.value,
            attempt.readings,
            attempt.gauge,
            attempt.at,
        )
        assert leak_tests.shown(row).result.verdict == row.verdict == "pass"
    assert TestResult.objects.filter(close_out__isnull=True, verdict="fail").exists(), "one was not tight at once"


def test_values_say_what_they_were_measured_with_and_it_was_in_date(filled):
    measured = TestResult.objects.filter(close_out__signed__isnull=False, gauge__isnull=False)
    assert measured.count() > 50
    for row in measured.select_related("close_out", "gauge"):
        assert row.gauge_due >= row.close_out.signed.date()
    by_bulk = TestResult.objects.filter(close_out__signed__lt=filled.now - LIVE_FOR, close_out__outcome="repaired")
    assert not by_bulk.filter(unit="MΩ", gauge__isnull=True).exists()


def test_findings_keep_the_unit_of_their_day():
    entry = LogEntry.objects.get(kind="vehicles exchanged")
    vehicles = entry.data["before"].values()
    here, there = (
        findings().filter(end__vehicle__in=vehicles, first_seen__lt=entry.written),
        findings().filter(end__vehicle__in=vehicles, first_seen__gt=entry.written, end__isnull=False),
    )
    assert here.count() > 5
    assert all(finding.unit_id != finding.end.unit_id for finding in here)
    assert all(finding.unit_id == finding.end.unit_id for finding in there)


def test_a_renumbered_unit_was_called_otherwise_before():
    entry = LogEntry.objects.get(kind="renumbered")
    old, new = ({name.split()[0] for name in entry.data[when]} for when in ("before", "after"))
    unit = Unit.objects.get(number=new.pop())
    given = defaultdict(set)
    for inspection in Inspection.objects.filter(unit=unit):
        given[inspection.submission.received > entry.written].add(inspection.unit_given)
    assert given == {False: old, True: {unit.number}}
    assert {str(end) for end in CouplerEnd.objects.filter(unit=unit)} == set(entry.data["after"])
