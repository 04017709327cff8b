"""Mean cumulative function of repairable ends: how many faults an end had by an age, with no model at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import normal_point
from inspections.recurrence.watched import watched


@dataclass(frozen=True, slots=True)
class MeanCount:
    """One entry per distinct event age, all (m,): `age`, `events` then, `at_risk` ends under observation, `mean`
    faults per end so far, `variance` of it, `low`, `high` limits. `systems`: ends that entered; `left_out`: events
    outside their own end's window; `reach`: the greatest age watched. Empty arrays where there is nothing."""

    age: np.ndarray
    events: np.ndarray
    at_risk: np.ndarray
    mean: np.ndarray
    variance: np.ndarray
    low: np.ndarray
    high: np.ndarray
    systems: int
    left_out: int
    reach: float

    def at(self, age: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
        """(mean, variance) of the step curve at ages, same shape; 0 before the first event."""
        step = np.searchsorted(self.age, age, side="right")
        return np.append(0.0, self.mean)[step], np.append(0.0, self.variance)[step]


def mean_count(time, system, start, stop, small_sample: bool = False, level: float = 0.95) -> MeanCount:
    """M(t) = Σ d/n over event ages, robust variance (Nelson 1988; Lawless & Nadeau 1995), limits M·exp(±z se/M);
    unknown (nan) for one end alone.

    `small_sample`: variance × n/(n−1), n ends, Nelson's form, and Student's t with n − 1 for z. Ends are independent
    of each other; within an end events may be anything (bursts, trends). Ages come from each end's own clock; windows
    (start, stop].
    """
    from scipy.special import stdtrit

    given = watched(time, system, start, stop)
    starts, stops = given.start[given.usable], given.stop[given.usable]
    number = (np.cumsum(given.usable) - 1)[given.system]
    ages, which = np.unique(given.time, return_inverse=True)
    at_risk = np.searchsorted(np.sort(starts), ages, side="left") - np.searchsorted(np.sort(stops), ages, side="left")
    events = np.bincount(which, minlength=len(ages)).astype(int)
    jump = events / np.maximum(at_risk, 1)
    own, variance = np.zeros(len(starts)), np.zeros(len(ages))
    by_age = np.split(number[np.argsort(which, kind="stable")], np.cumsum(events)[:-1])
    for j, age in enumerate(ages):
        own[(starts < age) & (age <= stops)] -= jump[j] / at_risk[j]
        np.add.at(own, by_age[j], 1 / at_risk[j])
        variance[j] = own @ own
    point = normal_point(level)
    if small_sample and len(starts) > 1:
        variance = variance * len(starts) / (len(starts) - 1)
        point = float(stdtrit(len(starts) - 1, 0.5 + level / 2))
    mean = np.cumsum(jump)
    if len(starts) < 2:
        variance = np.full(len(ages), np.nan)
    reach = np.exp(point * np.sqrt(variance) / mean)
    return MeanCount(
        ages,
        events,
        at_risk,
        mean,
        variance,
        mean / reach,
        mean * reach,
        len(starts),
        given.left_out,
        float(stops.max(initial=0.0)),
    )


@dataclass(frozen=True, slots=True)
class Difference:
    """First less second at every age where either steps: `age`, `value`, `low`, `high`, all (m,)."""

    age: np.ndarray
    value: np.ndarray
    low: np.ndarray
    high: np.ndarray


def difference(first: MeanCount, second: MeanCount, level: float = 0.95) -> Difference:
    """Difference of two independent groups, up to the age both reach, with √(v₁ + v₂) (Nelson 2003)."""
    ages = np.union1d(first.age, second.age)
    if first.systems == 0 or second.systems == 0:
        return Difference(*(np.zeros(0) for _ in range(4)))
    ages = ages[ages <= min(first.reach, second.reach)]
    (m1, v1), (m2, v2) = first.at(ages), second.at(ages)
    reach = normal_point(level) * np.sqrt(v1 + v2)
    return Difference(ages, m1 - m2, m1 - m2 - reach, m1 - m2 + reach)
