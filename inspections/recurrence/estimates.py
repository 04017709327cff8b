"""A figure with its limits, and the few limits that several questions share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from inspections.recurrence.rates import compare

NAN = float("nan")
LARGEST, SMALLEST = 1e12, 1e-12  # beyond it a figure is no figure; below it, nothing


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its limits; all three nan where there is too little to say."""

    value: float = NAN
    low: float = NAN
    high: float = NAN

    @property
    def known(self) -> bool:
        """Whether there is a value at all."""
        return not np.isnan(self.value)


def numbers(*given: object) -> list[np.ndarray]:
    """The arrays as floats of one shape, at least (1,): what is no number, or beyond LARGEST, is nan; dust is 0.

    Raises ValueError if their shapes do not go together.
    """
    arrays = np.broadcast_arrays(*(np.atleast_1d(np.asarray(x, float)) for x in given))
    return [np.where(np.abs(x) <= LARGEST, np.where(np.abs(x) < SMALLEST, 0.0, x), np.nan) for x in arrays]


def normal_point(level: float) -> float:
    """The point of the normal distribution that cuts off (1 - level)/2: 1.96 at 0.95."""
    from scipy.special import ndtri

    return float(ndtri(0.5 + level / 2))


def wilson(hits: float, of: float, level: float = 0.95) -> Estimate:
    """A share with its score limits (Wilson 1927): 0 of 20 is 0 to 0.16. Of 0: nothing is known."""
    if of <= 0:
        return Estimate()
    z, share = normal_point(level), hits / of
    middle = share + z * z / (2 * of)
    reach = z * np.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    scale = 1 + z * z / of
    low = 0.0 if hits == 0 else (middle - reach) / scale
    high = 1.0 if hits == of else (middle + reach) / scale
    return Estimate(share, float(low), float(high))


def top(likelihood: Callable[[float], float], grid: np.ndarray) -> float:
    """Where a smooth function is highest between the ends of `grid` (ascending); nan if it still rises at an end."""
    from scipy.optimize import minimize_scalar

    values = np.array([likelihood(x) for x in grid])
    best = int(np.argmax(np.where(np.isnan(values), -np.inf, values)))
    if best in (0, len(grid) - 1):
        return NAN
    around = (grid[best - 1], grid[best + 1])
    return float(
        minimize_scalar(lambda x: -likelihood(x), bounds=around, method="bounded", options={"xatol": 1e-9}).x
    )


def likelihood_limits(
    likelihood: Callable[[float], float], at: float, lowest: float, highest: float, level: float = 0.95
) -> tuple[float, float]:
    """Where a log-likelihood has dropped by χ²(1)/2 from its top at `at`; -inf, inf where it has not by the edges."""
    from scipy.optimize import brentq
    from scipy.special import chdtri

    floor = likelihood(at) - chdtri(1, 1 - level) / 2

    def limit(edge: float) -> float:
        if not likelihood(edge) < floor:
            return np.inf if edge > at else -np.inf
        return brentq(lambda x: likelihood(x) - floor, at, edge, xtol=1e-10)

    return limit(lowest), limit(highest)


def common_ratio(first, run_first, second, run_second, level: float = 0.95) -> tuple[Estimate, float]:
    """Rate of `second` over rate of `first`, common to all strata, exact limits and two-sided p of no difference.

    Counts and exposures (k,) or one number each. Given every stratum's total, its second count is binomial with odds
    ratio × run_second / run_first, so strata may have levels of their own (Cox & Lewis 1966; one stratum: Clopper &
    Pearson 1934). p is twice the smaller tail, at most 1, and agrees with the limits. The value is the ratio at which
    the second count is what was to be expected. Strata without exposure on either side say nothing.
    """
    first, run_first, second, run_second = numbers(first, run_first, second, run_second)
    used = (run_first > 0) & (run_second > 0) & (first >= 0) & (second >= 0) & (first + second > 0)
    if not used.any():
        return Estimate(), NAN
    totals = (first + second)[used].astype(int)
    log_odds = np.log(run_second[used]) - np.log(run_first[used])
    seen, total = int(second[used].sum()), int(totals.sum())
    totals, log_odds = _merged(totals, log_odds)
    if len(totals) == 1:
        plain = compare(seen, float(np.exp(log_odds[0])), total - seen, 1.0, level)
        return Estimate(plain.ratio, plain.low, plain.high), plain.p
    middle = _even(totals, log_odds, min(max(seen, 0.5), total - 0.5))
    found, p = tilted_limits(_summed(totals, log_odds + middle), seen, -middle, level)
    value = 0.0 if seen == 0 else np.inf if seen == total else np.exp(middle)
    return Estimate(float(value), *(float(x) for x in np.exp(middle + np.array(found)))), p


def _merged(totals: np.ndarray, log_odds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Strata of the same odds taken together."""
    log_odds, which = np.unique(np.round(log_odds, 12), return_inverse=True)
    return np.bincount(which, weights=totals).astype(int), log_odds


def _even(totals: np.ndarray, log_odds: np.ndarray, seen: float) -> float:
    """ln of the ratio at which `seen` is what was to be expected."""
    from scipy.optimize import brentq
    from scipy.special import expit

    start = -float(np.average(log_odds, weights=totals))
    return brentq(lambda x: float((totals * expit(log_odds + x)).sum()) - seen, start - 130, start + 130, xtol=1e-12)


def _summed(totals: np.ndarray, log_odds: np.ndarray) -> np.ndarray:
    """Chances of every sum of independent binomials, (total + 1,)."""
    from scipy.special import expit
    from scipy.stats import binom

    mass = np.ones(1)
    for n, p in zip(totals, expit(log_odds), strict=True):
        mass = np.convolve(mass, binom.pmf(np.arange(n + 1), n, p))
    return mass


def tilted_limits(mass: np.ndarray, seen: int, at: float, level: float) -> tuple[tuple[float, float], float]:
    """Exact limits of x, and two-sided p at x = `at`, where P(k) ∝ mass[k] exp(kx) and `seen` came about.

    Each limit leaves (1 − level)/2 in its tail; -inf or inf where `seen` is at an end. p is twice the smaller tail.
    """
    from scipy.optimize import brentq

    with np.errstate(divide="ignore"):
        logs = np.log(mass)
    count, tail, reach = np.arange(len(mass)), (1 - level) / 2, 60.0

    def tails(x: float) -> tuple[float, float]:
        tilted = logs + count * x
        tilted = np.exp(tilted - tilted.max())
        return float(tilted[: seen + 1].sum() / tilted.sum()), float(tilted[seen:].sum() / tilted.sum())

    def limit(side: int, edge: float) -> float:
        if (tails(-reach)[side] - tail) * (tails(reach)[side] - tail) >= 0:
            return edge
        return brentq(lambda x: tails(x)[side] - tail, -reach, reach)

    low = -np.inf if seen == 0 else limit(1, -np.inf)
    high = np.inf if seen == len(mass) - 1 else limit(0, np.inf)
    return (low, high), min(1.0, 2 * min(tails(at)))
