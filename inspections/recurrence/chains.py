"""Damage passed on: does a finding follow at the mate, more often than at that mate anyway?

Each mate is its own yardstick (`stats.md` §8): a cell (an end's component) watched over L days with n findings has
one in any u of those days with chance 1 − (1 − u/L)^n, if they come evenly. The same counts what follows on the SAME
end: give the ordered pair of components as source, and the end's other component as mate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import Estimate
from inspections.recurrence.rates import q_values, relative_rate

LEAST = 3
SIZE = 0.05


@dataclass(frozen=True, slots=True)
class Chain:
    """What followed one source: `mates` it met, `followed` of them with a finding in the window after, `expected` so
    many anyway, `ratio` with exact Poisson limits, `p` of as many or more by chance (exact), `q` over all sources.
    `which`: the mates that followed, in order of index. `stands_out`: q at most 0.05 and enough mates followed."""

    source: int
    mates: int
    followed: int
    expected: float
    ratio: Estimate
    p: float
    q: float
    which: tuple[int, ...]
    stands_out: bool


def chains(source, mate, met, window, event_cell, event_time, start, stop, least: int = LEAST) -> list[Chain]:
    """One entry per source that met a watched mate, in order of index.

    Meetings (m,): `source` index (a damaged end, or its finding), `mate` cell index, `met` day; `window` days, (m,)
    or one number: a finding in (met, met + window] follows. Windows of one source at one mate are joined, and a mate
    counts once. Findings (n,): `event_cell`, `event_time`. Cells (c,): watched in (`start`, `stop`].
    """
    start, stop = np.broadcast_arrays(*(np.atleast_1d(np.asarray(x, float)) for x in (start, stop)))
    source, mate, met, window = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(x, float)) for x in (source, mate, met, window))
    )
    good = np.isfinite(source + met + window) & (mate >= 0) & (mate < len(start)) & (window > 0)
    rows = np.flatnonzero(good)
    rows = rows[np.lexsort((met[rows], mate[rows], source[rows]))]
    events = _by_cell(event_cell, event_time, start, stop)
    followed: dict[int, list[tuple[int, bool, float]]] = {}
    pairs = np.stack([source[rows], mate[rows]], axis=1).astype(int)
    cuts = np.flatnonzero((np.diff(pairs, axis=0) != 0).any(axis=1)) + 1
    for mine in np.split(rows, cuts) if len(rows) else []:
        cell = int(mate[mine[0]])
        length = stop[cell] - start[cell]
        spans = _joined(met[mine], met[mine] + window[mine], start[cell], stop[cell])
        if not length > 0 or not spans:
            continue
        times = events.get(cell, np.zeros(0))
        inside = any(((times > low) & (times <= high)).any() for low, high in spans)
        share = min(1.0, sum(high - low for low, high in spans) / length)
        chance = 1 - (1 - share) ** len(times)
        followed.setdefault(int(source[mine[0]]), []).append((cell, inside, chance))
    found = [_chain(name, followed[name]) for name in sorted(followed)]
    q = q_values(np.array([row[5] for row in found]))
    return [
        Chain(*row[:6], float(x), row[6], bool(x <= SIZE and row[2] >= least))
        for row, x in zip(found, q, strict=True)
    ]


def _by_cell(cell, time, start: np.ndarray, stop: np.ndarray) -> dict[int, np.ndarray]:
    """Times of findings per cell, those in the cell's own watch."""
    cell, time = (np.atleast_1d(np.asarray(x, float)) for x in (cell, time))
    good = np.isfinite(time) & (cell >= 0) & (cell < len(start))
    cell, time = cell[good].astype(int), time[good]
    inside = (time > start[cell]) & (time <= stop[cell])
    cell, time = cell[inside], time[inside]
    order = np.argsort(cell, kind="stable")
    names, first = np.unique(cell[order], return_index=True)
    return dict(zip(names.tolist(), np.split(time[order], first[1:]), strict=False))


def _joined(low: np.ndarray, high: np.ndarray, start: float, stop: float) -> list[tuple[float, float]]:
    """Windows in order of `low`, cut to the watch, those that overlap joined."""
    spans: list[tuple[float, float]] = []
    for a, b in zip(np.maximum(low, start), np.minimum(high, stop), strict=True):
        if spans and a <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(b, spans[-1][1]))
        elif b > a:
            spans.append((float(a), float(b)))
    return spans


def _chain(source: int, mates: list[tuple[int, bool, float]]) -> tuple:
    which = tuple(cell for cell, inside, _ in mates if inside)
    chances = np.array([chance for *_, chance in mates])
    expected = float(chances.sum())
    ratio = Estimate(*(float(x) for x in relative_rate(len(which), expected)))
    return source, len(mates), len(which), expected, ratio, _at_least(chances, len(which)), which


def _at_least(chances: np.ndarray, seen: int) -> float:
    """P(as many or more) of independent yes-or-no with these chances, summed exactly."""
    if seen == 0:
        return 1.0
    mass = np.zeros(len(chances) + 1)
    mass[0] = 1.0
    for chance in chances[chances > 0]:
        mass[1:] = mass[1:] * (1 - chance) + mass[:-1] * chance
        mass[0] *= 1 - chance
    return float(min(1.0, mass[seen:].sum()))
