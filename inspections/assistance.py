"""How a unit that fails is got away when neither of its ends can be used: the plan it needs before it leaves.

An end is not usable when its limits, about to couple, say "do not couple" or "do not rely on it for rescue": whoever
comes to help would have to act against one of them, so somebody must have thought of it before. The plan is a log
entry on the unit. It holds while nothing new limits those ends: what comes later asks for it again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.contrib.auth.models import User
from django.db import transaction

from fleet.models import Unit
from inspections import log, permissions, standing
from inspections.models import LogEntry
from inspections.permissions import Refused
from inspections.rules.limits import NO_LIMITS

ACT = "plan assistance"
KIND = "assistance planned"


@dataclass(frozen=True, slots=True)
class Plan:
    """How assistance is given, with what, agreed with whom; `holds` until something new limits the ends."""

    how: str
    means: str
    whom: str
    by: User
    at: datetime
    holds: bool


@dataclass(frozen=True, slots=True)
class Need:
    """A unit with neither end usable, and its last plan (None where there never was one)."""

    unit: Unit
    plan: Plan | None

    @property
    def missing(self) -> bool:
        """True where no plan holds: the unit must not leave like this."""
        return self.plan is None or not self.plan.holds


def wanted(now: datetime) -> list[Need]:
    """Every unit that needs a plan, those without one first. A fixed number of queries."""
    units = list(Unit.objects.select_related("type"))
    needs = of_standings(standing.of_units(units, now).values())
    return sorted(needs.values(), key=lambda need: (not need.missing, need.unit.number))


def missing_for(units: Iterable[Unit], now: datetime) -> set[int]:
    """Ids of those of these units that need a plan and have none that holds. A fixed number of queries."""
    units = {unit.pk: unit for unit in units if unit}
    needs = of_standings(standing.of_units(list(units.values()), now).values()) if units else {}
    return {pk for pk, need in needs.items() if need.missing}


def of_standings(known: Iterable[standing.UnitStanding]) -> dict[int, Need]:
    """Unit id → its need, for those of these units that have one. One query."""
    in_need = [one for one in known if is_needed(one)]
    plans = last_plans([one.unit for one in in_need]) if in_need else {}
    return {
        one.unit.pk: Need(one.unit, plan_of(plans[one.unit.pk], one) if one.unit.pk in plans else None)
        for one in in_need
    }


def is_needed(known: standing.UnitStanding) -> bool:
    """True where no end of the unit can be used."""
    return bool(known.ends) and not any(is_usable(end) for end in known.ends)


def is_usable(end: standing.EndStanding) -> bool:
    """True for an end that may be coupled and relied on for rescue."""
    limits = end.situations["C"].limits
    return limits.couple != "not" and limits.rescue == "yes"


def what_stops(known: standing.UnitStanding) -> set[str]:
    """What keeps the ends from being used, as a plan remembers it: "201 A finding 00104289"."""
    found = set()
    for end in known.ends:
        sources = [source for source in end.situations["C"].sources if source.limits != NO_LIMITS]
        alone = [source for source in sources if source.limits.couple == "not" or source.limits.rescue == "no"]
        found |= {f"{end.end.vehicle} {source.kind} {source.row or source.name}" for source in alone or sources}
    return found


def last_plans(units: Sequence[Unit]) -> dict[int, LogEntry]:
    """Unit id → its last plan's log entry."""
    by_subject = {f"unit:{unit.number}": unit.pk for unit in units}
    entries = LogEntry.objects.filter(subject__in=by_subject, kind=KIND).select_related("actor").order_by("seq")
    return {by_subject[entry.subject]: entry for entry in entries}


def plan_of(entry: LogEntry, known: standing.UnitStanding) -> Plan:
    """The plan in a log entry; it holds while what stops the ends now was known then."""
    said = entry.data
    holds = what_stops(known) <= set(said["stops"])
    return Plan(said["how"], said["means"], said["whom"], entry.actor, entry.happened, holds)


def plan(unit: Unit, *, how: str, means: str, whom: str, by: User, now: datetime) -> Plan:
    """Record how the unit would be assisted. The same said again while it holds records nothing more."""
    if not permissions.may(by, ACT):
        raise Refused("Your role may not record an assistance plan.")
    for words, sentence in (
        (how, "Say how it would be got away."),
        (means, "Say with what: adapter, locomotive, unit."),
        (whom, "Say with whom this was agreed."),
    ):
        if not words.strip():
            raise Refused(sentence)
    said = {"how": how.strip(), "means": means.strip(), "whom": whom.strip()}
    with transaction.atomic(durable=True):
        log.hold()
        known = standing.of_units([unit], now)[unit.pk]
        need = of_standings([known]).get(unit.pk)
        if need is None:
            raise Refused("An end of this unit can be used: it needs no assistance plan.")
        if not need.missing and said == {key: getattr(need.plan, key) for key in said}:
            return need.plan
        entry = log.write(
            subject=f"unit:{unit.number}",
            kind=KIND,
            actor=by.pk,
            happened=now,
            written=now,
            stops=sorted(what_stops(known)),
            **said,
        )
    return plan_of(entry, known)
