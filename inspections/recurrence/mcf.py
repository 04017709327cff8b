"""Mean cumulative function of a group of repairable ends: how many faults an end had by an age, with no model at
all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class MeanCount:
    """One entry per distinct event age, all (m,): `age`, `events` then, `at_risk` ends under observation, `mean`
    faults per end so far, `variance` of it, `low`, `high` limits. `systems`: ends that entered; `left_out`: events
    outside their own end's window. Empty arrays where there is nothing."""

    age: np.ndarray
    events: np.ndarray
    at_risk: np.ndarray
    mean: np.ndarray
    variance: np.ndarray
    low: np.ndarray
    high: np.ndarray
    systems: int
    left_out: int

    def at(self, age):
        """(mean, variance) of the step curve at ages, same shape; 0 before the first event."""
        raise NotImplementedError


def mean_count(time, system, start, stop, small_sample: bool = False, level: float = 0.95) -> MeanCount:
    """M(t) = Σ d/n over event ages, robust variance (Nelson 1988; Lawless & Nadeau 1995), limits M·exp(±z se/M).

    `small_sample`: variance × n/(n−1), Nelson's form. Ends are independent of each other; within an end events may be
    anything (bursts, trends). Ages come from each end's own clock; windows (start, stop].
    """
    raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Difference:
    """First less second at every age where either steps: `age`, `value`, `low`, `high`, all (m,)."""

    age: np.ndarray
    value: np.ndarray
    low: np.ndarray
    high: np.ndarray


def difference(first: MeanCount, second: MeanCount, level: float = 0.95) -> Difference:
    """Difference of two independent groups, up to the age both reach, with √(v₁ + v₂) (Nelson 2003)."""
    raise NotImplementedError
