"""What is getting worse or better: trends over windows chosen beforehand, and steps at known modifications."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence import analysis, rates, trend
from inspections.recurrence.estimates import Estimate
from inspections.recurrence.record import Record

YEAR = 365.25
WINDOWS = ("whole record", "last year")


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
    """A component's trend. For the whole fleet (`type` -1): Laplace over the whole record, `ratio` the rate now over
    the rate a year ago. For a unit type: the last year against the time before, exact, `ratio` the one rate over the
    other. `window` says which (WINDOWS), `q` allows for all that were tested (nan below `trend.FEW` events)."""

    component: int
    type: int
    window: str
    events: int
    ratio: Estimate
    p: float
    verdict: str
    q: float


def trends(record: Record, judged: analysis.Analysis, of: Clock) -> list[Moving]:
    """Every component: the fleet over the whole record, each unit type's last year."""
    found = [
        (
            component,
            kind,
            *(_fleet(record, judged, of, component) if kind < 0 else _year(record, judged, of, component, kind)),
        )
        for component in range(len(record.components))
        for kind in range(-1, len(record.types))
    ]
    q = rates.q_values(np.array([row[5] if row[3] >= trend.FEW else np.nan for row in found]))
    return [Moving(*row, float(each)) for row, each in zip(found, q, strict=True)]


def _fleet(record: Record, judged: analysis.Analysis, of: Clock, component: int) -> tuple:
    cells = np.flatnonzero(record.component_of_cell == component)
    time, system = episodes_of(judged, of, cells)
    start, stop = np.zeros(len(cells)), of.at[cells, -1]
    tested = trend.trend(time, system, start, stop)
    now = trend.rate_now(time, system, start, stop, YEAR)
    return WINDOWS[0], tested.events, now.ratio, tested.laplace_p, tested.verdict


def _year(record: Record, judged: analysis.Analysis, of: Clock, component: int, kind: int) -> tuple:
    chosen = (record.component_of_cell == component) & (record.type_of_end[record.end_of_cell] == kind)
    step = before_and_after(record, judged, of, np.flatnonzero(chosen), max(0.0, record.days - YEAR))
    return WINDOWS[1], step.before + step.after, step.ratio, step.p, step.verdict


def before_and_after(record: Record, judged: analysis.Analysis, of: Clock, cells: np.ndarray, at) -> trend.Step:
    """The rate of these cells after `at`, one day or (cells,), over the rate before; exposure is what they ran."""
    time, system = episodes_of(judged, of, cells)
    when = of.read(cells, np.broadcast_to(np.asarray(at, float), cells.shape))
    stop = of.at[cells, -1]
    weight = judged.expected.e[cells] / max(record.days, 1)
    ran = np.stack([when, stop - when], axis=1) * weight[:, None]
    return trend.step(time, system, np.zeros(len(cells)), stop, when, ran)


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
            found.append((change, component, len(cells), before_and_after(record, judged, of, cells, at)))
    q = rates.q_values(np.array([row[3].p for row in found]))
    return [Stepped(*row, float(each)) for row, each in zip(found, q, strict=True)]
