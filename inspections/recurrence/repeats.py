"""Did the repair hold? Repeats within the repair's own window, less what chance would have brought anyway.

One entry per repair (close-out), (n,) each: `closed` day; `window` days in which a repeat counts (28 days and 10
couplings, whichever ends later); `back` day of the first repeat of the same end and component, nan if none; `until`
last day it was watched (cut-off, withdrawal, next planned change); `end` index; `chance_rate` faults a day of that
cell anyway, 0 where not known. A repair is **ripe** when its window had ended by `until`; only ripe ones are judged.
Credit a repeat to the repair that failed, not to who found it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from inspections.recurrence.estimates import NAN, Estimate, numbers, wilson
from inspections.recurrence.lives import survival
from inspections.recurrence.odds import Odds, Tables, mantel_haenszel
from inspections.recurrence.rates import q_values, relative_rate

DRAWS = 1000
FEW_REPAIRS = 20


@dataclass(frozen=True, slots=True)
class Repairs:
    """The arrays of the module's docstring; a single number stands for all. Raises ValueError if lengths differ."""

    closed: np.ndarray
    window: np.ndarray
    back: np.ndarray
    until: np.ndarray
    end: np.ndarray
    chance_rate: np.ndarray

    def __post_init__(self) -> None:
        given = numbers(*(getattr(self, field.name) for field in fields(self)))
        for field, array in zip(fields(self), given, strict=True):
            object.__setattr__(self, field.name, array)

    def __len__(self) -> int:
        return len(self.closed)

    @property
    def known(self) -> np.ndarray:
        """(n,) bool: closed, watched and with a window."""
        return np.isfinite(self.closed) & (self.until >= self.closed) & np.isfinite(self.window) & (self.window > 0)

    @property
    def ripe(self) -> np.ndarray:
        """(n,) bool: the whole window has been watched."""
        return self.known & (self.closed + self.window <= self.until)

    @property
    def came_back(self) -> np.ndarray:
        """(n,) bool: a repeat inside the window and before `until`, ripe or not."""
        last = np.minimum(self.closed + self.window, self.until)
        return self.known & (self.back >= self.closed) & (self.back <= last)

    @property
    def chance(self) -> np.ndarray:
        """(n,): how likely a fault of that cell would have come within the window anyway."""
        return -np.expm1(-np.maximum(np.nan_to_num(self.chance_rate), 0.0) * np.where(self.known, self.window, 0.0))


@dataclass(frozen=True, slots=True)
class Held:
    """`repairs` given, `ripe` of them, at `ends` different ends; `came_back` of the ripe; `chance`: how many of those
    were to be expected anyway, `excess` = came_back − chance, `p`: chance alone brings as many or more.
    `returned`: share of the ripe that came back, Wilson limits; `by_end`: the same share with limits from resampling
    whole ends (one bad end is not many repairs). `first_time`: share of the ripe that did not: the first-time fix.
    `hold`: Kaplan–Meier share that held to the window's end, unripe repairs used as far as they go, log-log
    limits."""

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
    """How well the repairs of `mask` (n,) bool, all if None, held (`stats.md` §5)."""
    from scipy.special import gammainc

    chosen = repairs.known if mask is None else repairs.known & np.asarray(mask, bool)
    ripe = chosen & repairs.ripe
    back, ends = repairs.came_back[ripe], repairs.end[ripe]
    n, x, chance = len(back), int(back.sum()), float(repairs.chance[ripe].sum())
    p = NAN if n == 0 or chance <= 0 else float(gammainc(x, chance)) if x else 1.0
    return Held(
        repairs=int(chosen.sum()),
        ripe=n,
        ends=len(np.unique(ends)),
        came_back=x,
        chance=chance,
        excess=x - chance,
        p=p,
        returned=wilson(x, n, level),
        by_end=_by_end(back, ends, level, seed),
        first_time=wilson(n - x, n, level),
        hold=_hold(repairs, chosen, level),
    )


def _by_end(back: np.ndarray, ends: np.ndarray, level: float, seed: int) -> Estimate:
    """Share that came back; limits unknown for fewer than two ends.

    Whole ends are drawn to see how much the share scatters, and so how many independent repairs these are worth:
    Wilson limits of that number. Where none or all came back there is nothing to draw from: ends for repairs.
    """
    names, which = np.unique(ends, return_inverse=True)
    if len(names) < 2:
        return Estimate(float(back.mean()), NAN, NAN) if len(back) else Estimate()
    if back.all() or not back.any():
        return wilson(len(names) * int(back.all()), len(names), level)
    repairs, hits = np.bincount(which), np.bincount(which, weights=back)
    drawn = np.random.default_rng(seed).multinomial(len(names), np.full(len(names), 1 / len(names)), DRAWS)
    spread = ((drawn @ hits) / (drawn @ repairs)).var() * len(names) / (len(names) - 1)
    share = float(back.mean())
    worth = min(len(back), share * (1 - share) / spread) if spread > 0 else len(back)
    return wilson(share * worth, worth, level)


def _hold(repairs: Repairs, chosen: np.ndarray, level: float) -> Estimate:
    """Kaplan–Meier at the end of the window, time in shares of each repair's own window.

    A fault on the day of the close-out counts as just after it.
    """
    window, closed, back = repairs.window[chosen], repairs.closed[chosen], repairs.came_back[chosen]
    stop = np.where(back, repairs.back[chosen], repairs.until[chosen]) - closed
    share = np.maximum(np.minimum(stop / window, 1.0), np.where(back, 1e-9, 0.0))
    return survival(0.0, share, back, level).at(1.0)


@dataclass(frozen=True, slots=True)
class NotFound:
    """`examined` close-outs, `not_found` of them with no fault found, `share` with Wilson limits. `ripe` of those not
    found, `came_back` of these as a fault within the window, `returned` with Wilson limits: it was there after
    all."""

    examined: int
    not_found: int
    share: Estimate
    ripe: int
    came_back: int
    returned: Estimate


def not_found(repairs: Repairs, no_fault: np.ndarray, level: float = 0.95) -> NotFound:
    """No fault found, and what came back. `no_fault` (n,) bool over all examined close-outs."""
    without = repairs.known & np.asarray(no_fault, bool)
    ripe = without & repairs.ripe
    examined, n, back = int(repairs.known.sum()), int(without.sum()), int(repairs.came_back[ripe].sum())
    of = int(ripe.sum())
    return NotFound(examined, n, wilson(n, examined, level), of, back, wilson(back, of, level))


@dataclass(frozen=True, slots=True)
class Group:
    """One group among all. `ripe` repairs at `ends` ends, `came_back` of them. `expected`: repeats for its mix of
    strata at everybody's rates; `ratio` = came_back over expected with exact Poisson limits. `odds`: against all
    others. `q`: odds.p after allowing for all groups judged; nan where there are under `least` ripe repairs or
    nobody to compare with (`enough` is False)."""

    group: int
    ripe: int
    ends: int
    came_back: int
    expected: float
    ratio: Estimate
    odds: Odds
    q: float
    enough: bool


def by_group(
    repairs: Repairs, group: np.ndarray, stratum: np.ndarray, level: float = 0.95, least: int = FEW_REPAIRS
) -> list[Group]:
    """Each group against all others within strata (`stats.md` §8). `group`, `stratum` (n,) indices, below 0: left
    out.

    In order of index, not of count: rank by `q`. A group that lies in one stratum gets Fisher's exact test. "Others"
    are the groups that do not themselves stand out. Look at the finest groups first (component × action × depot),
    then leave those that stand out out of the coarser ones, or they will be blamed for it too.
    """
    group, stratum = np.asarray(group, int), np.asarray(stratum, int)
    used = repairs.ripe & (group >= 0) & (stratum >= 0)
    names, group = np.unique(group[used], return_inverse=True)
    _, stratum = np.unique(stratum[used], return_inverse=True)
    shape = (len(names), int(stratum.max(initial=-1)) + 1)
    of, hits = np.zeros(shape), np.zeros(shape)
    np.add.at(of, (group, stratum), 1)
    np.add.at(hits, (group, stratum), repairs.came_back[used])
    enough = of.sum(axis=1) >= least
    against = _reference(of, hits, enough, level)
    odds = [_against(of, hits, against, k, level) for k in range(len(names))]
    judged = [bool(enough[k]) and not np.isnan(x.p) for k, x in enumerate(odds)]
    q = q_values(np.array([x.p if told else NAN for x, told in zip(odds, judged, strict=True)]))
    expected = _expected(of, hits, against)
    ends = [len(np.unique(repairs.end[used][group == k])) for k in range(len(names))]
    return [
        Group(
            group=int(name),
            ripe=int(of[k].sum()),
            ends=ends[k],
            came_back=int(hits[k].sum()),
            expected=float(expected[k]),
            ratio=Estimate(*(float(x) for x in relative_rate(hits[k].sum(), expected[k], level))),
            odds=odds[k],
            q=float(q[k]),
            enough=judged[k],
        )
        for k, name in enumerate(names)
    ]


def _against(of: np.ndarray, hits: np.ndarray, against: np.ndarray, k: int, level: float) -> Odds:
    """Group k against those of `against` (bool) but itself."""
    others = against.copy()
    others[k] = False
    c, rest = hits[others].sum(axis=0), of[others].sum(axis=0)
    return mantel_haenszel(Tables(hits[k], of[k] - hits[k], c, rest - c), level)


def _reference(of: np.ndarray, hits: np.ndarray, enough: np.ndarray, level: float) -> np.ndarray:
    """Groups that do not stand out, (g,) bool: one bad group among the others would make good ones of the rest.

    The one with the smallest p is set aside, then the rest are looked at again, until none stands out or two are
    left.
    """
    against = np.ones(len(of), bool)
    while against.sum() > 2:
        inside = np.flatnonzero(against & enough)
        p = np.array([_against(of, hits, against, k, level).p for k in inside])
        if not (q_values(p) <= 1 - level).any():
            break
        against[inside[np.nanargmin(p)]] = False
    return against


def _expected(of: np.ndarray, hits: np.ndarray, against: np.ndarray) -> np.ndarray:
    """Repeats of each group for its mix of strata, (g,), at the rates of all groups that do not stand out.

    A stratum that only such groups have is taken at everybody's rate.
    """
    n, x = of[against].sum(axis=0), hits[against].sum(axis=0)
    rate = np.where(n > 0, x / np.maximum(n, 1), hits.sum(axis=0) / np.maximum(of.sum(axis=0), 1))
    return of @ rate
