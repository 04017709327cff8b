"""Where do coupling attempts fail beyond what the ends that met there explain?

An attempt at place s between ends i and j fails at rate place_s × end_i × end_j × the fleet's. Places and ends are
fitted by turns, each against what the other explains; an end's factor is shrunk towards 1 as far as the spread of all
ends says (Gamma–Poisson), so that one that is only ever joined at a bad place does not take the blame for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import Estimate
from inspections.recurrence.rates import compare, q_values

TURNS = 200
SHAPES = np.array([1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 1e6])


@dataclass(frozen=True, slots=True)
class PlaceRate:
    """`tries` and `failures` at a place; `expected` failures for the ends that met there, were it like the
    others; `ratio` of its rate to the other places that do not stand out, exact limits given the ends; `p`
    two-sided, `q` after allowing for all places. nan where there is nothing to compare with."""

    place: int
    tries: int
    failures: int
    expected: float
    ratio: Estimate
    p: float
    q: float


def places(place, ends, tries, failures, level: float = 0.95) -> list[PlaceRate]:
    """One entry per place with tries, in order of index.

    Rows (n,): `place` index, `tries`, `failures` ≤ tries; `ends` (n, 2) indices of the two ends that met, or (n,) if
    only one is known. An attempt stands in ONE row, with both its ends: in two it would count twice.
    """
    place, tries, failures = (np.atleast_1d(np.asarray(x, float)) for x in (place, tries, failures))
    ends = np.asarray(ends, float)
    ends = ends.reshape(len(place), ends.shape[1] if ends.ndim == 2 else 1)
    good = np.isfinite(place + tries + failures + ends.sum(axis=1)) & (tries > 0) & (failures >= 0) & (place >= 0)
    if not good.any():
        return []
    names, where = np.unique(place[good].astype(int), return_inverse=True)
    _, which = np.unique(ends[good], return_inverse=True)
    tries, failures = tries[good], np.minimum(failures[good], tries[good])
    expected = _explained(where, which.reshape(len(tries), -1), tries, failures)
    n, e, of = (np.bincount(where, weights=x) for x in (failures, expected, tries))
    against = _reference(n, e, level)
    found = [_compared(n, e, against, k, level) for k in range(len(names))]
    p = np.array([x.p if x.ratio.known else np.nan for x in found])
    return [
        PlaceRate(int(s), int(of[k]), int(n[k]), x.expected, x.ratio, float(p[k]), float(q))
        for k, (s, x, q) in enumerate(zip(names, found, q_values(p), strict=True))
    ]


@dataclass(frozen=True, slots=True)
class _Compared:
    expected: float
    ratio: Estimate
    p: float


def _compared(n: np.ndarray, e: np.ndarray, against: np.ndarray, k: int, level: float) -> _Compared:
    """Place k against the places of `against` (bool) but itself."""
    others = against.copy()
    others[k] = False
    rest, rest_e = n[others].sum(), float(e[others].sum())
    found = compare(int(n[k]), float(e[k]), int(rest), rest_e, level)
    expected = float(e[k] * rest / rest_e) if rest_e > 0 else np.nan
    return _Compared(expected, Estimate(*(float(x) for x in (found.ratio, found.low, found.high))), found.p)


def _reference(n: np.ndarray, e: np.ndarray, level: float) -> np.ndarray:
    """Places that do not stand out, (s,) bool: one bad place among the others would make good ones of the rest.

    The one with the smallest p is set aside, then the rest are looked at again, until none does or two are left.
    """
    against = np.ones(len(n), bool)
    while against.sum() > 2:
        inside = np.flatnonzero(against)
        p = np.array([_compared(n, e, against, k, level).p for k in inside])
        if q_values(p).min() > 1 - level:
            break
        against[inside[np.argmin(p)]] = False
    return against


def _explained(where: np.ndarray, which: np.ndarray, tries: np.ndarray, failures: np.ndarray) -> np.ndarray:
    """Failures per row that the ends explain, (n,): tries × the end factors, at the fleet's rate."""
    base = tries * failures.sum() / tries.sum()
    place, end = np.ones(where.max() + 1), np.ones(which.max() + 1)
    sides = which.shape[1]
    seen = np.bincount(which.ravel(), weights=np.repeat(failures, sides), minlength=len(end))
    for _ in range(TURNS):
        before = end.copy()
        explained = base * end[which].prod(axis=1)
        place = _over(np.bincount(where, weights=failures), np.bincount(where, weights=explained))
        row = base * place[where] * end[which].prod(axis=1)
        met = np.bincount(which.ravel(), weights=np.repeat(row, sides), minlength=len(end))
        shape = _spread(seen, met / end)
        end = (shape + seen) / (shape + met / end)
        if np.abs(np.log(end / before)).max() < 1e-8:
            break
    return base * end[which].prod(axis=1)


def _over(seen: np.ndarray, expected: np.ndarray) -> np.ndarray:
    return np.where(expected > 0, seen / np.where(expected > 0, expected, 1.0), 1.0)


def _spread(seen: np.ndarray, expected: np.ndarray) -> float:
    """Shape of the Gamma spread of the ends' factors, mean 1, likeliest of SHAPES."""
    from scipy.special import gammaln

    a = SHAPES[:, None]
    logs = gammaln(a + seen) - gammaln(a) + a * np.log(a / (a + expected)) - seen * np.log(a + expected)
    return float(SHAPES[int(np.argmax(logs.sum(axis=1)))])
