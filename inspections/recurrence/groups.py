"""Whose repairs come back more than their mix of work explains: actions, depots, components, each against all others.

Within strata (say component × fault), so that a depot that gets the hard faults is not blamed for them. Ripe repairs.
Sources: Mantel & Haenszel (1959); Robins, Breslow & Greenland (1986); exact test: the hypergeometric of each stratum,
summed; indirect standardisation with exact Poisson limits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import NAN, Estimate, normal_point
from inspections.recurrence.rates import q_values, relative_rate
from inspections.recurrence.repeats import Repairs

FEW_REPAIRS = 20


@dataclass(frozen=True, slots=True)
class Tables:
    """Two-by-two tables per stratum, (s,) each: `a`, `b` of the group with and without; `c`, `d` of all others."""

    a: np.ndarray
    b: np.ndarray
    c: np.ndarray
    d: np.ndarray

    @property
    def telling(self) -> np.ndarray:
        """(s,) bool: strata with both sides."""
        return (self.a + self.b > 0) & (self.c + self.d > 0)


@dataclass(frozen=True, slots=True)
class Odds:
    """Common odds ratio of the tables with limits (Robins–Breslow–Greenland; exact where it is 0 or infinite);
    `chi2` with 1 degree of freedom, without continuity correction, and its `chi2_p`; `p` exact, two-sided (twice the
    smaller tail), given every stratum's margins. nan if nothing tells."""

    ratio: Estimate
    chi2: float
    chi2_p: float
    p: float


def mantel_haenszel(tables: Tables, level: float = 0.95) -> Odds:
    """Odds ratio of the group against all others over strata. Strata with one side only say nothing."""
    from scipy.special import chdtrc

    a, b, c, d = (np.asarray(x, float)[tables.telling] for x in (tables.a, tables.b, tables.c, tables.d))
    n = a + b + c + d
    hits = a + c
    spread = ((a + b) * (c + d) * hits * (b + d) / (n**2 * np.maximum(n - 1, 1))).sum()
    if not spread > 0:
        return Odds(Estimate(), NAN, NAN, NAN)
    away = (a - (a + b) * hits / n).sum()
    chi2 = float(away**2 / spread)
    mass, seen = _margins(a, b, c, d)
    p = min(1.0, 2 * min(_tails(mass, seen, 0.0)))
    return Odds(_common(a, b, c, d, level) or _exact(mass, seen, level), chi2, float(chdtrc(1, chi2)), p)


def _common(a, b, c, d, level: float) -> Estimate | None:
    """Ratio with Robins–Breslow–Greenland limits; None where one side of it is 0."""
    n = a + b + c + d
    right, wrong = a * d / n, b * c / n
    r, s = right.sum(), wrong.sum()
    if r == 0 or s == 0:
        return None
    p, q = (a + d) / n, (b + c) / n
    mixed = (p * wrong + q * right).sum() / (2 * r * s)
    variance = (p * right).sum() / (2 * r * r) + mixed + (q * wrong).sum() / (2 * s * s)
    reach = np.exp(normal_point(level) * np.sqrt(variance))
    return Estimate(float(r / s), float(r / s / reach), float(r / s * reach))


def _margins(a, b, c, d) -> tuple[np.ndarray, int]:
    """Chances of every total of the group's hits above the least there can be, and the one seen."""
    from scipy.stats import hypergeom

    mass, first = np.ones(1), 0
    for n1, n2, hits in zip((a + b).astype(int), (c + d).astype(int), (a + c).astype(int), strict=True):
        least = max(0, hits - n2)
        mass = np.convolve(mass, hypergeom.pmf(np.arange(least, min(n1, hits) + 1), n1 + n2, hits, n1))
        first += least
    return mass, int(a.sum()) - first


def _tails(mass: np.ndarray, seen: int, log_odds: float) -> tuple[float, float]:
    """P(total ≤ seen), P(total ≥ seen) at a common odds ratio."""
    with np.errstate(divide="ignore"):
        logs = np.log(mass) + log_odds * np.arange(len(mass))
    tilted = np.exp(logs - logs.max())
    return float(tilted[: seen + 1].sum() / tilted.sum()), float(tilted[seen:].sum() / tilted.sum())


def _exact(mass: np.ndarray, seen: int, level: float) -> Estimate:
    """Exact limits where every hit, or none, is the group's."""
    from scipy.optimize import brentq

    tail, edge = (1 - level) / 2, 50.0
    if seen == 0:
        return Estimate(0.0, 0.0, float(np.exp(brentq(lambda x: _tails(mass, seen, x)[0] - tail, -edge, edge))))
    return Estimate(np.inf, float(np.exp(brentq(lambda x: _tails(mass, seen, x)[1] - tail, -edge, edge))), np.inf)


@dataclass(frozen=True, slots=True)
class Group:
    """One group among all. `ripe` repairs at `ends` ends, `came_back` of them. `expected`: repeats for its mix of
    strata at everybody's rates; `ratio` = came_back over expected with exact Poisson limits. `odds`: against all
    others. `q`: odds.p after allowing for all groups judged; nan where there are under `least` ripe repairs or
    nobody to compare with (`judged` is False)."""

    group: int
    ripe: int
    ends: int
    came_back: int
    expected: float
    ratio: Estimate
    odds: Odds
    q: float
    judged: bool


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
            judged=judged[k],
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
