"""Weibull life of a part that is really replaced: S(t) = exp(−(t/scale)^shape). Lives as in `lives`.

With r failures and H(b) = Σ (stop^b − start^b), the log-likelihood at shape b is highest at scale^b = H/r; around it,
with u = (H/r)/scale^b, it drops by r(u − 1 − ln u). So for every shape the scales within reach are known in closed
form (Lambert's W), and the likelihood limits of any age of the life are its extremes over that region.
Sources: IEC 61649; Meeker & Escobar (1998).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import Estimate, likelihood_limits, top
from inspections.recurrence.lives import FEW_FAILURES, usable

SHAPES = (0.05, 50.0)
STEPS = 200


@dataclass(frozen=True, slots=True)
class Weibull:
    """`shape`, `scale`, `b10` (age by which 10 % have failed), `b50` (median), `mean`, each with likelihood limits.
    All unknown (nan) with under FEW_FAILURES failures, or where no shape fits best. `parts`, `failed`: lives and
    failures."""

    parts: int
    failed: int
    shape: Estimate
    scale: Estimate
    b10: Estimate
    b50: Estimate
    mean: Estimate


def weibull(start, stop, failed, level: float = 0.95) -> Weibull:
    """Maximum likelihood with late entries and survivors, profile-likelihood limits."""
    start, stop, failed = usable(start, stop, failed)
    r = int(failed.sum())
    unknown = Weibull(len(stop), r, *(Estimate() for _ in range(5)))
    if r < FEW_FAILURES:
        return unknown
    unit = float(stop.max())
    lives = Scaled(start / unit, stop / unit, float(np.log(stop[failed] / unit).sum()), r)
    edges = [float(np.log(b)) for b in SHAPES]
    best = top(lives.profile, np.linspace(*edges, 120))
    if np.isnan(best):
        return unknown
    limits = likelihood_limits(lives.profile, best, *edges, level)
    shape = Estimate(*(float(np.exp(x)) for x in (best, *limits)))
    region = lives.region(best, np.clip(limits, *edges), level)
    ages = (
        lambda b, log_scale: log_scale,
        lambda b, log_scale: log_scale + np.log(-np.log1p(-0.1)) / b,
        lambda b, log_scale: log_scale + np.log(np.log(2)) / b,
        mean_log,
    )
    return Weibull(len(stop), r, shape, *(_extremes(age, region, unit) for age in ages))


@dataclass(frozen=True, slots=True)
class Scaled:
    """Lives in units of the longest, so that no power overflows: `start`, `stop` (n,), the sum of ln stop over the
    `failures`."""

    start: np.ndarray
    stop: np.ndarray
    log_failed: float
    failures: int

    def log_hazard(self, shape: np.ndarray) -> np.ndarray:
        """ln H at shapes, same shape."""
        shape = np.asarray(shape)[..., None]
        return np.log((self.stop**shape - self.start**shape).sum(axis=-1))

    def profile(self, log_shape: np.ndarray) -> np.ndarray:
        """Log-likelihood at the best scale for each shape, same shape."""
        b, r = np.exp(log_shape), self.failures
        return r * (log_shape + np.log(r) - self.log_hazard(b) - 1) + (b - 1) * self.log_failed

    def region(self, best: float, limits: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(shape, ln low scale, ln high scale), (m,) each: the edge of the likelihood region; first the best fit."""
        from scipy.special import chdtri, lambertw

        logs = np.concatenate([[best], np.linspace(limits[0], limits[1], STEPS)])
        allowed = chdtri(1, 1 - level) / 2
        drop = self.profile(logs)
        left = np.clip(drop - drop[0] + allowed, 0.0, None) / self.failures
        left[0] = 0.0
        b = np.exp(logs)
        middle = self.log_hazard(b) - np.log(self.failures)
        near = left < 1e-12
        u_low, u_high = (
            np.where(near, 1.0, -lambertw(-np.exp(-1 - np.where(near, 1.0, left)), branch).real) for branch in (0, -1)
        )
        return b, (middle - np.log(u_high)) / b, (middle - np.log(u_low)) / b


def mean_log(shape: np.ndarray, log_scale: np.ndarray) -> np.ndarray:
    """ln of the mean life."""
    from scipy.special import gammaln

    return log_scale + gammaln(1 + 1 / shape)


def _extremes(age: Callable, region: tuple, unit: float) -> Estimate:
    """The age at the best fit and its least and greatest over the region."""
    b, low, high = region
    value, least, most = age(b[0], low[0]), age(b, low).min(), age(b, high).max()
    return Estimate(*(float(unit * np.exp(x)) for x in (value, least, most)))
