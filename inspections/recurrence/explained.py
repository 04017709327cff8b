"""Failures of attempts as place × end × end, fitted by turns: what the ends explain, each against what the place
does.

An end's factor is shrunk towards 1 as far as the spread of all ends says (Gamma–Poisson), so that one that is only
ever joined at a bad place does not take the blame for it.
"""

from __future__ import annotations

import numpy as np

TURNS = 200
SHAPES = np.array([1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 1e6])


def by_ends(where: np.ndarray, which: np.ndarray, tries: np.ndarray, failures: np.ndarray) -> np.ndarray:
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
