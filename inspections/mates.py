"""Looks at mates: damage spreads to the next end, so those met since the last known good are asked for.

The chain is visible: a look that finds damage is a finding of its own, and asks for its own mates.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from django.db.models import QuerySet

from fleet.models import CouplerEnd, CouplingSide
from inspections import grading, log
from inspections.models import Finding, InspectedEnd, MateLook


@dataclass(frozen=True, slots=True)
class Met:
    """An end that was coupled to another one, and the coupling (id) in which they last met."""

    end: CouplerEnd
    coupling: int
    at: datetime


def ask(finding: Finding, now: datetime) -> list[MateLook]:
    """Ask for a look at every end this one met since last known good, where its grade says so. Once each.

    Inside the caller's transaction. Late couplings ask again: those asked for already are left alone.
    """
    if not spreads(finding, now) or finding.end_id is None:
        return []
    asked = set(MateLook.objects.filter(finding=finding, withdrawn=None).values_list("end", flat=True))
    met = [one for one in met_since_good(finding, now) if one.end.pk not in asked]
    rows = MateLook.objects.bulk_create(
        MateLook(finding=finding, end=one.end, coupling_id=one.coupling, asked=now) for one in met
    )
    if rows:
        log.write(
            subject=f"finding:{finding.ref}",
            kind="mates asked for",
            actor=None,
            happened=now,
            written=now,
            ends=[str(one.end) for one in met],
        )
    return rows


def spreads(finding: Finding, now: datetime) -> bool:
    """True where one of the modes this finding may be damages the end it meets."""
    rules = grading.ruleset(now)
    modes = finding.current_grade.modes if finding.current_grade else []
    return any(rules.modes[mode].look_at_mates for mode in modes if mode in rules.modes)


def met_since_good(finding: Finding, now: datetime) -> list[Met]:
    """The ends this one was coupled to (or tried to) since it was last known good, each with the last meeting."""
    sides = CouplingSide.objects.filter(end=finding.end_id, at__gt=known_good(finding), at__lte=now)
    others = CouplingSide.objects.filter(coupling__in=sides.values("coupling")).exclude(end=finding.end_id)
    found: dict[int, Met] = {}
    for side in others.select_related("end__unit").order_by("at"):
        found[side.end_id] = Met(side.end, side.coupling_id, side.at)
    return list(found.values())


def known_good(finding: Finding) -> datetime:
    """When somebody last found nothing at this end, or a fault of this component was closed, before it was seen."""
    looks = InspectedEnd.objects.filter(end=finding.end_id, clean=True, inspection__seen__lt=finding.first_seen)
    look = looks.order_by("-inspection__seen").values_list("inspection__seen", flat=True).first()
    closed = Finding.objects.filter(
        end=finding.end_id, component=finding.component, state=Finding.State.CLOSED, closed__lt=finding.first_seen
    )
    close = closed.order_by("-closed").values_list("closed", flat=True).first()
    return max((at for at in (look, close) if at), default=datetime.min.replace(tzinfo=UTC))


def answer(looked: Iterable[InspectedEnd], now: datetime) -> int:
    """These looks answer what is asked for at their ends, if they came after it was asked. How many."""
    count = 0
    for look in looked:
        if look.end_id is None:
            continue
        waiting = MateLook.objects.open().filter(end=look.end_id, coupling__at__lte=look.inspection.seen)
        count += waiting.update(answer=look)
    return count


def withdraw(finding: Finding, now: datetime) -> int:
    """The finding moved or was withdrawn: what it asked for is asked no more. How many."""
    return MateLook.objects.open().filter(finding=finding).update(withdrawn=now)


def waiting() -> QuerySet[MateLook]:
    """Every look that is asked for and not answered, oldest first, with what a list shows."""
    rows = MateLook.objects.open().select_related("end__unit", "finding__end", "finding__unit", "coupling__place")
    return rows.order_by("asked", "pk")


def chain(finding: Finding) -> Sequence[MateLook]:
    """What this finding asked for, with the answers and what they found."""
    rows = finding.mate_looks.filter(withdrawn=None)
    return list(rows.select_related("end__unit", "coupling", "answer__inspection").order_by("coupling__at", "pk"))


def found_at(rows: Sequence[MateLook]) -> dict[int, list[Finding]]:
    """Answering look (id) → findings its inspection reported on that end. One query."""
    answers = {row.answer_id: row.answer for row in rows if row.answer_id}
    inspections = {look.inspection_id for look in answers.values()}
    found: dict[int, list[Finding]] = {pk: [] for pk in answers}
    findings = Finding.objects.filter(observations__inspection__in=inspections).distinct()
    by_end = [(look.pk, look.end_id) for look in answers.values()]
    for one in findings.select_related("end", "unit"):
        for pk, end in by_end:
            if one.end_id == end:
                found[pk].append(one)
    return found
