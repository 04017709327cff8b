"""Looks at mates: damage spreads to the next end, so those met since the last known good are asked for.

A rough coupling asks for both its ends. The chain is visible: a look that finds damage is a finding of its own and
asks for its own mates; an end that was looked at since the meeting is answered at once, so cycles end.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from django.db import transaction
from django.db.models import Q

from fleet.models import CouplerEnd, Coupling, CouplingSide
from inspections import grading, log
from inspections.models import Finding, InspectedEnd, MateLook, Observation
from inspections.models.findings import OPEN

# What the shipped ruleset calls it when two units met faster than its limit "rough-coupling" allows.
ROUGH_FACT, ROUGH_SYMPTOM = "rough", "other-rough"
EVER = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Met:
    """An end to look at, and the coupling (id) in which it last met the damage. `rough`: only for that."""

    end: CouplerEnd
    coupling: int
    at: datetime
    rough: bool = False


def ask(finding: Finding, now: datetime, rules=None) -> list[MateLook]:
    """Ask for a look at every end this finding may have damaged; gives the rows that are new.

    Inside the caller's transaction. An end that met it again since it was looked at is asked for anew; one that was
    looked at since the meeting is answered at once.
    """
    rules = rules or grading.ruleset(now)
    if finding.end_id is None or finding.state in (Finding.State.MERGED, Finding.State.WITHDRAWN):
        return []
    fresh = not_asked_yet(finding, to_look_at(finding, rules, now), now)
    looks = looks_since(finding, fresh)
    rows = MateLook.objects.bulk_create(
        MateLook(finding=finding, end=one.end, coupling_id=one.coupling, asked=now, answer=looks.get(one.end.pk))
        for one in fresh
    )
    if rows:
        log.write(
            subject=f"finding:{finding.ref}",
            kind="mates asked for",
            actor=None,
            happened=now,
            written=now,
            ends=[str(one.end) for one in fresh],
        )
    return rows


def ask_again(ends: Collection[int], now: datetime) -> int:
    """Couplings of these ends (ids) have just become known: findings there look again for whom they met.

    To be called wherever couplings arrive, with `Imported.ends` after an import. How many looks are asked for that
    were not before; a second call asks for nothing. A finding that was closed counts for as long as it is watched.
    """
    rules = grading.ruleset(now)
    watched = Q(state=Finding.State.CLOSED, closed__gte=now - timedelta(days=rules.repeat_days))
    with transaction.atomic():
        log.hold()
        found = Finding.objects.filter(Q(state__in=OPEN) | watched, end__in=ends)
        return sum(len(ask(finding, now, rules)) for finding in found.select_related("current_grade", "end"))


def ends_told_since(since: datetime) -> set[int]:
    """Ends (ids) of couplings that were received since then."""
    return set(CouplingSide.objects.filter(coupling__received__gte=since).values_list("end", flat=True))


def to_look_at(finding: Finding, rules, now: datetime) -> list[Met]:
    """The ends that met this one since it was last known good, and both ends of a rough coupling it tells of."""
    found: dict[int, Met] = {}
    if spreads(finding, rules):
        found = {one.end.pk: one for one in met_since_good(finding, now)}
    for one in roughly_met(finding):
        found.setdefault(one.end.pk, one)
    return list(found.values())


def spreads(finding: Finding, rules) -> bool:
    """True where one of the modes this finding may be damages the end it meets."""
    modes = finding.current_grade.modes if finding.current_grade else []
    return any(rules.modes[mode].look_at_mates for mode in modes if mode in rules.modes)


def met_since_good(finding: Finding, now: datetime) -> list[Met]:
    """The ends that touched this one between its last known good and its repair, each with the last meeting."""
    good = known_good(finding)
    sides = touching(finding, until=min(finding.closed or now, now))
    return others(finding, sides.filter(Q(at__gt=good) | Q(coupling__parted__gt=good)))


def touching(finding: Finding, until: datetime):
    """Sides of this end in couplings that came as far as contact."""
    sides = CouplingSide.objects.filter(end=finding.end_id, at__lte=until)
    return sides.exclude(coupling__stage=Coupling.Stage.NONE)


def others(finding: Finding, sides) -> list[Met]:
    """The other ends of these couplings, each with the last."""
    rows = CouplingSide.objects.filter(coupling__in=sides.values("coupling")).exclude(end=finding.end_id)
    found = {
        side.end_id: Met(side.end, side.coupling_id, side.at)
        for side in rows.select_related("end__unit").order_by("at")
    }
    return list(found.values())


def roughly_met(finding: Finding) -> list[Met]:
    """Both ends of the last coupling before somebody said that the units met hard; none where nobody did."""
    seen = [
        row.seen
        for row in Observation.objects.filter(finding=finding).only("seen", "facts", "symptom")
        if row.facts.get(ROUGH_FACT) == "yes" or row.symptom == ROUGH_SYMPTOM
    ]
    last = touching(finding, until=max(seen)).order_by("-at").first() if seen else None
    if last is None:
        return []
    both = CouplingSide.objects.filter(coupling=last.coupling_id).select_related("end__unit").order_by("pk")
    return [Met(side.end, side.coupling_id, side.at, rough=True) for side in both]


def known_good(finding: Finding) -> datetime:
    """When somebody last found nothing at this end, or a fault of this component was closed, before it was seen.

    Of a coupled end nobody sees the face: such a look does not count.
    """
    looks = InspectedEnd.objects.filter(end=finding.end_id, clean=True, inspection__seen__lt=finding.first_seen)
    looks = looks.exclude(situation="R").order_by("-inspection__seen")
    closed = Finding.objects.filter(
        end=finding.end_id, component=finding.component, state=Finding.State.CLOSED, closed__lt=finding.first_seen
    ).exclude(pk=finding.pk)
    look = looks.values_list("inspection__seen", flat=True).first()
    close = closed.order_by("-closed").values_list("closed", flat=True).first()
    return max((at for at in (look, close) if at), default=EVER)


def not_asked_yet(finding: Finding, met: Sequence[Met], now: datetime) -> list[Met]:
    """Those to ask for now. Of one asked for already a later meeting is noted; after its answer it is new."""
    rows = MateLook.objects.filter(finding=finding, withdrawn=None)
    asked = {row.end_id: row for row in rows.select_related("coupling", "answer__inspection__submission")}
    fresh = []
    for one in met:
        row = asked.get(one.end.pk)
        if row is None:
            fresh.append(one)
        elif row.coupling.at < one.at:
            if row.answer_id and looked_at(row.answer) < one.at:
                MateLook.objects.filter(pk=row.pk).update(withdrawn=now)
                fresh.append(one)
            else:
                MateLook.objects.filter(pk=row.pk).update(coupling=one.coupling)
    return fresh


def looks_since(finding: Finding, met: Sequence[Met]) -> Mapping[int, InspectedEnd]:
    """End (id) → the first look at it after its meeting that answers; the finding's own reports do not."""
    wanted = {one.end.pk: one for one in met}
    if not wanted:
        return {}
    looks = InspectedEnd.objects.filter(end__in=wanted, inspection__seen__gte=min(one.at for one in met))
    looks = looks.exclude(inspection__observations__finding=finding)
    found: dict[int, InspectedEnd] = {}
    for look in looks.select_related("inspection__submission").order_by("inspection__seen", "pk"):
        one = wanted[look.end_id]
        if looked_at(look) >= one.at and shows(look, rough=one.rough):
            found.setdefault(look.end_id, look)
    return found


def looked_at(look: InspectedEnd) -> datetime:
    """When the look was: never later than it was received, whatever the phone's clock said."""
    return min(look.inspection.seen, look.inspection.submission.received)


def shows(look: InspectedEnd, *, rough: bool) -> bool:
    """True where it is a look that could see what is asked: of a coupled end nobody sees the face."""
    blind = look.situation == "R" and look.clean and not rough
    return look.extent == "looked" and not blind


def answer(looked: Iterable[InspectedEnd], now: datetime) -> int:
    """These looks answer what is asked for at their ends, if they came after the meeting. How many."""
    by_end = {look.end_id: look for look in looked if look.end_id}
    rows = MateLook.objects.open().filter(end__in=by_end).select_related("coupling", "finding__current_grade")
    rows = list(rows) if by_end else []
    rules, count = grading.ruleset(now) if rows else None, 0
    for row in rows:
        look = by_end[row.end_id]
        rough = row.finding_id is None or not spreads(row.finding, rules)
        if looked_at(look) >= row.coupling.at and shows(look, rough=rough):
            count += MateLook.objects.open().filter(pk=row.pk).update(answer=look)
    return count


def withdraw(finding: Finding, now: datetime) -> int:
    """The finding moved or was withdrawn: what it asked for is asked no more. How many."""
    return MateLook.objects.open().filter(finding=finding).update(withdrawn=now)
