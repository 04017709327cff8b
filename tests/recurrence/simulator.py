"""Made-up fleets with known truth: 200 ends × 4 components over three years, a few cells bad.

Usage differs between ends, three in ten enter late, some stand idle for weeks; one component has a season, one ages;
ends differ naturally; four depots, one of which repairs badly, so that faults come back within a fortnight.
"""

from dataclasses import dataclass

import numpy as np

DAYS = 1095
DEPOTS = 4
BOUNCES = (0.08, 0.08, 0.08, 0.35)
RETURN_DAYS = 14
WEIGHTS = (1.15, 1.05, 0.95, 0.85)
COVERS, SEALS = 0, 1


@dataclass(frozen=True)
class Fleet:
    """Arguments of `analysis.analyse`, and the truth: `bad` (cells,) bool."""

    cell: np.ndarray
    time: np.ndarray
    window: float
    usage: np.ndarray
    in_service: np.ndarray
    end_of_cell: np.ndarray
    component_of_cell: np.ndarray
    bad: np.ndarray

    @property
    def arguments(self):
        return (
            self.cell, self.time, self.window, self.usage, self.in_service, self.end_of_cell, self.component_of_cell
        )  # fmt: skip


def fleet(rng, times=4.0, bad=12, cv=0.25, ends=200, per_cell=2.1, components=4, window=15.0):
    """One fleet: `bad` cells at `times` the rate, natural spread `cv`, about `per_cell` episodes a cell."""
    end_of_cell = np.repeat(np.arange(ends), components)
    component_of_cell = np.tile(np.arange(components), ends)
    usage, in_service, entered = running(rng, ends)
    theta = rng.gamma(1 / cv**2, cv**2, ends * components)
    worse = np.zeros(ends * components, bool)
    worse[rng.choice(ends * components, bad, replace=False)] = True
    theta = np.where(worse, theta * times, theta).reshape(ends, components)
    weights = np.resize(WEIGHTS, components) / np.mean(np.resize(WEIGHTS, components))
    cells, moments = [], []
    for component in range(components):
        pace = usage * in_service * course(component, entered)
        pace *= weights[component] * per_cell / pace.sum(axis=1).mean() * theta[:, [component]]
        count = rng.poisson(pace)
        end, day = np.nonzero(count)
        often = count[end, day]
        cells.append(np.repeat(end * components + component, often))
        moments.append(np.repeat(day, often) + rng.random(often.sum()))
    cell, time = returned(rng, np.concatenate(cells), np.concatenate(moments), components)
    return Fleet(cell, time, window, usage, in_service, end_of_cell, component_of_cell, worse)


def running(rng, ends):
    """(usage per day, in service, day of entry): each end's own pace, late entries, weeks out of service."""
    day = np.arange(DAYS)
    entered = np.where(rng.random(ends) < 0.3, rng.uniform(0, 730, ends), 0.0)
    in_service = day >= entered[:, None]
    away = rng.uniform(0, DAYS, ends)
    idle = np.where(rng.random(ends) < 0.3, rng.uniform(20, 120, ends), 0.0)
    in_service &= ~((day >= away[:, None]) & (day < (away + idle)[:, None]))
    pace = rng.gamma(1 / 0.25**2, 0.25**2, (ends, 1))
    return pace * (1 + 0.1 * np.sin(2 * np.pi * day / 7)), in_service, entered


def course(component, entered):
    """Factor on the rate by day, (ends, days): covers fail in winter, seals as they age."""
    day = np.arange(DAYS)
    if component == COVERS:
        return np.exp(0.39 * np.cos(2 * np.pi * (day - 25) / 365.25)) * np.ones((len(entered), 1))
    if component == SEALS:
        return np.sqrt(np.maximum(day - entered[:, None], 0) + 1)
    return np.ones((len(entered), DAYS))


def returned(rng, cell, time, components):
    """The log: every fault, and those that come back because the depot's repair did not hold."""
    share = np.array(BOUNCES)[(cell // components) % DEPOTS]
    cells, times = [cell], [time]
    while len(cell):
        back = rng.random(len(cell)) < share
        cell, share = cell[back], share[back]
        time = time[back] + rng.uniform(1, RETURN_DAYS, back.sum())
        cells.append(cell)
        times.append(time)
    cell, time = np.concatenate(cells), np.concatenate(times)
    return cell[time < DAYS], time[time < DAYS]
