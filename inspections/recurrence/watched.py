"""Events of systems that are each watched over a window of their own: what trend, growth and mean counts start
from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import numbers


@dataclass(frozen=True, slots=True)
class Watched:
    """`time` (n,), `system` (n,) index of usable events; `start`, `stop` (k,) of every system given; `usable` (k,)
    bool: the window has a length; `left_out`: events outside their own window or without a time or system."""

    time: np.ndarray
    system: np.ndarray
    start: np.ndarray
    stop: np.ndarray
    usable: np.ndarray
    left_out: int

    @property
    def counts(self) -> np.ndarray:
        """Events per system, (k,)."""
        return np.bincount(self.system, minlength=len(self.start))


def watched(time, system, start, stop) -> Watched:
    """Events of `system` (n,) at `time` (n,), counted in (`start`, `stop`], both (k,) or one number for one
    system."""
    start, stop = numbers(start, stop)
    time, given = numbers(time, system)
    usable = np.isfinite(start) & np.isfinite(stop) & (stop > start)
    known = np.isfinite(time) & (given >= 0) & (given < len(start))
    index = np.where(known, given, 0).astype(int)
    inside = known & usable[index] & (time > start[index]) & (time <= stop[index]) if len(start) else known
    return Watched(time[inside], index[inside], start, stop, usable, int((~inside).sum()))


def to_last_event(given: Watched, ended) -> tuple[Watched, np.ndarray]:
    """Windows of the systems in `ended` (k,) bool cut at their last event, and which events are that last one, (n,).

    Systems in `ended` that had no event are no longer usable: watching them has not ended.
    """
    ended = np.broadcast_to(np.asarray(ended, bool), given.start.shape)
    final = np.full(len(given.start), -np.inf)
    np.maximum.at(final, given.system, given.time)
    stop = np.where(ended, final, given.stop)
    last = np.zeros(len(given.time), bool)
    for q in np.flatnonzero(ended & (given.counts > 0)):
        last[np.flatnonzero((given.system == q) & (given.time == final[q]))[-1]] = True
    usable = given.usable & (stop > given.start)
    return Watched(given.time, given.system, given.start, stop, usable, given.left_out), last
