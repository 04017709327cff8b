"""What does a fault follow: the coupler when it moves, or its position on the unit; the siding; the mate?

Coupler or position: without a swap the two cannot be told apart. A swap was made because of a high count, and high
counts come down by themselves: `r` must be the shrunken rate from before it.
Mates: each is its own yardstick (`stats.md` §8): a cell (an end's component) watched over L days with n findings has
one in any u of those days with chance 1 − (1 − u/L)^n, if they come evenly. The same counts what follows on the SAME
end: give the ordered pair of components as source, and the end's other component as mate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import NAN, Estimate, common_ratio, numbers
from inspections.recurrence.explained import by_ends
from inspections.recurrence.rates import compare, q_values, relative_rate

SURE = 0.9
SIZE = 0.05
LEAST = 3  # mates that must follow before a chain stands out
COUPLER, POSITION, UNDECIDED = "coupler", "position", "undecided"


@dataclass(frozen=True, slots=True)
class Swaps:
    """Per swap, (m,): `log_ratio` ln LR(coupler : position), `p_coupler` at even odds beforehand, `verdict` (COUPLER,
    POSITION or UNDECIDED below SURE).

    All together, of the `counted` swaps whose coupler had r of at least `least` before: `pooled`, rate at the new
    positions over the rate at the old, exact limits (above 1 the faults went with the couplers), `pooled_p`
    two-sided, `pooled_verdict` by the limits. nan where nothing counts."""

    log_ratio: np.ndarray
    p_coupler: np.ndarray
    verdict: tuple[str, ...]
    counted: int
    pooled: Estimate
    pooled_p: float
    pooled_verdict: str


def swaps(r, moved, moved_expected, left, left_expected, least: float = 1.5, level: float = 0.95) -> Swaps:
    """Coupler or position (`stats.md` §6), arrays (m,), one entry per move of a coupler from P to Q.

    `r`: its shrunken relative rate at P before the move. Since the move: `moved` episodes at Q, where it is now, with
    `moved_expected` at the fleet's rate; `left` episodes at P with another coupler, `left_expected` there.
    LR = r^(b − c) exp(−(r − 1)(e_b − e_c)). Under r = 1 nothing was there to follow: undecided.
    """
    r, b, e_b, c, e_c = numbers(r, moved, moved_expected, left, left_expected)
    known = (r > 1) & (b >= 0) & (c >= 0) & (e_b >= 0) & (e_c >= 0)
    safe = np.where(known, r, 1.0)
    b, e_b, c, e_c = (np.where(known, x, 0.0) for x in (b, e_b, c, e_c))
    log_ratio = np.where(known, (b - c) * np.log(safe) - (safe - 1) * (e_b - e_c), 0.0)
    p = 1 / (1 + np.exp(-np.clip(log_ratio, -700, 700)))
    said = tuple(COUPLER if x >= SURE else POSITION if x <= 1 - SURE else UNDECIDED for x in p)
    used = known & (r >= least)
    pooled, pooled_p, together = Estimate(), NAN, UNDECIDED
    if used.any():
        pooled, pooled_p = common_ratio(c[used], e_c[used], b[used], e_b[used], level)
    if pooled.known and pooled_p <= 1 - level:
        together = COUPLER if pooled.value > 1 else POSITION
    return Swaps(log_ratio, p, said, int(used.sum()), pooled, pooled_p, together)


@dataclass(frozen=True, slots=True)
class PlaceRate:
    """`tries` and `failures` at a place; `expected` failures for the ends that met there, were it like the
    others; `ratio` of its rate to the other places that do not stand out, exact limits given the ends; `p`
    two-sided, `q` after allowing for all places. nan where there is nothing to compare with."""

    place: int
    tries: int
    failures: int
    expected: float
    ratio: Estimate
    p: float
    q: float


def places(place, ends, tries, failures, level: float = 0.95) -> list[PlaceRate]:
    """One entry per place with tries, in order of index.

    Rows (n,): `place` index, `tries`, `failures` ≤ tries; `ends` (n, 2) indices of the two ends that met, or (n,) if
    only one is known. An attempt stands in ONE row, with both its ends: in two it would count twice.
    """
    place, tries, failures = numbers(place, tries, failures)
    ends = numbers(ends)[0]
    ends = ends.reshape(len(place), ends.shape[1] if ends.ndim == 2 else 1)
    good = np.isfinite(place + tries + failures + ends.sum(axis=1)) & (tries > 0) & (failures >= 0) & (place >= 0)
    if not good.any():
        return []
    names, where = np.unique(place[good].astype(int), return_inverse=True)
    _, which = np.unique(ends[good], return_inverse=True)
    tries, failures = tries[good], np.minimum(failures[good], tries[good])
    expected = by_ends(where, which.reshape(len(tries), -1), tries, failures)
    n, e, of = (np.bincount(where, weights=x) for x in (failures, expected, tries))
    against = _reference(n, e, level)
    found = [_compared(n, e, against, k, level) for k in range(len(names))]
    p = np.array([x.p if x.ratio.known else np.nan for x in found])
    return [
        PlaceRate(int(s), int(of[k]), int(n[k]), x.expected, x.ratio, float(p[k]), float(q))
        for k, (s, x, q) in enumerate(zip(names, found, q_values(p), strict=True))
    ]


@dataclass(frozen=True, slots=True)
class _Compared:
    expected: float
    ratio: Estimate
    p: float


def _compared(n: np.ndarray, e: np.ndarray, against: np.ndarray, k: int, level: float) -> _Compared:
    """Place k against the places of `against` (bool) but itself."""
    others = against.copy()
    others[k] = False
    rest, rest_e = n[others].sum(), float(e[others].sum())
    found = compare(int(n[k]), float(e[k]), int(rest), rest_e, level)
    expected = float(e[k] * rest / rest_e) if rest_e > 0 else np.nan
    return _Compared(expected, Estimate(*(float(x) for x in (found.ratio, found.low, found.high))), found.p)


def _reference(n: np.ndarray, e: np.ndarray, level: float) -> np.ndarray:
    """Places that do not stand out, (s,) bool: one bad place among the others would make good ones of the rest.

    The one with the smallest p is set aside, then the rest are looked at again, until none does or two are left.
    """
    against = np.ones(len(n), bool)
    while against.sum() > 2:
        inside = np.flatnonzero(against)
        p = np.array([_compared(n, e, against, k, level).p for k in inside])
        if q_values(p).min() > 1 - level:
            break
        against[inside[np.argmin(p)]] = False
    return against


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
    start, stop = numbers(start, stop)
    source, mate, met, window = numbers(source, mate, met, window)
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
    cell, time = numbers(cell, time)
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
