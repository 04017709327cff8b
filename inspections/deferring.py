"""Leave not to repair yet: who may give it, for how long, what it needs; and the acts that give, extend and end it.

The deadline and the power to defer are read from the worst category over the situations that are left once a
person's restriction is in force *and* labelled (`design.md`, definition 4). A deferral loosens nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Q

from inspections import expiry, grading, standing, workflow
from inspections.models import Deferral, Finding, GradeCell, Restriction
from inspections.permissions import Refused
from inspections.rules.facts import CATEGORIES, SITUATIONS
from inspections.rules.limits import join_all

ENGINEER = "engineer"


@dataclass(frozen=True, slots=True)
class Terms:
    """On what terms a finding may be left: its category by the deadline reading, over which situations.

    `why_not` says why it may not be left ("" where it may); `latest` is the last moment it may run to; `events` end
    it as well; `engineer` says that an engineer must agree; `missing` lists what must be done first.
    """

    category: int
    situations: tuple[str, ...]
    latest: datetime
    events: tuple[str, ...]
    engineer: bool
    missing: tuple[str, ...]
    why_not: str


def situations_left(finding: Finding, now: datetime) -> tuple[str, ...]:
    """The situations this end can still be in, given what is restricted and labelled there."""
    labelled = labelled_restrictions(finding, now)
    limits = join_all(row.limits for row in labelled)
    coupled = False
    if finding.end_id:
        coupled = standing.of_ends([finding.end], now)[finding.end_id].now == "R"
    gone = set()
    if limits.couple == "not":
        gone |= {"C"} if coupled else {"C", "R"}
    if limits.move == "stand":
        gone |= {"R"}
    return tuple(s for s in SITUATIONS if s not in gone)


def labelled_restrictions(finding: Finding, now: datetime) -> list[Restriction]:
    """Restrictions in force where this finding is that a label on the unit shows."""
    there = Q(end=finding.end_id) if finding.end_id else Q(pk__in=[])
    if finding.unit_id:
        there |= Q(unit=finding.unit_id)
    rows = Restriction.objects.in_force(now).filter(there, labels__off__isnull=True, labels__since__lte=now)
    return list(rows.distinct())


def deadline_reading(finding: Finding, situations: Sequence[str]) -> int:
    """The worst category over these situations and every weather class; the worst there is without a grade."""
    cells = GradeCell.objects.filter(grade=finding.current_grade_id, situation__in=situations)
    return max(cells.values_list("category", flat=True), default=len(CATEGORIES) - 1)


def terms(finding: Finding, now: datetime) -> Terms:
    """On what terms it may be left now. A fixed number of queries."""
    rules = grading.ruleset(now)
    left = situations_left(finding, now)
    category = deadline_reading(finding, left)
    rule = rules.delegation[category]
    modes = [
        rules.modes[m] for m in (finding.current_grade.modes if finding.current_grade else []) if m in rules.modes
    ]
    days = rule.longest_days or 0
    return Terms(
        category=category,
        situations=left,
        latest=now + timedelta(days=float(days)),
        events=tuple(dict.fromkeys(event for mode in modes for event in mode.expiry)),
        engineer=ENGINEER in rule.by,
        missing=tuple(what_is_missing(finding, rule.needs, now)),
        why_not=why_not(rule, modes),
    )


def why_not(rule, modes) -> str:
    """Why this may not be left at all, in a sentence; "" where it may."""
    if not rule.may_defer:
        return f"It is {CATEGORIES[rule.category]} in a situation that is left: nobody may leave it. {rule.words}"
    kept = [mode.name for mode in modes if not mode.deferrable]
    if kept or not modes:
        names = f" ({'; '.join(kept)})" if kept else ""
        return f"It may be a fault that is never left{names}. A fitter must examine it first."
    return ""


def what_is_missing(finding: Finding, needs: Sequence[str], now: datetime) -> list[str]:
    """Sentences for what the delegation asks for and is not there."""
    labelled = {row.pk for row in labelled_restrictions(finding, now)}
    there = Q(end=finding.end_id) if finding.end_id else Q(unit=finding.unit_id)
    restricted = Restriction.objects.in_force(now).filter(there | Q(unit=finding.unit_id or -1)).exists()
    said = []
    if "restriction" in needs and not restricted:
        said.append("Set a restriction first.")
    if "label" in needs and not labelled:
        said.append("Have the restriction shown by a label on the unit first.")
    return said


def current(finding: Finding, now: datetime) -> Deferral | None:
    """The deferral that counts of a finding, run out or not; None without one."""
    return Deferral.objects.last(now).filter(finding=finding).order_by("-since", "-pk").first()


def defer(
    finding: Finding,
    *,
    version: int,
    by: User,
    now: datetime,
    until: datetime,
    why: str,
    interim: str = "",
    events: Sequence[str] = (),
) -> Deferral:
    """Leave it until `until` or until one of its events. Where the rules ask, it counts once an engineer agrees."""
    rules = grading.ruleset(now)
    on = terms(finding, now)
    if on.why_not or on.missing:
        raise Refused(on.why_not or " ".join(on.missing))
    refuse_times(until, now, on.latest)
    refuse_unless_said(why, interim, needed="interim" in rules.delegation[on.category].needs)
    with transaction.atomic(durable=True):
        changed = act(finding, "defer", "deferred", version, by, now, until=until, why=why, category=on.category)
        if Deferral.objects.last(now).filter(finding=finding).exists() or finding.deferrals.waiting().exists():
            raise Refused("It is deferred already: extend that deferral, or end it first.")
        row = Deferral.objects.create(
            finding=changed,
            category=on.category,
            why=why.strip(),
            interim=interim.strip(),
            by=by,
            since=now,
            until=until,
            events=sorted({*on.events, *(event for event in events if event in rules.expiry_events)}),
            agreed=None if on.engineer else now,
            agreed_by=None if on.engineer else by,
        )
        refuse_if_over(row, now)
        return row


def refuse_times(until: datetime, now: datetime, latest: datetime) -> None:
    if until <= now:
        raise Refused("Choose a time that is still to come.")
    if until > latest:
        raise Refused(f"The longest it may be left is until {latest:%d %B %H:%M} UTC. Choose a time before that.")


def refuse_unless_said(why: str, interim: str, *, needed: bool) -> None:
    if not why.strip():
        raise Refused("Say why it can wait.")
    if needed and not interim.strip():
        raise Refused("Say what is done in the meantime.")


def refuse_if_over(row: Deferral, now: datetime) -> None:
    """A deferral that one of its events has ended before it began would limit the unit at once: say so instead."""
    over = expiry.ended(row, expiry.happened_since([row], now), now)
    if over:
        raise Refused(f"It would end at once: {over.why}.")


def act(finding: Finding, name: str, kind: str, version: int, by: User, now: datetime, **payload) -> Finding:
    """The act on the finding: authority, version, log."""
    return workflow.advance(finding, act=name, version=version, by=by, now=now, kind=kind, changes={}, **payload)


def agree(row: Deferral, *, version: int, by: User, now: datetime) -> Deferral:
    """The engineer agrees: from now on it counts."""
    with transaction.atomic(durable=True):
        act(row.finding, "agree", "deferral agreed", version, by, now, deferral=row.pk)
        if not Deferral.objects.waiting().filter(pk=row.pk, until__gt=now).update(agreed=now, agreed_by=by):
            raise Refused("There is nothing to agree to any more: it was ended, agreed already, or its time is past.")
        return Deferral.objects.get(pk=row.pk)


def extend(row: Deferral, *, version: int, by: User, now: datetime, until: datetime, why: str) -> Deferral:
    """Once more, by the engineer, with a written reason; extensions are counted."""
    rules = grading.ruleset(now)
    on = terms(row.finding, now)
    if on.why_not or on.missing:
        raise Refused(on.why_not or " ".join(on.missing))
    refuse_times(until, now, on.latest)
    refuse_unless_said(why, "", needed=False)
    most = rules.delegation[on.category].extensions
    if extensions_of(row) >= most:
        times = "once" if most == 1 else f"{most} times"
        raise Refused(f"It was extended {times} already, as often as the rules allow. Repair it or restrict it.")
    with transaction.atomic(durable=True):
        changed = act(
            row.finding, "extend", "deferral extended", version, by, now, deferral=row.pk, until=until, why=why
        )
        if not Deferral.objects.last(now).filter(pk=row.pk).exists():
            raise Refused("That deferral no longer counts.")
        new = Deferral.objects.create(
            finding=changed,
            category=on.category,
            why=why.strip(),
            interim=row.interim,
            by=by,
            since=now,
            until=until,
            events=row.events,
            agreed=now,
            agreed_by=by,
            extends=row,
        )
        refuse_if_over(new, now)
        return new


def extensions_of(row: Deferral) -> int:
    """How often this deferral was extended so far."""
    count = 0
    while row.extends_id:
        row, count = row.extends, count + 1
    return count


def recall(row: Deferral, *, version: int, by: User, now: datetime, why: str) -> Deferral:
    """End a deferral early."""
    if not why.strip():
        raise Refused("Say why it is ended.")
    with transaction.atomic(durable=True):
        act(row.finding, "recall", "deferral ended", version, by, now, deferral=row.pk, why=why)
        changed = Deferral.objects.filter(pk=row.pk, ended__isnull=True)
        if not changed.update(ended=now, ended_by=by, ended_why=why.strip()):
            raise Refused("This deferral was ended already.")
        return Deferral.objects.get(pk=row.pk)
