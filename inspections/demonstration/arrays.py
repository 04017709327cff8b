"""The invented railway as columns, from a seed and without a database: for simulation, by the hundred.

The same plan, traffic, rates and seals as the demonstration of that seed; what only people say is left out. The
columns are those `inspections.history` reads from a logbook.
"""

from __future__ import annotations

from functools import lru_cache
from random import Random

import numpy as np

from fleet import railway
from inspections import grading
from inspections.demonstration import truths
from inspections.demonstration.counted import Years
from inspections.demonstration.making import NOW, UNITS, YEARS
from inspections.demonstration.rates import Rates
from inspections.demonstration.seals import batch
from inspections.demonstration.wear import NOT_KNOWN
from inspections.recurrence.record import Changed, Couplings, Faults, Fitted, PartLives, Record, Repaired

ELSEWHERE = "not at a depot"
NOT_SAID = "not said"


@lru_cache(maxsize=1)
def shipped():
    """The shipped ruleset, without a database."""
    return grading.parsed(grading.shipped_text())


def record(
    seed: int,
    *,
    rates: Rates | None = None,
    traffic: railway.Traffic | None = None,
    units: int = UNITS,
    years: int = YEARS,
    now=NOW,
) -> Record:
    """The record of one seed's railway up to the last whole day before `now`. With plain `Rates` and `Traffic`
    nothing is planted in the rates; seals still wear out, and locks are still said to be modified."""
    rates, traffic = rates or truths.Truths(), traffic or truths.Curve()
    built, made = railway.plan(units=units, years=years, now=now, seed=seed, traffic=traffic)
    played = Years(built, made, rates, shipped(), Random(f"{seed} counted"))  # noqa: S311  (a repeatable railway)
    return Columns(built, made, played).record()


class Columns:
    """Rows played → columns."""

    def __init__(self, built: railway.Railway, made: list, played: Years):
        self.built, self.made, self.played = built, made, played
        self.days = int(played.days)
        rules = shipped()
        self.components = tuple(rules.components)
        self.ends = built.ends[: 2 * len(built.units)]
        self.depots = (*sorted(railway.DEPOTS), ELSEWHERE)
        self.places = tuple(sorted(built.places))
        self.couplers = {coupler.pk: n for n, coupler in enumerate(built.couplers)}
        self.signs = tuple(rules.symptoms)
        able = {mode.code for mode in rules.modes.values() if mode.look_at_mates}
        signs = rules.symptoms.values()
        self.marks = [not sign.cant_tell and not able.isdisjoint(sign.modes) for sign in signs]

    def record(self) -> Record:
        """All of it."""
        types, patterns = [kind.code for kind in self.built.types], list(self.built.patterns)
        faults, repaired, actions = self.faults()
        lives, slots, batches = self.lives()
        head = self.components.index("head")
        return Record(
            days=self.days,
            first_day=float(self.built.start.astimezone(railway.LOCAL).timetuple().tm_yday - 1),
            ends=tuple(str(end) for end in self.ends),
            components=self.components,
            signs=self.signs,
            couplers=tuple(coupler.serial for coupler in self.built.couplers),
            places=self.places,
            actions=actions,
            depots=self.depots,
            slots=slots,
            batches=batches,
            changes=(truths.MODIFICATION,),
            types=tuple(types),
            patterns=tuple(patterns),
            type_of_end=np.array([types.index(end.unit.type.code) for end in self.ends]),
            pattern_of_end=np.array([patterns.index(end.pattern.code) for end in self.ends]),
            changed_component=np.array([head]),
            marks=np.array(self.marks),
            usage=self.usage(),
            faults=faults,
            couplings=self.couplings(),
            fitted=self.fitted(),
            repaired=repaired,
            lives=lives,
            changed=self.changed(),
        )

    def usage(self) -> np.ndarray:
        usage = np.zeros((len(self.ends), self.days))
        for end, times in self.played.times.items():
            day = np.array(times, int)
            np.add.at(usage[end], day[day < self.days], 1.0)
        return usage

    def couplings(self) -> Couplings:
        ends = self.played.ends
        rows = [
            (self.played.day(j.at), self.places.index(j.place), *(ends[end.pk] for end in j.pair), j.failed)
            for j in self.made
        ]
        time, place, a, b, failed = (np.array(column) for column in zip(*rows, strict=True))
        keep = time < self.days
        return Couplings(*(column[keep] for column in (time, place, a, b, failed)))

    def fitted(self) -> Fitted:
        rows = [
            (
                self.couplers[f.coupler_id],
                self.played.ends[f.end_id],
                self.played.day(f.fitted),
                self.played.day(f.removed) if f.removed else np.inf,
            )
            for f in self.built.fitments
        ]
        return Fitted(*(np.array(column) for column in zip(*rows, strict=True)))

    def faults(self) -> tuple[Faults, Repaired, tuple[str, ...]]:
        """Findings that count, and the close-outs of all."""
        rows = self.played.faults
        actions = tuple(dict.fromkeys([NOT_SAID, *(row.action for row in rows if row.action)]))
        component = np.array([self.components.index(row.component) for row in rows], int)
        end = np.array([row.end for row in rows], int)
        seen, closed = np.array([row.seen for row in rows]), np.array([row.closed for row in rows])
        watched = np.array([self.watched_until(row.end, row.closed) for row in rows])
        none = np.array([row.outcome == "no fault found" for row in rows], bool)
        coupler = np.array([self.couplers.get(row.coupler, -1) for row in rows], int)
        sign = np.array([self.signs.index(row.symptom) for row in rows], int)
        found = (end, component, sign, coupler, seen, watched - seen)
        faults = Faults(*(column[~none] for column in found), np.flatnonzero(~none))
        repaired = Repaired(
            end,
            component,
            np.array([actions.index(row.action or NOT_SAID) for row in rows], int),
            np.array([self.depots.index(row.depot or ELSEWHERE) for row in rows], int),
            closed,
            watched - closed,
            np.array([row.back for row in rows]),
            np.full(len(rows), float(self.days)),
            none,
        )
        return faults, repaired, actions

    def watched_until(self, end: int, closed: float) -> float:
        """Until when a repair is watched: so many days or so many couplings, whichever ends later."""
        times, rules = self.played.times.get(end, []), shipped()
        n = int(np.searchsorted(times, closed, side="right")) + rules.repeat_couplings - 1
        return max(closed + rules.repeat_days, times[n] if n < len(times) else np.inf)

    def lives(self) -> tuple[PartLives, tuple[str, ...], tuple[str, ...]]:
        """Seals whose age is known, and covers from their first renewal on."""
        rows = [
            (life.slot, life.batch, life.coupler, life.age, life.fitted, life.removed, life.reason == "failed")
            for life in self.played.seals.lives
            if life.age == 0 or life.coupler % NOT_KNOWN
        ]
        rows += [
            ("cover", batch(since, "C"), coupler, 0.0, since, until, until is not None)
            for coupler, since, until in self.played.cover_lives()
        ]
        rows = [row for row in rows if row[4] < self.days]
        slots, batches = sorted({row[0] for row in rows}), sorted({row[1] for row in rows} - {""})
        home = {f.coupler_id: self.depots.index(f.end.unit.home.code) for f in self.built.fitments}
        gone = np.array([row[5] is not None and row[5] <= self.days for row in rows])
        stop = [age + min(self.days if off is None else off, self.days) - on for *_, age, on, off, _ in rows]
        lives = PartLives(
            np.array([slots.index(row[0]) for row in rows]),
            np.array([batches.index(row[1]) if row[1] else -1 for row in rows]),
            np.array([self.couplers[row[2]] for row in rows]),
            np.array([home.get(row[2], -1) for row in rows]),
            np.array([float(int(row[3])) for row in rows]),
            np.array(stop),
            np.array([row[6] for row in rows]) & gone,
            gone,
        )
        return lives, tuple(slots), tuple(batches)

    def changed(self) -> Changed:
        """The modification: at every end of its pattern on one day."""
        mine = [n for n, end in enumerate(self.ends) if end.pattern.code == truths.MODIFIED_PATTERN]
        at = self.played.days - truths.MODIFIED_DAYS_AGO
        return Changed(np.zeros(len(mine), int), np.array(mine), np.full(len(mine), at))
