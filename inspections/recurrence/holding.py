"""What holds: repairs by what was done and where, parts by slot and batch, and what a damaged end passes on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence import analysis, follow, lives, rates, renewal, repeats, spares, weibull
from inspections.recurrence.estimates import Estimate
from inspections.recurrence.record import Record

COST_RATIO = 5.0  # a failure costs so many planned changes, unless said otherwise
FEW_LIVES = 20
BEFORE = 10.0  # days before a fault was seen in which it may have marked a mate already
AFTER = 10.0  # days after meeting in which a mate's fault counts
AHEAD = 90.0  # days for which spares are reckoned
SERVICE = 0.95


@dataclass(frozen=True, slots=True)
class Work:
    """A component's action at a depot; indices. `judged` against all other repairs of that component."""

    component: int
    action: int
    depot: int
    judged: repeats.Group


@dataclass(frozen=True, slots=True)
class Repairs:
    """`all`: every repair together. `work`: by component, action and depot. `depots`: for their mix of work, what is
    named in `work` left out; `depots` in order of index. `not_found`: no fault found, and what came back.
    `by_component` (components,): held, each component alone."""

    all: repeats.Held
    work: tuple[Work, ...]
    depots: tuple[repeats.Group, ...]
    not_found: repeats.NotFound
    by_component: tuple[repeats.Held, ...]


def repairs(record: Record, judged: analysis.Analysis, size: float = 0.05) -> Repairs:
    """How repairs held. A repair is judged against others of its component; named where q is at most `size`.

    Repairs at confirmed ends are left out of that: there faults come back whoever repairs them.
    """
    given = record.repaired
    cell = record.cell(given.end, given.component)
    usable = (cell >= 0) & np.isfinite(given.closed) & np.isfinite(given.window)
    done = _repairs(record, judged, cell, usable)
    no_fault = given.no_fault[usable]
    fixed = ~no_fault & ~judged.confirmed[cell[usable]]
    mask = [
        _part(done, fixed),
        given.component[usable][fixed],
        given.action[usable][fixed],
        given.depot[usable][fixed],
    ]
    mended, component, action, depot = mask
    keys, group = np.unique(np.stack([component, action, depot], axis=1), axis=0, return_inverse=True)
    groups = repeats.by_group(mended, group.ravel(), component) if len(keys) else []
    work = tuple(Work(*(int(k) for k in keys[g.group]), g) for g in groups)
    named = [g.group for g in groups if g.enough and g.q <= size]
    rest = ~np.isin(group.ravel(), named)
    strata = component * (len(record.actions) + 1) + action
    depots = repeats.by_group(_part(mended, rest), depot[rest], strata[rest]) if rest.any() else []
    every, of = _part(done, ~no_fault), given.component[usable][~no_fault]
    held = tuple(repeats.held(every, of == c) for c in range(len(record.components)))
    return Repairs(repeats.held(every), work, tuple(depots), repeats.not_found(done, no_fault), held)


def _repairs(record: Record, judged: analysis.Analysis, cell: np.ndarray, usable: np.ndarray) -> repeats.Repairs:
    given = record.repaired
    chance = judged.groups.mean * judged.expected.e / max(record.days, 1)
    columns = (given.closed, given.window, given.back, given.until, given.end)
    return repeats.Repairs(*(column[usable] for column in columns), chance[cell[usable]])


def _part(done: repeats.Repairs, mask: np.ndarray) -> repeats.Repairs:
    return repeats.Repairs(
        done.closed[mask],
        done.window[mask],
        done.back[mask],
        done.until[mask],
        done.end[mask],
        done.chance_rate[mask],
    )


@dataclass(frozen=True, slots=True)
class Slot:
    """Lives of the parts of one slot. `renewal` is None below FEW_LIVES parts or FEW_FAILURES failures."""

    slot: int
    survival: lives.Survival
    weibull: weibull.Weibull
    renewal: renewal.Renewal | None


@dataclass(frozen=True, slots=True)
class Batches:
    """Do the batches of a slot last differently? `q` over all slots with two batches or more."""

    slot: int
    compared: lives.Compared
    q: float


def parts(record: Record, cost_ratio: float = COST_RATIO) -> list[Slot]:
    """How long the parts of each slot last, and whether planned replacement pays."""
    found = []
    for slot in range(len(record.slots)):
        mine = record.lives.slot == slot
        start, stop, failed = (
            column[mine] for column in (record.lives.start, record.lives.stop, record.lives.failed)
        )
        enough = mine.sum() >= FEW_LIVES and failed.sum() >= lives.FEW_FAILURES
        again = renewal.renewal(start, stop, failed, record.lives.coupler[mine], cost_ratio) if enough else None
        found.append(Slot(slot, lives.survival(start, stop, failed), weibull.weibull(start, stop, failed), again))
    return found


def batches(record: Record) -> list[Batches]:
    """Each slot's batches against each other; slots with one batch are left out."""
    found = []
    for slot in range(len(record.slots)):
        mine = (record.lives.slot == slot) & (record.lives.batch >= 0)
        _, batch = np.unique(record.lives.batch[mine], return_inverse=True)
        if len(batch) and batch.max() > 0:
            columns = (record.lives.start, record.lives.stop, record.lives.failed)
            found.append((slot, lives.compare_lives(*(column[mine] for column in columns), batch)))
    q = rates.q_values(np.array([compared.p for _, compared in found]))
    return [Batches(slot, compared, float(each)) for (slot, compared), each in zip(found, q, strict=True)]


@dataclass(frozen=True, slots=True)
class Marked:
    """What followed at the mates of a fault. `fault`: index into the record's faults."""

    fault: int
    chain: follow.Chain


def chains(record: Record) -> list[Marked]:
    """Faults that can mark a mate (`marks`), and what was found at the ends met from BEFORE days earlier until it was
    seen. What counts at a mate is the same symptom; its own rate of it is the yardstick."""
    faults, met = record.faults, record.couplings
    able = np.flatnonzero((faults.end >= 0) & (faults.sign >= 0) & record.marks[np.maximum(faults.sign, 0)])
    cell = np.where((faults.end >= 0) & (faults.sign >= 0), faults.end * len(record.signs) + faults.sign, -1)
    joined = (met.a >= 0) & (met.b >= 0) & ~met.failed
    both = np.concatenate([met.a[joined], met.b[joined]])
    other = np.concatenate([met.b[joined], met.a[joined]])
    when = np.concatenate([met.time[joined], met.time[joined]])
    order = np.lexsort((when, both))
    both, other, when = both[order], other[order], when[order]
    edges = np.searchsorted(both, np.arange(len(record.ends) + 1))
    source, mate, at = [], [], []
    for fault in able:
        low, high = edges[faults.end[fault]], edges[faults.end[fault] + 1]
        first = low + np.searchsorted(when[low:high], faults.time[fault] - BEFORE)
        last = low + np.searchsorted(when[low:high], faults.time[fault], side="right")
        source += [fault] * (last - first)
        mate += list(other[first:last] * len(record.signs) + faults.sign[fault])
        at += list(when[first:last])
    cells = len(record.ends) * len(record.signs)
    span = np.zeros(cells), np.full(cells, float(record.days))
    columns = np.array(source, int), np.array(mate, int), np.array(at, float)
    found = follow.chains(*columns, AFTER, cell, faults.time, *span)
    return [Marked(chain.source, chain) for chain in found]


@dataclass(frozen=True, slots=True)
class Spare:
    """Pieces of one slot's part that one depot will want in AHEAD days, with limits, and how many to hold."""

    depot: int
    slot: int
    used: int
    wanted: Estimate
    hold: int


def stock(record: Record) -> list[Spare]:
    """Parts used at each depot, failed or changed as planned, and what that says of the next AHEAD days."""
    given = record.lives
    used = np.zeros((len(record.depots), len(record.slots)))
    gone = (given.depot >= 0) & (given.slot >= 0) & given.used
    np.add.at(used, (given.depot[gone], given.slot[gone]), 1)
    wanted = spares.demand(used, float(record.days), AHEAD)
    hold = spares.stock(wanted, SERVICE)
    return [
        Spare(
            depot,
            slot,
            int(used[depot, slot]),
            Estimate(*(float(x[depot, slot]) for x in (wanted.mean, wanted.low, wanted.high))),
            int(hold[depot, slot]) if np.isfinite(hold[depot, slot]) else 0,
        )
        for depot in range(len(record.depots))
        for slot in range(len(record.slots))
        if used[depot, slot]
    ]
