"""Looks that are asked for, as pages show them: who waits for one, and how damage was followed. Reads only."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Min, Q

from fleet.models import CouplerEnd, Place
from inspections import grading, mates, standing, words
from inspections.models import Finding, InspectedEnd, MateLook, Observation
from inspections.rules.facts import SITUATION_WORDS

DEEPEST = 6  # steps of a chain that one page follows; each takes two queries


@dataclass(frozen=True, slots=True)
class Reason:
    """Why one look is asked for: the finding as a line, where and when the two ends met, since when it is asked."""

    line: words.Line
    rough: bool
    met: datetime
    place: str
    asked: datetime


@dataclass(frozen=True, slots=True)
class Waiting:
    """One end somebody is asked to look at, the oldest reason first; where its unit was last known."""

    end: CouplerEnd
    reasons: tuple[Reason, ...]
    since: datetime
    age: str
    boldness: int
    place: str
    situation: str


def ends_waiting():
    """Ends (`end`: id) with looks that are not answered: `since` when and how `many`, the longest waiting first."""
    waiting = MateLook.objects.open().values("end")
    return waiting.annotate(since=Min("asked"), many=Count("pk")).order_by("since", "end")


def waiting(ends: Sequence[int], now: datetime) -> list[Waiting]:
    """These ends (ids) in order, with why and where. A fixed number of queries."""
    rules = grading.ruleset(now)
    rows = MateLook.objects.open().filter(end__in=ends).select_related("coupling__place").order_by("asked", "pk")
    rows = list(rows)
    known = {end.pk: end for end in CouplerEnd.objects.filter(pk__in=ends).select_related("unit", "pattern")}
    findings = Finding.objects.for_list().in_bulk({row.finding_id for row in rows if row.finding_id})
    lines = {line.finding.pk: line for line in words.lines(findings.values(), rules, now)}
    where = standing.last_known(list(known.values()), now) if known else {}
    places = Place.objects.in_bulk({at.place for at in where.values() if at.place})
    by_end = {pk: [row for row in rows if row.end_id == pk] for pk in ends}
    return [
        Waiting(
            end=known[pk],
            reasons=tuple(reason(row, lines.get(row.finding_id)) for row in by_end[pk]),
            since=by_end[pk][0].asked,
            age=words.age(by_end[pk][0].asked, now),
            boldness=words.boldness(by_end[pk][0].asked, now),
            place=places[where[pk].place].name if where[pk].place in places else "",
            situation=SITUATION_WORDS[where[pk].situation],
        )
        for pk in ends
        if by_end[pk]
    ]


def reason(row: MateLook, line: words.Line | None) -> Reason:
    """One row in words."""
    place = row.coupling.place.name if row.coupling.place_id else ""
    rough = line is None or line.finding.end_id == row.end_id
    return Reason(line, rough, row.coupling.at, place, row.asked)


@dataclass(frozen=True, slots=True)
class Asked:
    """One look of a chain: the end; what came of it in words; what it found. `because` led to it."""

    because: Finding
    end: CouplerEnd
    met: datetime
    asked: datetime
    looked: datetime | None
    nothing: bool
    found: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Chain:
    """How damage was followed from one finding: the looks that led to it, those it led to step by step.

    `open` counts the looks not answered; `goes_on` says that the last step led further than is shown.
    """

    led_here: tuple[Asked, ...]
    steps: tuple[tuple[Asked, ...], ...]
    open: int
    goes_on: bool


def chain(finding: Finding) -> Chain | None:
    """The chain through this finding; None where nothing was asked. Two queries then, a few for each step else."""
    led_here = steps_from(answered_by(finding))
    steps, seen, front = [], {finding.pk}, [finding]
    while front and len(steps) < DEEPEST:
        step = steps_from(asked_by(front))
        steps += [step] if step else []
        front = [one for asked in step for one in asked.found if one.pk not in seen]
        seen |= {one.pk for one in front}
    if not led_here and not steps:
        return None
    waiting = sum(asked.looked is None for step in steps for asked in step)
    return Chain(led_here, tuple(steps), waiting, goes_on=bool(front))


def fetch():
    """Rows of a chain with what is shown of them."""
    return MateLook.objects.select_related(
        "finding__end", "finding__unit", "end__unit", "coupling", "answer__inspection__submission"
    ).order_by("coupling__at", "pk")


def asked_by(findings: Iterable[Finding]):
    """What these findings asked for; asked in vain and asked anew are left out."""
    counts = Q(withdrawn=None) | Q(answer__isnull=False)
    return fetch().filter(counts, finding__in=list(findings))


def answered_by(finding: Finding):
    """The looks in which this finding was found, where they were asked for by one that was known before."""
    if finding.end_id is None:
        return fetch().none()
    looks = InspectedEnd.objects.filter(end=finding.end_id, inspection__observations__finding=finding)
    return fetch().filter(answer__in=looks, finding__lt=finding.pk)


def steps_from(rows) -> tuple[Asked, ...]:
    """One step of a chain. Two queries."""
    rows = list(rows)
    found = found_at(rows)
    return tuple(
        Asked(
            because=row.finding,
            end=row.end,
            met=row.coupling.at,
            asked=row.asked,
            looked=mates.looked_at(row.answer) if row.answer_id else None,
            nothing=bool(row.answer_id) and not found[row.answer_id],
            found=tuple(found.get(row.answer_id, ())),
        )
        for row in rows
        if row.finding_id
    )


def found_at(rows: Sequence[MateLook]) -> dict[int, list[Finding]]:
    """Answering look (id) → findings its inspection reported on that end. One query."""
    answers = {row.answer_id: row.answer for row in rows if row.answer_id}
    if not answers:
        return {}
    inspections = {look.inspection_id for look in answers.values()}
    seen = Observation.objects.filter(inspection__in=inspections).select_related("finding__end", "finding__unit")
    found: dict[int, list[Finding]] = {pk: [] for pk in answers}
    for row in seen.order_by("pk"):
        for pk, look in answers.items():
            here = (row.inspection_id, row.finding.end_id) == (look.inspection_id, look.end_id)
            if here and row.finding not in found[pk]:
                found[pk].append(row.finding)
    return found
