"""What is getting worse or better: trends over windows chosen beforehand, and steps at known modifications."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence import analysis, rates, trend
from inspections.recurrence.record import Record

YEAR = 365.25
WINDOWS = ("all", "last year")


@dataclass(frozen=True, slots=True)
class Clock:
    """Running time of every cell: what it was expected to fault, in days of an average year.

    `at` (cells, days + 1): reading at the start of each day; it stands while the end does not run. Dead time after an
    episode stays in: taken out, it would push the last episodes to the very end of a window. A steady rate is a
    straight line on it, whatever the usage and the season were.
    """

    at: np.ndarray

    def read(self, cell: np.ndarray, time: np.ndarray) -> np.ndarray:
        """Readings at times, both (n,)."""
        day = np.clip(np.asarray(time, float), 0.0, self.at.shape[1] - 1)
        low = np.minimum(day.astype(int), self.at.shape[1] - 2)
        return self.at[cell, low] + (day - low) * (self.at[cell, low + 1] - self.at[cell, low])


def clock(judged: analysis.Analysis) -> Clock:
    """The clock of each cell; it reads the length of the record at its end."""
    at = np.zeros((len(judged.expected.n), judged.ran.days + 1))
    for component in range(judged.ran.components):
        cells = np.flatnonzero(judged.ran.component_of_cell == component)
        weight = judged.ran.usage[judged.ran.end_of_cell[cells]] * judged.ran.season[component]
        at[cells, 1:] = np.cumsum(weight, axis=1)
    total = at[:, -1:]
    return Clock(np.divide(at, total, out=np.zeros_like(at), where=total > 0) * judged.ran.days)


@dataclass(frozen=True, slots=True)
class Moving:
    """A component's trend, for the whole fleet (`type` -1) or one unit type, over one of WINDOWS. `now`: rate now
    over the rate a year ago (over the window's start, for the last year). `q` over all that were tested."""

    component: int
    type: int
    window: str
    tested: trend.Trend
    now: trend.Change
    q: float


def trends(record: Record, judged: analysis.Analysis, of: Clock) -> list[Moving]:
    """Every component: fleet over the whole record; each unit type over the whole record and over the last year."""
    found = []
    for component in range(len(record.components)):
        for kind in range(-1, len(record.types)):
            for window in WINDOWS[: 1 if kind < 0 else 2]:
                found.append((component, kind, window, *_trend(record, judged, of, component, kind, window)))
    q = rates.q_values(np.array([row[3].laplace_p if row[3].events >= trend.FEW else np.nan for row in found]))
    return [Moving(*row, float(each)) for row, each in zip(found, q, strict=True)]


def _trend(record: Record, judged: analysis.Analysis, of: Clock, component: int, kind: int, window: str):
    chosen = record.component_of_cell == component
    if kind >= 0:
        chosen &= record.type_of_end[record.end_of_cell] == kind
    cells = np.flatnonzero(chosen)
    first = 0.0 if window == WINDOWS[0] else max(0.0, record.days - YEAR)
    time, system = episodes_of(judged, of, cells)
    start, stop = of.read(cells, np.full(len(cells), first)), of.at[cells, -1]
    return trend.trend(time, system, start, stop), trend.rate_now(time, system, start, stop, YEAR)


def episodes_of(judged: analysis.Analysis, of: Clock, cells: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Clock readings of the episodes of `cells`, and which of them each is; both (n,)."""
    place = np.full(len(judged.expected.n), -1)
    place[cells] = np.arange(len(cells))
    happened = judged.episodes
    mine = happened.starts & (place[happened.cell] >= 0)
    return of.read(happened.cell[mine], happened.time[mine]), place[happened.cell[mine]]


@dataclass(frozen=True, slots=True)
class Stepped:
    """A modification's component, before and after it was done at each end. `q` over all pairs tested."""

    change: int
    component: int
    ends: int
    step: trend.Step
    q: float


def steps(record: Record, judged: analysis.Analysis, of: Clock) -> list[Stepped]:
    """Each modification: the component it was meant for, or every one where that is not said."""
    found = []
    for change in range(len(record.changes)):
        mine = record.changed.change == change
        ends, at = record.changed.end[mine], record.changed.at[mine]
        meant = int(record.changed_component[change])
        for component in [meant] if meant >= 0 else range(len(record.components)):
            cells = record.cell(ends, np.full(len(ends), component))
            time, system = episodes_of(judged, of, cells)
            when, stop = of.read(cells, at), of.at[cells, -1]
            weight = judged.expected.e[cells] / max(judged.ran.days, 1)
            ran = np.stack([when, stop - when], axis=1) * weight[:, None]
            found.append((change, component, len(cells), trend.step(time, system, 0 * when, stop, when, ran)))
    q = rates.q_values(np.array([row[3].p for row in found]))
    return [Stepped(*row, float(each)) for row, each in zip(found, q, strict=True)]
