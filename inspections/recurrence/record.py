"""What happened, as columns: all that the questions on recurring faults are asked of.

`inspections.history` makes a `Record` from the logbook's rows, `inspections.demonstration.arrays` from a seed;
neither knows the other, and `overview` cannot tell them apart. Times are days from the start of the record (day 0
begins at local midnight), floats; nan where there is none. Indices point into the tuples of names; -1 is none or not
known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Faults:
    """Findings that count, (n,) each, any order: `end`, `component`, `sign` (the symptom reported),
    `coupler` (at the time) indices; `time` first
    seen; `window` days in which another of the same cell belongs to it (its close-out's repeat window; infinite while
    open); `source`: the row it came from, an index the caller knows. Merged, withdrawn and "no fault found" are left
    out beforehand."""

    end: np.ndarray
    component: np.ndarray
    sign: np.ndarray
    coupler: np.ndarray
    time: np.ndarray
    window: np.ndarray
    source: np.ndarray


@dataclass(frozen=True, slots=True)
class Couplings:
    """Couplings and attempts, (m,) each: `time`, `place`, the two ends `a` and `b` (-1: not of this fleet),
    `failed`: the attempt did not end coupled."""

    time: np.ndarray
    place: np.ndarray
    a: np.ndarray
    b: np.ndarray
    failed: np.ndarray


@dataclass(frozen=True, slots=True)
class Fitted:
    """Where each coupler was, (f,) each: `coupler`, `end` indices, days `since` (0 or before: from the start) and
    `until` (infinite: still there)."""

    coupler: np.ndarray
    end: np.ndarray
    since: np.ndarray
    until: np.ndarray


@dataclass(frozen=True, slots=True)
class Repaired:
    """Signed close-outs, (r,) each: `end`, `component`, `action`, `depot` indices; `closed` day; `window` days in
    which a repeat counts; `back` day of the first repeat (nan: none); `until` last day watched; `no_fault`: closed as
    no fault found."""

    end: np.ndarray
    component: np.ndarray
    action: np.ndarray
    depot: np.ndarray
    closed: np.ndarray
    window: np.ndarray
    back: np.ndarray
    until: np.ndarray
    no_fault: np.ndarray


@dataclass(frozen=True, slots=True)
class PartLives:
    """Parts by slot, (p,) each: `slot`, `batch`, `coupler`, `depot` (where it was replaced, or the home of its end)
    indices; `start` age in days when records began (0: new), `stop` age when removed or at the cut-off, `failed`:
    that part failed; `used`: it was removed, for whatever reason, within the record: a new one was wanted. Parts
    whose age is not known are left out beforehand."""

    slot: np.ndarray
    batch: np.ndarray
    coupler: np.ndarray
    depot: np.ndarray
    start: np.ndarray
    stop: np.ndarray
    failed: np.ndarray
    used: np.ndarray


@dataclass(frozen=True, slots=True)
class Changed:
    """Modifications, (c,) each: `change` index into the names, `end` index, `at` day it was done there."""

    change: np.ndarray
    end: np.ndarray
    at: np.ndarray


@dataclass(frozen=True, slots=True)
class Record:
    """`days` long; `first_day`: day of the year of day 0 (0 = 1 January). `usage` (ends, days): couplings and
    attempts of each end each day. `ends`, `components`, `couplers`, `places`, `actions`, `depots`, `slots`,
    `batches`, `changes`, `types`, `patterns`: names (codes) that the indices point at. `type_of_end`,
    `pattern_of_end` (ends,). `changed_component`: per change, the index of the component it was meant for, -1: not
    said. `signs`: codes of symptoms; `marks` (signs,) bool: what shows so can mark the mate."""

    days: int
    first_day: float
    ends: tuple[str, ...]
    components: tuple[str, ...]
    signs: tuple[str, ...]
    couplers: tuple[str, ...]
    places: tuple[str, ...]
    actions: tuple[str, ...]
    depots: tuple[str, ...]
    slots: tuple[str, ...]
    batches: tuple[str, ...]
    changes: tuple[str, ...]
    types: tuple[str, ...]
    patterns: tuple[str, ...]
    type_of_end: np.ndarray
    pattern_of_end: np.ndarray
    changed_component: np.ndarray
    marks: np.ndarray
    usage: np.ndarray
    faults: Faults
    couplings: Couplings
    fitted: Fitted
    repaired: Repaired
    lives: PartLives
    changed: Changed

    def cell(self, end: np.ndarray, component: np.ndarray) -> np.ndarray:
        """Index of the cell of an end and a component: end × components + component; -1 where either is."""
        known = (end >= 0) & (component >= 0)
        return np.where(known, end * len(self.components) + component, -1)

    @property
    def end_of_cell(self) -> np.ndarray:
        """(cells,) the end of each cell."""
        return np.repeat(np.arange(len(self.ends)), len(self.components))

    @property
    def component_of_cell(self) -> np.ndarray:
        """(cells,) the component of each cell."""
        return np.tile(np.arange(len(self.components)), len(self.ends))
