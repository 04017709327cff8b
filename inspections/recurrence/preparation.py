"""Log lines → episodes → counts over what was to be expected. Every other question starts here.

A **cell** is one component of one end. An **episode** is a fault that comes outside the repeat windows of the faults
before it in its cell: a repair that bounced is one bad repair, not two faults. While a window runs no episode can
start, so those days are **dead**: they leave the exposure, each with its own usage and season. Given that, the
episodes of a cell are a counting process of rate θ × expected, whatever the windows were (the window is known before
the next fault comes).

Times are days from the start of the record; day d covers [d, d + 1). An end that never had a fault enters with zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

MONTH_DAYS = 365.25 / 12


@dataclass(frozen=True, slots=True)
class Episodes:
    """Events in order of cell and time, and the episodes they form.

    `cell`, `time` (days), `window` (days), `starts` (bool): one per kept event, shape (n,); `starts` marks the first
    event of an episode. `row`: where each kept event stood in what was given, (n,). `dead_cell`, `dead_from`,
    `dead_to`: one per episode, (m,): the days [from, to) in which no other could start; they never overlap within a
    cell. `cell_count`: number of cells. `left_out`: events given without a usable cell or time.
    """

    cell: np.ndarray
    time: np.ndarray
    window: np.ndarray
    starts: np.ndarray
    row: np.ndarray
    dead_cell: np.ndarray
    dead_from: np.ndarray
    dead_to: np.ndarray
    cell_count: int
    left_out: int

    def counts(self, since: float = -np.inf, until: float = np.inf) -> np.ndarray:
        """Episodes per cell, (cells,) int, that start in [since, until)."""
        inside = self.starts & (self.time >= since) & (self.time < until)
        return np.bincount(self.cell[inside], minlength=self.cell_count)


def episodes(cell: np.ndarray, time: np.ndarray, window: np.ndarray | float, cell_count: int) -> Episodes:
    """The episodes of a log.

    `cell` (n,) index of each event's cell; `time` (n,) days; `window` (n,) or one number: days after each event in
    which another of the same cell belongs to it (infinite: still open). Order does not matter. Events whose cell is
    not in 0 … cell_count - 1 or whose time is not a number are left out and counted; a window that is not a number,
    or negative, is none.
    """
    time = np.atleast_1d(np.asarray(time, float))
    given = np.atleast_1d(np.asarray(cell, float))
    window = np.broadcast_to(np.asarray(window, float), time.shape)
    usable = np.isfinite(time) & (given >= 0) & (given < cell_count)
    row = np.flatnonzero(usable)
    row = row[np.lexsort((time[row], given[row]))]
    cell, time = given[row].astype(int), time[row]
    window = np.maximum(np.nan_to_num(window[row], nan=0.0, posinf=np.inf), 0.0)
    starts, dead_to = _starts(cell, time, time + window)
    return Episodes(
        cell, time, window, starts, row, cell[starts], time[starts], dead_to, int(cell_count), int((~usable).sum())
    )


def _starts(cell: np.ndarray, time: np.ndarray, over: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which sorted events start an episode, and when the dead time of each episode is over."""
    starts = np.zeros(len(cell), bool)
    ends: list[float] = []
    for i in range(len(cell)):
        starts[i] = i == 0 or cell[i] != cell[i - 1] or time[i] > ends[-1]
        if starts[i]:
            ends.append(over[i])
        else:
            ends[-1] = max(ends[-1], over[i])
    return starts, np.array(ends, float)


@dataclass(frozen=True, slots=True)
class Exposure:
    """What each end ran, and which cell is which.

    `usage` (ends, days): running per day, in any unit (couplings, km, 1 for a day in service), 0 out of service.
    `end_of_cell`, `component_of_cell` (cells,): indices. `components`: how many. `season` (components, days): factor
    on each day, mean near 1.
    """

    usage: np.ndarray
    end_of_cell: np.ndarray
    component_of_cell: np.ndarray
    components: int
    season: np.ndarray

    @property
    def days(self) -> int:
        """Length of the record, days."""
        return self.usage.shape[1]


def exposure(
    usage: np.ndarray,
    in_service: np.ndarray | None,
    end_of_cell: np.ndarray,
    component_of_cell: np.ndarray,
    season: np.ndarray | None = None,
) -> Exposure:
    """The exposure of a fleet.

    `usage` (ends, days) and `in_service` (ends, days) bool, or None where usage says it all. Usage that is negative
    or not a number counts as none. `season` (components, days), None for none.
    """
    usage = np.nan_to_num(np.atleast_2d(np.asarray(usage, float)), nan=0.0, posinf=0.0, neginf=0.0)
    usage = np.maximum(usage, 0.0)
    if in_service is not None:
        usage = usage * np.atleast_2d(np.asarray(in_service, bool))
    component_of_cell = np.asarray(component_of_cell, int)
    components = int(component_of_cell.max(initial=-1)) + 1
    if season is None:
        season = np.ones((components, usage.shape[1]))
    return Exposure(usage, np.asarray(end_of_cell, int), component_of_cell, components, np.asarray(season, float))


def live_days(happened: Episodes, ran: Exposure, component: int) -> tuple[np.ndarray, np.ndarray]:
    """Cells of a component, (k,), and for each the share of each day in which an episode could start, (k, days)."""
    cells = np.flatnonzero(ran.component_of_cell == component)
    place = np.full(happened.cell_count, -1)
    place[cells] = np.arange(len(cells))
    mine = place[happened.dead_cell] >= 0
    steps = np.zeros((len(cells), ran.days + 2))
    _step(steps, place[happened.dead_cell[mine]], happened.dead_from[mine], 1.0, ran.days)
    _step(steps, place[happened.dead_cell[mine]], happened.dead_to[mine], -1.0, ran.days)
    return cells, np.clip(1.0 - np.cumsum(steps, axis=1)[:, : ran.days], 0.0, 1.0)


def _step(steps: np.ndarray, row: np.ndarray, at: np.ndarray, height: float, days: int) -> None:
    """Add to `steps` a rise by `height` at `at`, shared between the day it falls in and the next."""
    at = np.clip(at, 0.0, days)
    whole = at.astype(int)
    np.add.at(steps, (row, whole), height * (1.0 - (at - whole)))
    np.add.at(steps, (row, whole + 1), height * (at - whole))


@dataclass(frozen=True, slots=True)
class Expected:
    """`n` (cells,) episodes, `e` (cells,) expected, with sum e = sum n within each component.

    `exposure` (cells,): live usage × season. `rate` (components,): episodes per unit of it, 0 where nothing ran.
    """

    n: np.ndarray
    e: np.ndarray
    exposure: np.ndarray
    rate: np.ndarray


def live_exposure(happened: Episodes, ran: Exposure, since: float = 0.0, until: float = np.inf) -> np.ndarray:
    """Usage × season × live share per cell, (cells,), summed over the days of [since, until)."""
    total = np.zeros(happened.cell_count)
    part = _share_of_days(ran.days, since, until)
    for component in range(ran.components):
        cells, live = live_days(happened, ran, component)
        weight = ran.usage[ran.end_of_cell[cells]] * ran.season[component] * part
        total[cells] = (weight * live).sum(axis=1)
    return total


def _share_of_days(days: int, since: float, until: float) -> np.ndarray:
    """How much of each day lies in [since, until), (days,)."""
    day = np.arange(days)
    return np.clip(np.minimum(day + 1, until) - np.maximum(day, since), 0.0, 1.0)


def expected(happened: Episodes, ran: Exposure) -> Expected:
    """Observed and expected episodes per cell (indirect standardisation over the whole record).

    The fleet's rate of a component is its episodes over its live exposure; a cell's expected count is that rate times
    its own. Episodes outside the record (before day 0, after the last) are not counted.
    """
    n = happened.counts(0.0, float(ran.days))
    total = live_exposure(happened, ran)
    rate = _ratio(_by_component(n, ran), _by_component(total, ran))
    return Expected(n, rate[ran.component_of_cell] * total, total, rate)


def between(happened: Episodes, ran: Exposure, rate: np.ndarray, since: float, until: float = np.inf) -> Expected:
    """Observed and expected episodes per cell within [since, until), at the fleet's rates over the whole record.

    For "since flagged": a list must be judged on later days than those that made it (`since` = the day of the flag).
    `rate` (components,) from `expected`.
    """
    total = live_exposure(happened, ran, since, until)
    n = happened.counts(max(since, 0.0), min(until, float(ran.days)))
    return Expected(n, rate[ran.component_of_cell] * total, total, rate)


def _by_component(values: np.ndarray, ran: Exposure) -> np.ndarray:
    return np.bincount(ran.component_of_cell, weights=values, minlength=ran.components)


def _ratio(above: np.ndarray, below: np.ndarray) -> np.ndarray:
    """above / below, 0 where below is 0."""
    return np.divide(above, below, out=np.zeros(len(above)), where=below > 0)


@dataclass(frozen=True, slots=True)
class Months:
    """Counts and exposure in stretches of about a month.

    `count`, `exposure` (components, months); `at` (months,): middle of each, days from the start of the record.
    """

    count: np.ndarray
    exposure: np.ndarray
    at: np.ndarray


def by_month(happened: Episodes, ran: Exposure, length: float = MONTH_DAYS) -> Months:
    """Episodes and live exposure (season left out) per component and month; all stretches are equally long."""
    months = max(1, round(ran.days / length))
    edges = np.linspace(0.0, ran.days, months + 1)
    inside = happened.starts & (happened.time >= 0) & (happened.time < ran.days)
    month = np.clip(np.searchsorted(edges, happened.time[inside], side="right") - 1, 0, months - 1)
    count = np.zeros((ran.components, months))
    np.add.at(count, (ran.component_of_cell[happened.cell[inside]], month), 1)
    running = np.zeros((ran.components, ran.days + 1))
    for component in range(ran.components):
        cells, live = live_days(happened, ran, component)
        running[component, 1:] = np.cumsum((ran.usage[ran.end_of_cell[cells]] * live).sum(axis=0))
    day = np.arange(ran.days + 1)
    total = np.array([np.diff(np.interp(edges, day, row)) for row in running]).reshape(count.shape)
    return Months(count, total, (edges[1:] + edges[:-1]) / 2)
