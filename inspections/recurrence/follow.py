"""What does the fault follow: the coupler or its place on the unit; the siding; the mate?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import Estimate

SURE = 0.9
COUPLER, POSITION, UNDECIDED = "coupler", "position", "undecided"


@dataclass(frozen=True, slots=True)
class Swaps:
    """Coupler X moved from end P to end Q; another came to P. Per swap, (m,): `log_ratio` ln LR(coupler : position),
    `p_coupler` at even odds beforehand, `verdict` (COUPLER, POSITION or UNDECIDED below SURE).
    `pooled`: rate at the new places over the rate at the old, all swaps that count together, exact limits; above 1
    the fault went with the coupler; `pooled_p` two-sided; `pooled_verdict`. `counted`: swaps of couplers whose `r`
    was at least `least`."""

    log_ratio: np.ndarray
    p_coupler: np.ndarray
    verdict: tuple[str, ...]
    counted: int
    pooled: Estimate
    pooled_p: float
    pooled_verdict: str


def swaps(r, with_coupler, expected_with, at_old, expected_old, least: float = 1.5, level: float = 0.95) -> Swaps:
    """Serial or place (`stats.md` §6), arrays (m,): `r` shrunken relative rate before the swap (never the raw one: a
    high count made the swap); `with_coupler` episodes at Q since with `expected_with` there; `at_old` at P,
    `expected_old`."""
    raise NotImplementedError


@dataclass(frozen=True, slots=True)
class PlaceRate:
    """`tries` and `failures` of coupling attempts at a place; `expected` failures for the ends that met there, were
    it like all other places; `ratio` against all other places, exact limits given the ends; `p` two-sided; `q` after
    allowing for all places."""

    place: int
    tries: int
    failures: int
    expected: float
    ratio: Estimate
    p: float
    q: float


def places(place, ends, tries, failures, level: float = 0.95) -> list[PlaceRate]:
    """Places where attempts fail beyond what their ends explain. Rows (n,): `place` index, `tries`, `failures`;
    `ends` (n,) or (n, 2) indices of the ends that met: an attempt must stand in ONE row, with both its ends.

    Failures ~ tries × place × each end, fitted by turns; end effects are shrunk towards 1. In order of index."""
    raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Chain:
    """What followed at the mates of one source: `mates` met, `followed` of them had a finding in the window after,
    `expected` from each mate end's own rate, `ratio` with exact limits, `p` one-sided, `q` over all sources."""

    source: int
    mates: int
    followed: int
    expected: float
    ratio: Estimate
    p: float
    q: float
    stands_out: bool


def chains(source, mate, met, window, event_cell, event_time, start, stop, least: int = 3) -> list[Chain]:
    """Damage passed on: after a damaged end met a mate, findings at that mate within `window` days.

    Meetings (m,): `source` index (the damaged end, or its finding; or an ordered pair of components), `mate` cell
    index, `met` day. Findings (n,): `event_cell`, `event_time`. Cells (c,): `start`, `stop` watched. A mate's
    windows are joined, a mate counts once; expected 1 − (1 − u/L)^n for a cell with n findings in L days, u of them
    in the windows (`stats.md` §8 Q8): each cell is its own yardstick. Assumes a cell's findings otherwise come
    evenly over its time.
    """
    raise NotImplementedError
