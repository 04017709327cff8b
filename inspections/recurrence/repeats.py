"""Did the repair hold? Repeats within the repair's own window, less what chance would have brought anyway.

One entry per repair (close-out), all (n,): `closed` day; `window` days in which a repeat counts (28 days and 10
couplings, whichever ends later); `back` day of the first repeat of the same end and component, nan if none; `until`
last day it was watched (cut-off, withdrawal, next planned change); `end` index. A repair is **ripe** when its window
had ended by `until`. Credit a repeat to the repair that failed, not to who found it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import Estimate

FEW_REPAIRS = 20


@dataclass(frozen=True, slots=True)
class Repairs:
    """The arrays of the module's docstring, (n,) each. `chance_rate`: faults a day of that cell anyway (0: not
    known)."""

    closed: np.ndarray
    window: np.ndarray
    back: np.ndarray
    until: np.ndarray
    end: np.ndarray
    chance_rate: np.ndarray

    @property
    def ripe(self) -> np.ndarray:
        """(n,) bool: the whole window has been watched."""
        raise NotImplementedError

    @property
    def came_back(self) -> np.ndarray:
        """(n,) bool: a repeat inside the window, ripe or not."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Held:
    """`repairs` given, `ripe` of them, at `ends` different ends (of the ripe); `came_back` of the ripe; `chance`:
    how many of those were to be expected anyway, `excess` = came_back − chance, `p`: chance alone brings as many or
    more. `returned`: share of the ripe that came back, Wilson limits; `by_end`: the same share with limits from
    resampling whole ends (one bad end is not many repairs). `first_time`: 1 − returned: the first-time fix.
    `hold`: Kaplan–Meier share that held to the window's end, unripe repairs used as far as they go."""

    repairs: int
    ripe: int
    ends: int
    came_back: int
    chance: float
    excess: float
    p: float
    returned: Estimate
    by_end: Estimate
    first_time: Estimate
    hold: Estimate


def held(repairs: Repairs, mask: np.ndarray | None = None, level: float = 0.95, seed: int = 1) -> Held:
    """How well the repairs of `mask` (n,) bool (all if None) held (`stats.md` §5)."""
    raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Group:
    """One action, depot or component among all, ripe repairs only.

    `expected`: repeats for its mix of strata at everybody's rates (indirect standardisation), `ratio` = came_back
    over expected with exact Poisson limits. `odds`: Mantel–Haenszel odds ratio against all others,
    Robins–Breslow–Greenland limits; `cmh`: its chi-squared without continuity correction. `p`: exact, two-sided,
    conditional on every stratum's margins; `q`: after allowing for all groups judged. nan `p`, `q` below FEW_REPAIRS
    ripe repairs (`enough` is False)."""

    group: int
    ripe: int
    ends: int
    came_back: int
    expected: float
    ratio: Estimate
    odds: Estimate
    cmh: float
    p: float
    q: float
    enough: bool


def by_group(repairs: Repairs, group, stratum, level: float = 0.95, least: int = FEW_REPAIRS) -> list[Group]:
    """Each group against all others within strata (`stats.md` §8). `group`, `stratum` (n,) indices. Most repeats over
    expectation first is NOT the order: groups come in order of index."""
    raise NotImplementedError


@dataclass(frozen=True, slots=True)
class NotFound:
    """`examined` close-outs, `not_found` of them with no fault found, `share` with Wilson limits. `ripe` of those not
    found, `came_back` of these as a fault later, `returned` with Wilson limits: it was there after all."""

    examined: int
    not_found: int
    share: Estimate
    ripe: int
    came_back: int
    returned: Estimate


def not_found(repairs: Repairs, no_fault: np.ndarray, level: float = 0.95) -> NotFound:
    """No fault found, and what came back. `no_fault` (n,) bool over all examined close-outs."""
    raise NotImplementedError
