"""At what age is planned replacement worth it? Age replacement of a Weibull life (Barlow & Proschan 1965).

With cp the cost of a planned change and cf that of a failure, replacing at age T costs
C(T) = [cp R(T) + cf F(T)] / ∫₀ᵀ R in the long run, against cf / mean life without. The best T depends on the shape
and on cf/cp only, in units of the scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import NAN, Estimate
from inspections.recurrence.lives import FEW_FAILURES, usable
from inspections.recurrence.weibull import SHAPES, weibull

NEVER = 1e-4  # the share still in use at the best age, below which planned replacement is no plan
NEAR = 1.02
FEW_UNITS = 5
DRAWS = 1000
DEAREST = 1e6  # a failure that costs more planned changes is taken to cost so many


@dataclass(frozen=True, slots=True)
class Optimum:
    """`age`: best age to replace at, inf for never; `saving`: share of the long-run cost saved against running to
    failure; `earliest`, `latest`: between these ages the cost is at most 2 % above the least (it is flat there)."""

    age: float
    saving: float
    earliest: float
    latest: float


def best_age(shape: float, scale: float, cost_ratio: float) -> Optimum:
    """Age that costs least; `cost_ratio` = cf/cp. Never, unless shape > 1 and cost_ratio > 1."""
    from scipy.optimize import brentq

    if not (1 < shape < np.inf and cost_ratio > 1 and scale > 0):
        return Optimum(np.inf, 0.0, np.inf, np.inf)
    cost_ratio = min(cost_ratio, DEAREST)
    last = float(np.log(-np.log(NEVER)) / shape)
    if _slope(last, shape, cost_ratio) <= 0:
        return Optimum(np.inf, 0.0, np.inf, np.inf)
    first = max(-20.0, -600.0 / shape)
    age = brentq(_slope, first, last, args=(shape, cost_ratio), xtol=1e-12)
    least = _cost(age, shape, cost_ratio)

    def dearer(x: float) -> float:
        return float(_cost(x, shape, cost_ratio) / least - NEAR)

    latest = np.exp(brentq(dearer, age, last)) if dearer(last) > 0 else np.inf
    earliest = np.exp(brentq(dearer, first, age))
    return Optimum(scale * float(np.exp(age)), 1 - float(least), scale * float(earliest), scale * float(latest))


def _in_use(age: float, shape: float) -> float:
    """∫₀ᵀ R over the mean life."""
    from scipy.special import gammainc

    return gammainc(1 / shape, np.exp(age * shape))


def _cost(age: float, shape: float, cost_ratio: float) -> float:
    """Long-run cost of replacing at scale·exp(age), over the cost of running to failure."""
    gone = -np.expm1(-np.exp(age * shape))
    return ((1 - gone) / cost_ratio + gone) / _in_use(age, shape)


def _slope(age: float, shape: float, cost_ratio: float) -> float:
    """Rises through 0 at the best age: h(T) ∫₀ᵀ R − F(T) − cp/(cf − cp)."""
    from scipy.special import gamma

    hazard = shape * np.exp(age * (shape - 1))
    gone = -np.expm1(-np.exp(age * shape))
    return float(hazard * gamma(1 + 1 / shape) * _in_use(age, shape) - gone - 1 / (cost_ratio - 1))


@dataclass(frozen=True, slots=True)
class Renewal:
    """`best`: at the fitted Weibull. `age`, `saving`: the same with limits from resampling whole units, nan
    where there is too little. `recommended` only where the lower 5 % of the saving, rounded to a percent, is above 0
    and the lower limit of the shape is above 1; `why` says in words why not, "" where it is."""

    best: Optimum
    age: Estimate
    saving: Estimate
    shape: Estimate
    cost_ratio: float
    recommended: bool
    why: str


def renewal(start, stop, failed, unit, cost_ratio: float, level: float = 0.95, seed: int = 1) -> Renewal:
    """Planned replacement of a part, with how sure that is (`stats.md` §4).

    Lives (n,) as in `lives`; `unit` (n,): units are resampled whole, DRAWS times. Same seed, same figures.
    """
    start, stop, failed, unit = usable(start, stop, failed, unit)
    life = weibull(start, stop, failed)
    best = best_age(life.shape.value, life.scale.value, cost_ratio)
    units = len(np.unique(unit))
    if not life.shape.known or units < FEW_UNITS:
        few = life.failed < FEW_FAILURES
        why = "too few failures" if few else "too few units" if units < FEW_UNITS else "no shape fits"
        return Renewal(best, Estimate(), Estimate(), life.shape, cost_ratio, False, why)
    ages, savings = _resampled(start, stop, failed, unit, cost_ratio, seed)
    tails = ((1 - level) / 2, (1 + level) / 2)
    age = Estimate(best.age, *_points(best.age, ages, tails))
    saving = Estimate(best.saving, *_points(best.saving, savings, tails))
    least = _points(best.saving, savings, (0.05,))[0]
    why = ""
    if cost_ratio <= 1:
        why = "a failure costs no more than a planned change"
    elif life.shape.low <= 1:
        why = "it may not wear out at all"
    elif round(least, 2) <= 0:
        why = "the saving may be nothing"
    return Renewal(best, age, saving, life.shape, cost_ratio, not why, why)


def _points(value: float, drawn: np.ndarray, tails: tuple[float, ...]) -> list[float]:
    """Points of the drawn values at `tails`, moved for the bias they show (Efron's bias-corrected ones)."""
    from scipy.special import ndtr, ndtri

    below = ((drawn < value).sum() + 0.5 * (drawn == value).sum()) / len(drawn)
    shift = ndtri(np.clip(below, 0.5 / len(drawn), 1 - 0.5 / len(drawn)))
    return [float(np.quantile(drawn, ndtr(2 * shift + ndtri(q)), method="inverted_cdf")) for q in tails]


def _resampled(start, stop, failed, unit, cost_ratio, seed) -> tuple[np.ndarray, np.ndarray]:
    """Best age and saving, (DRAWS,) each, of fleets drawn with replacement from the units; never where no fit."""
    names, unit = np.unique(unit, return_inverse=True)
    rng = np.random.default_rng(seed)
    weight = rng.multinomial(len(names), np.full(len(names), 1 / len(names)), DRAWS)[:, unit]
    shape, scale = _fits(start, stop, failed, weight)
    logs = np.linspace(0.0, np.log(SHAPES[1]), 200)
    table = [best_age(float(np.exp(x)), 1.0, cost_ratio) for x in logs]
    log_shape = np.log(np.maximum(shape, 1.0))
    saving = np.interp(log_shape, logs, [best.saving for best in table])
    finite = np.array([np.isfinite(best.age) for best in table])
    if not finite.any():
        return np.full(DRAWS, np.inf), np.zeros(DRAWS)
    log_age = np.interp(log_shape, logs[finite], [np.log(best.age) for best in table if np.isfinite(best.age)])
    never = (saving <= 0) | (log_shape < logs[finite][0])
    return np.where(never, np.inf, scale * np.exp(log_age)), np.where(never, 0.0, saving)


def _fits(start: np.ndarray, stop: np.ndarray, failed: np.ndarray, weight: np.ndarray) -> tuple:
    """Shape and scale, (DRAWS,) each, for lives counted `weight` (DRAWS, n) times; shape 0 where nothing failed.

    One product gives the profile likelihood of all resamples at all shapes of a grid; a parabola through the best
    three refines it.
    """
    longest = stop.max()
    logs = np.linspace(*np.log(SHAPES), 240)
    shapes = np.exp(logs)
    powers = (stop / longest)[:, None] ** shapes - (start / longest)[:, None] ** shapes
    r = (weight @ failed.astype(float))[:, None]
    log_failed = (weight @ np.where(failed, np.log(stop / longest), 0.0))[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        log_hazard = np.log(weight @ powers)
        profile = r * (logs + np.log(r) - log_hazard) + (shapes - 1) * log_failed
        row, best = np.arange(len(weight)), np.clip(np.argmax(profile, axis=1), 1, len(logs) - 2)
        left, middle, right = (profile[row, best + k] for k in (-1, 0, 1))
        bend = left - 2 * middle + right
        shift = np.where(bend < 0, 0.5 * (left - right) / bend, 0.0)
        shift = np.clip(np.nan_to_num(shift), -1.0, 1.0)
        shape = np.exp(logs[best] + shift * (logs[1] - logs[0]))
        hazard = log_hazard[row, best] + shift * (log_hazard[row, best + 1] - log_hazard[row, best - 1]) / 2
        scale = longest * np.exp((hazard - np.log(r[:, 0])) / shape)
    nothing = r[:, 0] == 0
    return np.where(nothing, 0.0, shape), np.where(nothing, NAN, scale)
