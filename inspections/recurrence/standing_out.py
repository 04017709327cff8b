"""Which ends, couplers and unit types fault more than chance, and what the fault follows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence import analysis, follow, preparation, rates
from inspections.recurrence.record import Record

LEAST_STAY = 60.0  # days at an end, for a coupler to count as having been there


def ends(record: Record, fdr: float) -> analysis.Analysis:
    """Every component of every end, those without a fault among them."""
    faults = record.faults
    return analysis.analyse(
        record.cell(faults.end, faults.component),
        faults.time,
        faults.window,
        record.usage,
        None,
        record.end_of_cell,
        record.component_of_cell,
        record.first_day,
        fdr,
    )


@dataclass(frozen=True, slots=True)
class Move:
    """A coupler that stood out for a component, when it went from one end to another; indices. `before`: its rate
    relative to the fleet before, shrunken. Then, since: episodes and expected counts with the coupler at the new end
    (`with_coupler`) and at the old end without it (`at_old`). `p_coupler`: how likely the fault goes with the
    coupler; `verdict`: of `follow`."""

    coupler: int
    component: int
    from_end: int
    to_end: int
    at: float
    before: float
    with_coupler: int
    expected_with: float
    at_old: int
    expected_old: float
    p_coupler: float
    verdict: str


@dataclass(frozen=True, slots=True)
class Couplers:
    """`judged`: as for ends, by cell coupler × component. `moved` (couplers,) bool: at two ends for LEAST_STAY days
    each. `moves`: of those cells that stand out. `confirmed` (cells,) bool: stands out, and went with the coupler."""

    judged: analysis.Analysis
    moved: np.ndarray
    moves: tuple[Move, ...]
    confirmed: np.ndarray


def couplers(record: Record, at_ends: analysis.Analysis, fdr: float) -> Couplers:
    """Every component of every coupler by serial, wherever it was. Only one that moved can be told from its end."""
    count, parts = len(record.couplers), len(record.components)
    faults = record.faults
    known = (faults.coupler >= 0) & (faults.component >= 0)
    judged = analysis.analyse(
        np.where(known, faults.coupler * parts + faults.component, -1),
        faults.time,
        faults.window,
        usage_of_couplers(record),
        None,
        np.repeat(np.arange(count), parts),
        np.tile(np.arange(parts), count),
        record.first_day,
        fdr,
    )
    stays = np.minimum(record.fitted.until, record.days) - np.maximum(record.fitted.since, 0.0)
    moved = np.bincount(record.fitted.coupler[stays >= LEAST_STAY], minlength=count) >= 2
    out = (judged.confirmed | judged.watched) & np.repeat(moved, parts)
    moves = tuple(move for cell in np.flatnonzero(out) for move in moves_of(record, at_ends, judged, int(cell)))
    went = {(move.coupler, move.component) for move in moves if move.verdict == follow.COUPLER}
    stayed = {(move.coupler, move.component) for move in moves if move.verdict == follow.POSITION}
    sure = [divmod(int(cell), parts) for cell in np.flatnonzero(judged.confirmed)]
    confirmed = np.zeros(count * parts, bool)
    confirmed[[c * parts + p for c, p in sure if (c, p) in went - stayed]] = True
    return Couplers(judged, moved, moves, confirmed)


def usage_of_couplers(record: Record) -> np.ndarray:
    """(couplers, days): what each ran, taken from the ends it was at; a day counts for where it began."""
    usage = np.zeros((len(record.couplers), record.days))
    day = np.arange(record.days)
    fitted = record.fitted
    for coupler, end, since, until in zip(fitted.coupler, fitted.end, fitted.since, fitted.until, strict=True):
        if coupler >= 0 and end >= 0:
            there = (day >= np.floor(since)) & (day < np.floor(until))
            usage[coupler] += np.where(there, record.usage[end], 0.0)
    return usage


def moves_of(record: Record, at_ends: analysis.Analysis, judged: analysis.Analysis, cell: int) -> list[Move]:
    """The moves of one coupler, judged for one component."""
    coupler, component = divmod(cell, len(record.components))
    mine = np.flatnonzero((record.fitted.coupler == coupler) & (record.fitted.until > 0))
    mine = mine[np.argsort(record.fitted.since[mine])]
    found = []
    for first, second in zip(mine, mine[1:], strict=False):
        at = float(record.fitted.since[second])
        old, new = int(record.fitted.end[first]), int(record.fitted.end[second])
        if old < 0 or new < 0 or not 0 < at < record.days:
            continue
        until = min(float(record.fitted.until[second]), record.days)
        before = preparation.between(at_ends.episodes, at_ends.ran, at_ends.expected.rate, 0.0, at)
        since = preparation.between(at_ends.episodes, at_ends.ran, at_ends.expected.rate, at, until)
        was, now, left = (int(record.cell(np.array(e), np.array(component))) for e in (old, new, old))
        r = shrunken(judged.groups, before.n[was], before.e[was])
        counts = int(since.n[now]), float(since.e[now]), int(since.n[left]), float(since.e[left])
        told = follow.swaps([r], [counts[0]], [counts[1]], [counts[2]], [counts[3]])
        p = float(told.p_coupler[0])
        found.append(Move(coupler, component, old, new, at, r, *counts, p, told.verdict[0]))
    return found


def shrunken(groups: rates.TwoGroups, n: float, e: float) -> float:
    """Posterior mean of the rate relative to the fleet for `n` episodes where `e` were expected, given the groups."""
    from scipy.stats import nbinom

    shapes = np.array([groups.shape, rates.BAD_SHAPE])
    ordinary = 1 / (1 - groups.share + groups.share * groups.times)  # so that the fleet's mean is 1
    means = np.array([ordinary, ordinary * groups.times])
    weight = np.array([1 - groups.share, groups.share]) * nbinom.pmf(n, shapes, shapes / (shapes + means * e))
    return float(((shapes + n) / (shapes / means + e) * weight).sum() / weight.sum())


@dataclass(frozen=True, slots=True)
class TypeRate:
    """Episodes of a component on one unit type, cells confirmed by themselves left out: `n` over `e` expected; rate
    over that of all other types; `q` after allowing for all pairs of type and component."""

    type: int
    component: int
    n: int
    e: float
    ratio: rates.Ratio
    q: float


def types(record: Record, at_ends: analysis.Analysis) -> list[TypeRate]:
    """Does one unit type fault more than the others? Each type against all the others, each component."""
    keep = ~at_ends.confirmed
    type_of = record.type_of_end[record.end_of_cell]
    found = []
    for component in range(len(record.components)):
        here = keep & (record.component_of_cell == component)
        for kind in range(len(record.types)):
            mine, rest = here & (type_of == kind), here & (type_of != kind)
            n, others = int(at_ends.expected.n[mine].sum()), int(at_ends.expected.n[rest].sum())
            e = float(at_ends.expected.e[mine].sum())
            ratio = rates.compare(n, e, others, float(at_ends.expected.e[rest].sum()))
            found.append((kind, component, n, e, ratio))
    q = rates.q_values(np.array([ratio.p for *_, ratio in found]))
    return [TypeRate(*row, float(each)) for row, each in zip(found, q, strict=True)]
