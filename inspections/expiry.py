"""Which deferrals have run out, and by what: found by query, never set by a job. Reads, writes nothing.

A deferral ends when its time is past or one of its events has happened (`design.md`, definition 8). It stays ended:
every answer looks back over all that happened since it began, late arrivals included.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Q

from fleet.models import Coupling, CouplingSide, FleetEvent, WeatherAlert
from inspections.models import Deferral, Inspection, Visit
from inspections.models.findings import OPEN

FROST = "frost"
FIRST_FROST = "first-frost"
STILL_THERE = timedelta(days=30)  # a unit not seen elsewhere for so long is where it was last seen
TIME = "its time is past"


@dataclass(frozen=True, slots=True)
class RanOut:
    """A deferral that no longer holds: when that came about, and what ended it, in words."""

    deferral: Deferral
    at: datetime
    why: str


@dataclass(frozen=True, slots=True)
class Happened:
    """What happened since the earliest of some deferrals began, oldest first: (time, ...) by what it happened to."""

    couplings_of_end: Mapping[int, Sequence[datetime]]
    couplings_of_unit: Mapping[int, Sequence[datetime]]
    frost_of_unit: Mapping[int, Sequence[datetime]]
    washes_of_unit: Mapping[int, Sequence[datetime]]


def ran_out(at: datetime, *, ends: Iterable[int] | None = None, units: Iterable[int] = ()) -> list[RanOut]:
    """Deferrals of open findings that have run out at `at`, of these ends (ids) or of units where no end is known.

    All of them with `ends` left out. A fixed number of queries.
    """
    rows = Deferral.objects.last(at).filter(finding__state__in=OPEN)
    if ends is not None:
        rows = rows.filter(Q(finding__end__in=ends) | Q(finding__end__isnull=True, finding__unit__in=units))
    rows = list(rows.select_related("finding__current_grade", "finding__end", "finding__unit", "by"))
    told = happened_since(rows, at)
    return [end for row in rows if (end := ended(row, told, at))]


def ended(row: Deferral, told: Happened, at: datetime) -> RanOut | None:
    """How this one ended first, or None while it holds."""
    ends = [(row.until, TIME)] if row.until <= at else []
    for event in row.events:
        times = EVENTS[event][0](row, told) if event in EVENTS else [row.since]
        if times:
            ends.append(
                (times[0], EVENTS[event][1] if event in EVENTS else f"nobody can tell when “{event}” happens")
            )
    return RanOut(row, *min(ends)) if ends else None


def nth_coupling(count: int) -> Callable[[Deferral, Happened], Sequence[datetime]]:
    def times(row: Deferral, told: Happened) -> Sequence[datetime]:
        by = told.couplings_of_end if row.finding.end_id else told.couplings_of_unit
        return after(row, by[row.finding.end_id or unit_of(row)])[count - 1 :]

    return times


def unit_of(row: Deferral) -> int | None:
    """The unit (id) whose weather and washes count: where the end is now, for a vehicle may be exchanged."""
    finding = row.finding
    return finding.end.unit_id if finding.end_id and finding.end.unit_id else finding.unit_id


def after(row: Deferral, times: Sequence[datetime]) -> list[datetime]:
    return [time for time in times if time > row.since]


def not_before(row: Deferral, times: Sequence[datetime]) -> list[datetime]:
    return [time for time in times if time >= row.since]


# Event of the ruleset → when it happened since the deferral began, and what is said then.
EVENTS = {
    "next-coupling": (nth_coupling(1), "it was coupled"),
    "ten-couplings": (nth_coupling(10), "it was coupled ten times"),
    FIRST_FROST: (lambda row, told: not_before(row, told.frost_of_unit[unit_of(row)]), "frost came"),
    "next-wash": (lambda row, told: after(row, told.washes_of_unit[unit_of(row)]), "it was washed"),
}


def happened_since(rows: Sequence[Deferral], at: datetime) -> Happened:
    """What the events of these deferrals are read from. Six queries, whatever their number; none without rows."""
    by_end, by_unit, frost, washes = (defaultdict(list) for _ in range(4))
    if rows:
        since = min(row.since for row in rows)
        units = {unit for row in rows if (unit := unit_of(row))}
        # By the end as well: a vehicle exchanged since is in another unit, and its fault went with it.
        ends = {row.finding.end_id for row in rows if row.finding.end_id}
        sides = CouplingSide.objects.filter(Q(end__in=ends) | Q(end__unit__in=units), at__gt=since, at__lte=at)
        for end, unit, time in sides.order_by("at").values_list("end", "end__unit", "at"):
            by_end[end].append(time)
            by_unit[unit].append(time)
        events = FleetEvent.objects.filter(unit__in=units, kind=FleetEvent.Kind.WASH, since__gt=since, since__lte=at)
        for unit, time in events.order_by("since").values_list("unit", "since"):
            washes[unit].append(time)
        frost |= frosts(units, since, at)
    return Happened(by_end, by_unit, frost, washes)


def frosts(units: set[int], since: datetime, at: datetime) -> dict[int, list[datetime]]:
    """Unit id → when frost or snow was alerted where it is known to have been, or seen by a report on it."""
    found = defaultdict(list)
    seen = Inspection.objects.filter(unit__in=units, weather=FROST, seen__gt=since, seen__lte=at)
    for unit, time in seen.values_list("unit", "seen"):
        found[unit].append(time)
    alerts = WeatherAlert.objects.filter(weather=FROST, since__lte=at).filter(Q(until=None) | Q(until__gt=since))
    cold = defaultdict(list)
    for place, begins, ends in alerts.values_list("place", "since", "until"):
        cold[place].append((begins, ends))
    for unit, stays in whereabouts(units, since - STILL_THERE, at).items():
        for (came, place), (went, _) in zip(stays, [*stays[1:], (at, None)], strict=True):
            for begins, ends in cold[place]:
                start = max(begins, came, since)
                if start <= min(went, ends or at):
                    found[unit].append(start)
    return defaultdict(list, {unit: sorted(times) for unit, times in found.items()})


def whereabouts(units: set[int], since: datetime, at: datetime) -> dict[int, list[tuple[datetime, int]]]:
    """Unit id → [(since when, place id)] in order: couplings, looks and visits say where it was."""
    stays = defaultdict(list)
    couplings = Coupling.objects.filter(sides__end__unit__in=units, at__gt=since, at__lte=at, place__isnull=False)
    looks = Inspection.objects.filter(unit__in=units, seen__gt=since, seen__lte=at, place__isnull=False)
    visits = Visit.objects.filter(unit__in=units, since__gt=since, since__lte=at)
    for rows in (
        couplings.values_list("sides__end__unit", "at", "place"),
        looks.values_list("unit", "seen", "place"),
        visits.values_list("unit", "since", "depot"),
    ):
        for unit, time, place in rows:
            stays[unit].append((time, place))
    return {unit: sorted(times) for unit, times in stays.items()}
