"""What does a fault follow: the coupler when it moves, or its position on the unit?

Without a swap the two cannot be told apart. A swap was made because of a high count, and high counts come down by
themselves: `r` must be the shrunken rate from before it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import NAN, Estimate, common_ratio

SURE = 0.9
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
    r, b, e_b, c, e_c = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(x, float)) for x in (r, moved, moved_expected, left, left_expected))
    )
    known = np.isfinite(r + b + e_b + c + e_c) & (r > 1) & (b >= 0) & (c >= 0) & (e_b >= 0) & (e_c >= 0)
    safe = np.where(known, r, 1.0)
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
