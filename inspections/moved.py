"""What moving a finding did: the ends it touched as they stand now, and who must be told. Reads, writes nothing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.contrib.auth.models import User
from django.db.models import Q

from fleet.models import CouplerEnd, Unit
from inspections import grading, labels, standing, words
from inspections.models import Finding, Inspection, Isolation, Label, LogEntry, Visit

PRINTS_READ = 20  # of a unit's card prints, how many are searched for this finding


@dataclass(frozen=True, slots=True)
class Before:
    """Where a finding was before it was moved. `entry` is the log entry that says so."""

    unit: Unit | None
    number: str
    end: CouplerEnd | None
    letter: str
    part: str
    visit: Visit | None
    entry: LogEntry


@dataclass(frozen=True, slots=True)
class Moved:
    """A finding in its right place; the ends it left and came to, stated anew; who must be told, in sentences."""

    finding: Finding
    before: Before
    at: datetime
    why: str
    standings: tuple[standing.EndStanding, ...]
    tell: tuple[str, ...]


def last_move(finding: Finding, now: datetime) -> Moved | None:
    """The last move of a finding with its ends as they stand now, and who must be told; None if it never moved."""
    entries = LogEntry.objects.filter(subject=f"finding:{finding.ref}", kind="moved")
    entry = entries.order_by("-seq").first()
    if entry is None:
        return None
    before = place_before(finding, entry)
    ends = ends_touched((before.unit, before.end), (finding.unit, finding.end))
    stated = standing.of_ends(ends, now)
    standings = tuple(stated[end.pk] for end in ends)
    return Moved(
        finding, before, entry.happened, entry.data["why"], standings, tuple(who_to_tell(finding, before, now))
    )


def place_before(finding: Finding, entry: LogEntry) -> Before:
    """Where the finding was before this log entry moved it."""
    was = entry.data["before"]
    unit = Unit.objects.filter(number=was["unit"]).first()
    end = CouplerEnd.objects.named(was["unit"], was["end"]).select_related("unit").first()
    visit = Visit.objects.filter(pk=was.get("visit")).select_related("depot").first()
    return Before(unit, was["unit"] or finding.unit_given, end, was["end"], was["part"], visit, entry)


def ends_touched(*places: tuple[Unit | None, CouplerEnd | None]) -> list[CouplerEnd]:
    """The ends these places mean, in order: both of a unit where the end is not known."""
    ends: dict[int, CouplerEnd] = {}
    for unit, end in places:
        there = Q(pk=end.pk) if end else Q(unit=unit) if unit else Q(pk__in=[])
        for one in CouplerEnd.objects.filter(there).select_related("unit", "pattern").order_by("letter"):
            ends.setdefault(one.pk, one)
    return list(ends.values())


def who_to_tell(finding: Finding, before: Before, now: datetime) -> list[str]:
    """Who relies on what was said before the move: one sentence each, nobody twice."""
    observers = {row.by for row in finding.observations.exclude(kind="corrected").select_related("by")}
    told = [f"{words.name(person)}, who reported it" for person in sorted(observers, key=words.name)]
    entries = LogEntry.objects.filter(subject=f"finding:{finding.ref}", kind="told", seq__lt=before.entry.seq)
    told += [f"{entry.data['whom']}, told before" for entry in entries.order_by("seq")]
    if before.visit and before.visit.pk != finding.visit_id:
        told.append(f"{before.visit.depot}, where work on {before.number} was planned")
    elif before.visit:
        told.append(f"{before.visit.depot}, where work is planned")
    told += printed(finding, before)
    told += [f"{words.name(person)}, who has looked at {before.number} since" for person in lookers(finding, before)
             if person not in observers]  # fmt: skip
    return list(dict.fromkeys(told + left_behind(finding, now)))


def printed(finding: Finding, before: Before) -> list[str]:
    """Whoever holds a card printed for the old place."""
    prints = LogEntry.objects.filter(subject=f"unit:{before.number}", kind="card printed", seq__lt=before.entry.seq)
    cards = [e for e in prints.order_by("-seq")[:PRINTS_READ] if finding.ref in e.data.get("refs", {})]
    return [
        f"Whoever holds the work card of {before.number}, version {entry.data.get('card', 1)}, printed "
        f"{words.moment(entry.happened, before.entry.happened)}"
        for entry in reversed(cards)
    ]


def lookers(finding: Finding, before: Before) -> list[User]:
    """Who looked at the old unit between the report and the move, and was told that it has this fault."""
    if before.unit is None:
        return []
    looks = Inspection.objects.filter(
        unit=before.unit, seen__gte=finding.first_seen, submission__received__lte=before.entry.written
    )
    people = {look.person for look in looks.select_related("person")}
    return sorted(people, key=words.name)


def left_behind(finding: Finding, now: datetime) -> list[str]:
    """What still hangs or is shut where the fault is not: a label to move, an isolation to look at again."""
    because = Q(finding=finding) | Q(finding__merged_into=finding)
    hanging = Label.objects.in_force(now).filter(
        Q(restriction__finding=finding) | Q(restriction__finding__merged_into=finding)
    )
    said = [
        f"Whoever can move label {label.number}: it hangs {place_words(label)}"
        for label in hanging.select_related("end__unit", "unit", "restriction__end__unit", "restriction__unit")
        if not labels.shows_there(label.restriction, label.end, label.unit)
    ]
    shut = Isolation.objects.in_force(now).filter(because).select_related("end__unit", "unit")
    kinds = grading.ruleset(now).isolations
    said += [
        f"Whoever can look at it again: {kinds[row.kind].name if row.kind in kinds else row.kind}, {place_words(row)}"
        for row in shut
        if row.end_id not in (None, finding.end_id) or row.unit_id not in (None, finding.unit_id)
    ]
    return said


def place_words(row) -> str:
    """ "at the A end of 201", "in the cabs of 201"."""
    return f"at the {words.end(row.end)}" if row.end_id else f"in the cabs of {row.unit}"
