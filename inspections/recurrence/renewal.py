"""At what age is planned replacement worth it? Age replacement of a Weibull life (Barlow & Proschan 1965)."""

from __future__ import annotations

from dataclasses import dataclass

from inspections.recurrence.estimates import Estimate


@dataclass(frozen=True, slots=True)
class Optimum:
    """`age`: best age to replace at (inf: never); `saving`: share of the long-run cost saved against running to
    failure; `earliest`, `latest`: ages that cost at most 2 % more than the best (the cost is flat near it)."""

    age: float
    saving: float
    earliest: float
    latest: float


def best_age(shape: float, scale: float, cost_ratio: float) -> Optimum:
    """Age that makes C(T) = [cp R(T) + cf F(T)] / ∫₀ᵀ R least. `cost_ratio` = cf/cp: a failure over a planned
    change."""
    raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Renewal:
    """`best`: at the fitted Weibull. `age`, `saving`: the same with 90 % limits from resampling whole units.
    `recommended` only where the lower 5 % of the saving, rounded to a percent, is above 0 and the lower limit of the
    shape is above 1; `why`: the words if not."""

    best: Optimum
    age: Estimate
    saving: Estimate
    shape: Estimate
    cost_ratio: float
    recommended: bool
    why: str


def renewal(start, stop, failed, unit, cost_ratio: float, repeats: int = 400, seed: int = 1) -> Renewal:
    """Planned replacement of a part, with how sure that is (`stats.md` §4). `unit` (n,): whose parts are resampled
    together. Same seed, same figures."""
    raise NotImplementedError
