"""Every question on recurring faults, asked once of one record; and the names that come of it.

A **family** is all that one question is asked about; a name is confirmed within its family at a stated rate of false
ones, so the number asked does not make the list. Windows, levels and families are fixed here, before looking.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence import (
    analysis,
    changing,
    follow,
    holding,
    preparation,
    rates,
    season,
    standing_out,
    trend,
)
from inspections.recurrence.record import Record

METHOD = "1"  # changes when a figure may differ for the same record
FDR = 0.05  # of the ends named, and of the couplers
SIZE = 0.05  # q at most, in the other families
STRICT = 0.02  # q at most for places, trends and batches, where neighbours share what is behind them

# Family → what is asked about.
FAMILIES = {
    "ends": "every component of every end",
    "couplers": "every component of every coupler that was at two ends",
    "types": "every component of every unit type against the others",
    "trends": "every component: the fleet over the whole record; each unit type, the last year against before",
    "modifications": "every modification and the component it was meant for",
    "seasons": "every component",
    "places": "every place where couplings are attempted",
    "repairs": "every component, action and depot with 20 repairs or more",
    "depots": "every depot, for its mix of work",
    "parts": "every slot: whether planned replacement pays",
    "batches": "every slot with two batches or more",
    "mates": "every fault that can mark a mate",
}


@dataclass(frozen=True, slots=True)
class Name:
    """What stands out: the family, and indices into the record's names in the order that the family's text says."""

    family: str
    of: tuple[int | str, ...]


@dataclass(frozen=True, slots=True)
class Overview:
    """The answers, a field or two per family. `burst`: do the fleet's months scatter more than chance? `season_q`:
    per component."""

    days: int
    ends: analysis.Analysis
    burst: season.Burst
    couplers: standing_out.Couplers
    types: list[standing_out.TypeRate]
    trends: list[changing.Moving]
    steps: list[changing.Stepped]
    season_q: np.ndarray
    places: list[follow.PlaceRate]
    repairs: holding.Repairs
    parts: list[holding.Slot]
    batches: list[holding.Batches]
    chains: list[holding.Marked]
    spares: list[holding.Spare]
    names: tuple[Name, ...]


def overview(record: Record, cost_ratio: float = holding.COST_RATIO) -> Overview:
    """All answers on one record. `cost_ratio`: how many planned changes of a part one failure costs."""
    at_ends = standing_out.ends(record, FDR)
    clock = changing.clock(at_ends)
    answers = {
        "ends": at_ends,
        "burst": fleet_months(at_ends, record),
        "couplers": standing_out.couplers(record, at_ends, FDR),
        "types": standing_out.types(record, at_ends),
        "trends": changing.trends(record, at_ends, clock),
        "steps": changing.steps(record, at_ends, clock),
        "season_q": rates.q_values(np.array([each.p for each in at_ends.seasons])),
        "places": places(record),
        "repairs": holding.repairs(record, at_ends, SIZE),
        "parts": holding.parts(record, cost_ratio),
        "batches": holding.batches(record),
        "chains": holding.chains(record),
        "spares": holding.stock(record),
    }
    return Overview(record.days, **answers, names=tuple(names(record, answers)))


def fleet_months(at_ends: analysis.Analysis, record: Record) -> season.Burst:
    """The scatter of the fleet's months, all components together."""
    months = preparation.by_month(at_ends.episodes, at_ends.ran)
    return season.bursts(months.count.sum(axis=0), months.exposure.mean(axis=0), record.first_day + months.at)


def places(record: Record) -> list[follow.PlaceRate]:
    """Failed attempts by place, beyond what the ends that met there explain."""
    met = record.couplings
    known = met.place >= 0
    keys = np.stack([met.place, np.minimum(met.a, met.b), np.maximum(met.a, met.b)], axis=1)[known]
    rows, which = np.unique(keys, axis=0, return_inverse=True)
    tries = np.bincount(which.ravel(), minlength=len(rows))
    failures = np.bincount(which.ravel(), weights=met.failed[known], minlength=len(rows))
    return follow.places(rows[:, 0], rows[:, 1:], tries, failures)


def names(record: Record, answers: dict) -> list[Name]:
    """What stands out in each family, in the families' order."""
    parts = len(record.components)
    at_ends, couplers, repairs = answers["ends"], answers["couplers"], answers["repairs"]
    found = [Name("ends", divmod(int(cell), parts)) for cell in np.flatnonzero(at_ends.confirmed)]
    found += [Name("couplers", divmod(int(cell), parts)) for cell in np.flatnonzero(couplers.confirmed)]
    found += [Name("types", (row.type, row.component)) for row in answers["types"] if row.q <= SIZE]
    found += [
        Name("trends", (row.component, row.type, row.window, row.verdict))
        for row in answers["trends"]
        if row.q <= STRICT and row.verdict in (trend.RISING, trend.FALLING)
    ]
    found += [Name("modifications", (row.change, row.component)) for row in answers["steps"] if row.q <= SIZE]
    found += [Name("seasons", (int(c),)) for c in np.flatnonzero(answers["season_q"] <= SIZE)]
    found += [Name("places", (row.place,)) for row in answers["places"] if row.q <= STRICT and row.ratio.value > 1]
    found += [
        Name("repairs", (row.component, row.action, row.depot))
        for row in repairs.work
        if row.judged.enough and row.judged.q <= SIZE and row.judged.ratio.value > 1
    ]
    found += [
        Name("depots", (row.group,)) for row in repairs.depots if row.enough and row.q <= SIZE and row.ratio.value > 1
    ]
    found += [Name("parts", (row.slot,)) for row in answers["parts"] if row.renewal and row.renewal.recommended]
    found += [Name("batches", (row.slot,)) for row in answers["batches"] if row.q <= STRICT]
    found += [
        Name("mates", (row.fault, int(record.faults.end[row.fault]), int(record.faults.component[row.fault])))
        for row in answers["chains"]
        if row.chain.stands_out
    ]
    return found
