"""How long does a replaced part last, and is planned replacement worth it?

A life runs from `start` to `stop` on the part's own age, both (n,), in days: `start` is 0, or the age it had when
records began (left truncation); `failed` (n,) bool: that part failed at `stop`, else it still runs, or was taken off
for another reason or as planned (right censoring). Lives that end no later than they start are left out.
A part whose age is not known is left out until its first replacement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import Estimate

FEW_FAILURES = 5


@dataclass(frozen=True, slots=True)
class Survival:
    """Kaplan–Meier steps, all (m,), one per distinct failure age: `age`, `share` still in use after it, `low`,
    `high`, `at_risk` just before, `failures` then. `parts`, `failed`: totals."""

    age: np.ndarray
    share: np.ndarray
    low: np.ndarray
    high: np.ndarray
    at_risk: np.ndarray
    failures: np.ndarray
    parts: int
    failed: int

    def at(self, age: float) -> Estimate:
        """Share in use after `age`; 1 before the first failure."""
        raise NotImplementedError

    def quantile(self, gone: float) -> Estimate:
        """Age by which a share `gone` has failed (0.5: the median), limits by inverting the band; inf: not
        reached."""
        raise NotImplementedError


def survival(start, stop, failed, level: float = 0.95) -> Survival:
    """Kaplan–Meier with late entries, Greenwood's variance, log-log limits (Kaplan & Meier 1958; Tsai et al.
    1987)."""
    raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Compared:
    """Log-rank test of k groups: `failed` and `expected` (k,), `chi2` with k − 1 degrees of freedom, `p`."""

    failed: np.ndarray
    expected: np.ndarray
    chi2: float
    p: float


def compare_lives(start, stop, failed, group) -> Compared:
    """Do groups (batches: `group` (n,) index) last differently? Log-rank with late entries (Mantel 1966)."""
    raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Weibull:
    """S(t) = exp(−(t/scale)^shape). All with likelihood limits: `shape`, `scale`, `b10` (age by which 10 % have
    failed), `b50` (median), `mean`. All unknown (nan) with under FEW_FAILURES failures, or where no shape fits
    best."""

    parts: int
    failed: int
    shape: Estimate
    scale: Estimate
    b10: Estimate
    b50: Estimate
    mean: Estimate


def weibull(start, stop, failed, level: float = 0.95) -> Weibull:
    """Maximum likelihood with late entries and survivors, profile-likelihood limits (IEC 61649; Meeker & Escobar
    1998)."""
    raise NotImplementedError
