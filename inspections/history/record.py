"""Rows → columns: everything the recurring questions ask, up to the end of one local day.

Reads values, never model rows, in a fixed number of queries. A time is days since the local midnight at which the
record begins; clocks that go forward shift a day's edge by an hour, which no count of days notices.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np
from django.utils import timezone

from fleet.models import (
    Coupler,
    CouplerEnd,
    CouplerPattern,
    Coupling,
    CouplingSide,
    Fitment,
    FleetEvent,
    PartFitting,
    Place,
    UnitType,
)
from inspections import grading
from inspections.models import CloseOut, Finding, FleetActionItem
from inspections.recurrence.record import Changed, Couplings, Faults, Fitted, PartLives, Record, Repaired

LONGEST = 3 * 365 + 1  # days of record
DAY = 86400.0
NOT_SAID = "not said"
ELSEWHERE = "not at a depot"


@dataclass(frozen=True, slots=True)
class Told:
    """A record and what its indices are: primary keys of ends, couplers and findings (`faults.source`), by index."""

    record: Record
    first: date
    cut_off: date
    end_pks: tuple[int, ...]
    coupler_pks: tuple[int, ...]
    finding_pks: np.ndarray


class Columns:
    """One query's rows as columns, and the record's clock for its times."""

    def __init__(self, rows: Iterable[tuple], width: int):
        rows = list(rows)
        self.columns = list(zip(*rows, strict=True)) if rows else [()] * width

    def raw(self, n: int) -> Sequence:
        return self.columns[n]

    def index(self, n: int, of: dict) -> np.ndarray:
        """(rows,) int: where each value stands; -1 where it is none of them."""
        return np.array([of.get(value, -1) for value in self.columns[n]], int)

    def days(self, n: int, since: float, empty: float = np.nan) -> np.ndarray:
        """(rows,) float: days since `since` (a timestamp); `empty` where there is no time."""
        return np.array([empty if v is None else (v.timestamp() - since) / DAY for v in self.columns[n]], float)


def midnight(day: date) -> datetime:
    """The local midnight a day begins with."""
    return datetime.combine(day, time(), tzinfo=timezone.get_current_timezone())


def told(cut_off: date) -> Told:
    """The record up to and including the local day `cut_off`, at most LONGEST days long."""
    until = midnight(cut_off + timedelta(days=1))
    oldest = Coupling.objects.filter(at__lt=until).order_by("at").values_list("at", flat=True).first()
    oldest = (
        oldest
        or Finding.objects.filter(first_seen__lt=until)
        .order_by("first_seen")
        .values_list("first_seen", flat=True)
        .first()
    )
    begun = timezone.localdate(oldest) if oldest else cut_off
    first = max(begun, cut_off - timedelta(days=LONGEST - 1))
    return Reader(first, cut_off, until).read()


class Reader:
    """Reads the tables of one record; each method is one or two queries."""

    def __init__(self, first: date, cut_off: date, until: datetime):
        self.first, self.cut_off, self.until = first, cut_off, until
        self.since = midnight(first).timestamp()
        self.days = (cut_off - first).days + 1
        self.rules = grading.ruleset(until)

    def read(self) -> Told:
        """The whole record."""
        self.name_things()
        couplings = self.couplings()
        usage = self.usage(couplings)
        closed = self.closed()
        faults, repaired, pks = self.findings(closed)
        lives = self.part_lives()
        record = Record(
            days=self.days,
            first_day=float(self.first.timetuple().tm_yday - 1),
            **self.names,
            type_of_end=self.type_of_end,
            pattern_of_end=self.pattern_of_end,
            marks=self.marks(),
            usage=usage,
            faults=faults,
            couplings=couplings,
            fitted=self.fitted(),
            repaired=repaired,
            lives=lives,
            **self.changes(),
        )
        return Told(record, self.first, self.cut_off, tuple(self.ends), tuple(self.couplers), pks)

    def name_things(self) -> None:
        """Names and their places in the tuples. Five queries."""
        types = dict(UnitType.objects.values_list("pk", "code"))
        patterns = dict(CouplerPattern.objects.values_list("pk", "code"))
        places = list(Place.objects.order_by("code").values_list("pk", "name", "kind"))
        ends = list(
            CouplerEnd.objects.order_by("pk").values_list(
                "pk", "vehicle", "unit__number", "letter", "unit__type", "pattern", "unit__home"
            )
        )
        couplers = list(Coupler.objects.order_by("pk").values_list("pk", "serial"))
        self.ends = {row[0]: n for n, row in enumerate(ends)}
        self.couplers = {pk: n for n, (pk, _) in enumerate(couplers)}
        self.places = {pk: n for n, (pk, _, _) in enumerate(places)}
        depots = [(pk, code) for pk, code, kind in places if kind == Place.Kind.DEPOT]
        self.depots = {pk: n for n, (pk, _) in enumerate(depots)}
        kinds, builds = list(types), list(patterns)
        self.type_of_end = np.array([kinds.index(row[4]) if row[4] in types else -1 for row in ends], int)
        self.pattern_of_end = np.array([builds.index(row[5]) for row in ends], int)
        self.home = {row[0]: self.depots.get(row[6], -1) for row in ends}
        self.components = {code: n for n, code in enumerate(self.rules.components)}
        self.actions: dict[str, int] = {NOT_SAID: 0}
        self.names = {
            "ends": tuple(f"{number} {letter}" if number else f"vehicle {v}" for _, v, number, letter, *_ in ends),
            "components": tuple(self.components),
            "signs": tuple(self.rules.symptoms),
            "couplers": tuple(serial for _, serial in couplers),
            "places": tuple(code for _, code, _ in places),
            "depots": (*(code for _, code in depots), ELSEWHERE),
            "types": tuple(types.values()),
            "patterns": tuple(patterns.values()),
        }

    def marks(self) -> np.ndarray:
        """Symptoms of a failure mode that can damage the mate; those that may be anything are none."""
        able = {mode.code for mode in self.rules.modes.values() if mode.look_at_mates}
        signs = self.rules.symptoms.values()
        return np.array([not sign.cant_tell and not able.isdisjoint(sign.modes) for sign in signs], bool)

    def couplings(self) -> Couplings:
        """Every coupling and attempt before the cut-off's end, by time. Two queries."""
        rows = Columns(
            Coupling.objects.filter(at__lt=self.until)
            .order_by("at", "pk")
            .values_list("pk", "at", "place", "outcome"),
            4,
        )
        where = {pk: n for n, pk in enumerate(rows.raw(0))}
        sides = Columns(
            CouplingSide.objects.filter(at__lt=self.until).order_by("pk").values_list("coupling", "end"), 2
        )
        both = np.full((2, len(where)), -1)
        end = sides.index(1, self.ends)
        for coupling, at in zip(sides.raw(0), end, strict=True):
            n = where.get(coupling)
            if n is not None:
                both[0 if both[0, n] < 0 else 1, n] = at
        failed = np.array([outcome != Coupling.Outcome.COUPLED for outcome in rows.raw(3)], bool)
        return Couplings(rows.days(1, self.since), rows.index(2, self.places), both[0], both[1], failed)

    def usage(self, met: Couplings) -> np.ndarray:
        """(ends, days): couplings and attempts; keeps each end's times for the windows counted in couplings."""
        end, at = np.concatenate([met.a, met.b]), np.concatenate([met.time, met.time])
        end, at = end[end >= 0], at[end >= 0]
        order = np.lexsort((at, end))
        self.end_times = np.split(at[order], np.searchsorted(end[order], np.arange(1, len(self.ends))))
        inside = (at >= 0) & (at < self.days)
        usage = np.zeros((len(self.ends), self.days))
        np.add.at(usage, (end[inside], at[inside].astype(int)), 1.0)
        return usage

    def closed(self) -> dict[int, tuple[str, str]]:
        """Finding → (outcome, action) of the close-out in force. One query."""
        rows = CloseOut.objects.filter(voided__isnull=True, signed__lt=self.until)
        return {pk: (outcome, action) for pk, outcome, action in rows.values_list("finding", "outcome", "action")}

    def findings(self, closed: dict[int, tuple[str, str]]) -> tuple[Faults, Repaired, np.ndarray]:
        """Faults that count, and the repairs of those that were closed. One query."""
        gone = (Finding.State.MERGED, Finding.State.WITHDRAWN)
        asked = ("pk", "end", "component", "coupler", "first_seen", "closed", "repeat_of", "visit__depot", "symptom")
        rows = Finding.objects.filter(first_seen__lt=self.until).exclude(state__in=gone)
        rows = Columns(rows.order_by("first_seen", "pk").values_list(*asked), len(asked))
        pks = rows.raw(0)
        end, component, coupler = (
            rows.index(1, self.ends),
            rows.index(2, self.components),
            rows.index(3, self.couplers),
        )
        seen, over = rows.days(4, self.since), rows.days(5, self.since, np.inf)
        over = np.where(over > self.days, np.inf, over)
        watched = self.watched_until(end, over)
        outcome = [closed.get(pk, ("", ""))[0] for pk in pks]
        no_fault = np.array([word == CloseOut.Outcome.NOT_FOUND for word in outcome], bool)
        counts = ~no_fault
        sign = rows.index(8, {code: n for n, code in enumerate(self.rules.symptoms)})
        columns = (end, component, sign, coupler, seen, watched - seen)
        faults = Faults(*(column[counts] for column in columns), np.flatnonzero(counts))
        back: dict[int, float] = {}
        for of, at in zip(rows.raw(6), seen, strict=True):
            if of is not None:
                back[of] = min(back.get(of, np.inf), float(at))
        window = np.subtract(watched, over, out=np.full(len(over), np.inf), where=np.isfinite(over))
        signed = np.array([word != "" for word in outcome], bool) & np.isfinite(over)
        action = [self.actions.setdefault(closed.get(pk, ("", ""))[1] or NOT_SAID, len(self.actions)) for pk in pks]
        depot = rows.index(7, self.depots)
        columns = (
            end,
            component,
            np.array(action, int),
            np.where(depot < 0, len(self.depots), depot),
            over,
            window,
            np.array([back.get(pk, np.nan) for pk in pks], float),
            np.full(len(pks), float(self.days)),
            no_fault,
        )
        repaired = Repaired(*(column[signed] for column in columns))
        self.names["actions"] = tuple(self.actions)
        return faults, repaired, np.array(pks, int)

    def watched_until(self, end: np.ndarray, over: np.ndarray) -> np.ndarray:
        """(n,) day until which a fault closed at `over` is watched: so many days, or so many couplings, the later."""
        by_days = over + self.rules.repeat_days
        nth = self.rules.repeat_couplings
        for n in np.flatnonzero(np.isfinite(over) & (end >= 0)):
            times = self.end_times[end[n]]
            last = np.searchsorted(times, over[n], side="right") + nth - 1
            by_days[n] = max(by_days[n], times[last] if last < len(times) else np.inf)
        return by_days

    def fitted(self) -> Fitted:
        """Where every coupler was. One query."""
        rows = Fitment.objects.filter(fitted__lt=self.until).order_by("fitted", "pk")
        rows = Columns(rows.values_list("coupler", "end", "fitted", "removed"), 4)
        until = rows.days(3, self.since, np.inf)
        where = rows.index(0, self.couplers), rows.index(1, self.ends)
        return Fitted(*where, rows.days(2, self.since), until)

    def part_lives(self) -> PartLives:
        """Lives of parts whose age is known, up to the cut-off. Two queries."""
        asked = ("slot", "batch", "coupler", "fitted", "removed", "age_days", "reason")
        rows = PartFitting.objects.filter(fitted__lt=self.until, age_days__isnull=False).order_by("fitted", "pk")
        rows = Columns(rows.values_list(*asked), len(asked))
        slots = {slot: n for n, slot in enumerate(dict.fromkeys(sorted(rows.raw(0))))}
        made = {batch: n for n, batch in enumerate(dict.fromkeys(sorted(filter(None, rows.raw(1)))))}
        self.names["slots"], self.names["batches"] = tuple(slots), tuple(made)
        fitted, removed = rows.days(3, self.since), rows.days(4, self.since, np.inf)
        gone = removed <= self.days
        start = np.array(rows.raw(5), float)
        failed = np.array([reason == PartFitting.Reason.FAILED for reason in rows.raw(6)], bool) & gone
        stop = start + np.minimum(removed, self.days) - fitted
        homes = dict(Fitment.objects.order_by("fitted").values_list("coupler", "end"))
        depot = np.array([self.home.get(homes.get(coupler), -1) for coupler in rows.raw(2)], int)
        where = rows.index(0, slots), rows.index(1, made), rows.index(2, self.couplers), depot
        return PartLives(*where, start, stop, failed, gone & (removed >= 0))

    def changes(self) -> dict:
        """What was done to ends to better them: fleet actions, and modifications among the fleet's events."""
        items = FleetActionItem.objects.filter(done__lt=self.until).order_by("done", "pk")
        items = items.values_list("action__what", "action__component", "end", "coupler", "done")
        events = FleetEvent.objects.filter(kind=FleetEvent.Kind.MODIFICATION, since__lt=self.until)
        events = events.order_by("since", "pk").values_list("note", "unit", "end", "coupler", "since")
        at_end = dict(Fitment.objects.filter(removed__isnull=True).values_list("coupler", "end"))
        of_unit = units_ends(CouplerEnd.objects.filter(unit__isnull=False).values_list("unit", "pk"))
        done: list[tuple[str, str, int, datetime]] = []
        for what, component, end, coupler, at in items:
            done += [(what, component, end or at_end.get(coupler, -1), at)]
        for note, unit, end, coupler, at in events:
            on = [end] if end else [at_end[coupler]] if coupler in at_end else of_unit.get(unit, [])
            done += [(note or "Modification", "", each, at) for each in on]
        names = {key: n for n, key in enumerate(dict.fromkeys((what, component) for what, component, _, _ in done))}
        rows = Columns(((names[what, part], self.ends.get(end, -1), at) for what, part, end, at in done), 3)
        keep = np.array(rows.raw(1), int) >= 0
        change = np.array(rows.raw(0), int)[keep]
        changed = Changed(change, np.array(rows.raw(1), int)[keep], rows.days(2, self.since)[keep])
        meant = np.array([self.components.get(part, -1) for _, part in names], int)
        return {"changes": tuple(what for what, _ in names), "changed_component": meant, "changed": changed}


def units_ends(pairs: Iterable[tuple[int, int]]) -> dict[int, list[int]]:
    """Unit → its ends."""
    found: dict[int, list[int]] = {}
    for unit, end in pairs:
        found.setdefault(unit, []).append(end)
    return found
