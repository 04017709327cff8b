"""How many of a part a depot will want, and how many to hold.

Uses come as a Poisson process whose rate is known only from the past: a Gamma posterior, hence a negative binomial
for what comes (Gelman et al., Bayesian Data Analysis, 2.6). With little past the limits are wide, and the stock
high: that is the price of not knowing. Planned changes are known and stand outside this; add them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

JEFFREYS = (0.5, 0.0)


@dataclass(frozen=True, slots=True)
class Demand:
    """Uses to come, one per depot and part, all of one shape.

    `mean`, `low`, `high`: expected and 95 % limits (whole numbers). `shape`, `odds`: of the negative binomial; its
    chance of "no more" is 1 / (1 + odds). Where nothing ran all are nan.
    """

    mean: np.ndarray
    low: np.ndarray
    high: np.ndarray
    shape: np.ndarray
    odds: np.ndarray


def demand(
    used: np.ndarray, exposure: np.ndarray, ahead: np.ndarray | float, prior: tuple[float, float] = JEFFREYS
) -> Demand:
    """Uses over `ahead` units of exposure, from `used` over `exposure`.

    Arrays of one shape (depots, parts), or numbers; exposure and ahead in one unit (days, couplings). `prior`: Gamma
    (shape, rate) of the rate; the default is Jeffreys'.
    """
    used, exposure, ahead = np.broadcast_arrays(*(np.asarray(v, float) for v in (used, exposure, ahead)))
    known = np.isfinite(used) & (exposure + prior[1] > 0) & (ahead >= 0)
    shape = np.where(known, used + prior[0], np.nan)
    odds = np.where(known, ahead / np.where(known, exposure + prior[1], 1.0), np.nan)
    low, high = _at_least(shape, odds, 0.025), _at_least(shape, odds, 0.975)
    return Demand(shape * odds, low, high, shape, odds)


def stock(wanted: Demand, service: float = 0.95) -> np.ndarray:
    """Fewest pieces with which the chance of running out is at most 1 - service; of the shape of the demand."""
    return _at_least(wanted.shape, wanted.odds, service)


def _at_least(shape: np.ndarray, odds: np.ndarray, chance: float) -> np.ndarray:
    """Smallest whole number not exceeded with this chance."""
    from scipy import stats

    return stats.nbinom.ppf(chance, shape, 1 / (1 + odds))
