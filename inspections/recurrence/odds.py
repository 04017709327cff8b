"""Odds of a group against others, over strata: a common odds ratio, and an exact test of there being none.

Sources: Mantel & Haenszel (1959); limits: Robins, Breslow & Greenland (1986); exact: the hypergeometric of each
stratum, summed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import NAN, Estimate, normal_point, tilted_limits


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
    limits, p = tilted_limits(mass, seen, 0.0, level)
    ratio = _common(a, b, c, d, level) or Estimate(0.0 if seen == 0 else np.inf, *(float(np.exp(x)) for x in limits))
    return Odds(ratio, chi2, float(chdtrc(1, chi2)), p)


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
