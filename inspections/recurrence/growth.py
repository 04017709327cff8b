"""Power law of a repairable system: M(t) = λ t^β, rate λ β t^(β−1). β > 1 worsening, β < 1 improving.

Not to be mixed up with the Weibull shape of a part that is replaced (`lives`). Clocks start at 0 when the system was
new, or at its overhaul: `start` > 0 is left truncation. Arrays as in `trend`.
Sources: Crow (1974); MIL-HDBK-189; IEC 61164, also for grouped data.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from inspections.recurrence.estimates import NAN, Estimate, likelihood_limits, numbers, top
from inspections.recurrence.trend import FALLING, FEW, NO_SIGN, RISING, TOO_FEW
from inspections.recurrence.watched import to_last_event, watched

STEEPEST = 100.0  # a β beyond it, or below its inverse, is none
DRAWS = 1999


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """`beta`: maximum likelihood, with limits. `unbiased`: corrected for small numbers, nan where no exact one
    exists; say which is shown. `log_scale`: ln λ, nan with own levels. `exact`: the limits are, else from the
    likelihood. `fit`, `fit_p`: Cramér–von Mises statistic and p of the power law itself, nan for late starts,
    grouped data, under 3 events. `verdict`: TOO_FEW below FEW events, else by whether the limits clear 1."""

    events: int
    systems: int
    beta: Estimate
    unbiased: float
    log_scale: float
    exact: bool
    fit: float
    fit_p: float
    verdict: str

    def count(self, age: np.ndarray | float) -> np.ndarray | float:
        """Expected events of one system by `age`, same shape; nan with own levels."""
        return np.exp(self.log_scale + self.beta.value * np.log(age))

    def rate(self, age: np.ndarray | float) -> np.ndarray | float:
        """Expected events per unit of the clock at `age`, same shape; nan with own levels."""
        return self.beta.value * self.count(age) / age


def power_law(time, system, start, stop, failure_ended=False, own_levels=False, level: float = 0.95) -> PowerLaw:
    """Fit over any windows: time-ended, failure-ended (one bool or (k,)), unequal, left-truncated.

    `own_levels`: each system has its own λ and only β is common. Without it λ is common too. Limits are exact where
    all windows start at 0 and either are equal and time-ended, or of one system, or have own levels: then, with S =
    Σ ln(T/t) and M events that do not end a window, 2βS ~ χ²(2M), β̂ = N/S, unbiased (M − 1)/S. Elsewhere likelihood
    limits.
    """
    given, last = to_last_event(watched(time, system, start, stop), failure_ended)
    given = replace(given, usable=given.usable & (given.start >= 0))
    used = given.usable[given.system]
    when, whose, last = given.time[used], given.system[used], last[used]
    if not len(when):
        return NOTHING
    windows = (given.start[given.usable], given.stop[given.usable])
    total, m = float(np.log(given.stop[whose] / when).sum()), int((~last).sum())
    alike = own_levels or len(windows[0]) == 1 or (np.ptp(windows[1]) == 0 and not last.any())
    if windows[0].max() == 0 and windows[0].min() == 0 and alike and m and total > 0:
        beta, unbiased = _exact(len(when), m, total, level), (m - 1) / total if m > 1 else NAN
        fit = _fit((when / given.stop[whose])[~last], unbiased)
        return _told(beta, unbiased, True, fit, given.counts, windows, own_levels)
    logs = float(np.log(when / windows[1].max()).sum())
    beta = _likeliest(
        lambda b: len(when) * np.log(b) + b * logs, given.counts[given.usable], windows, own_levels, level
    )
    return _told(beta, NAN, False, (NAN, NAN), given.counts, windows, own_levels)


def power_law_grouped(edge_from, edge_to, count, system=None, own_levels=False, level: float = 0.95) -> PowerLaw:
    """Fit to counts per interval: `edge_from`, `edge_to`, `count` (m,), e.g. months; `system` (m,) or None for one.

    Interval likelihood (IEC 61164); λ common unless `own_levels`. Intervals need not touch. Likelihood limits.
    """
    edges = numbers(edge_from, edge_to, count)
    whose = np.zeros(len(edges[0]), int) if system is None else np.atleast_1d(np.asarray(system, int))
    good = (edges[0] >= 0) & (edges[1] > edges[0]) & (edges[2] >= 0)
    low, high, count = (x[good] for x in edges)
    if not count.sum():
        return NOTHING
    whose = np.unique(whose[good], return_inverse=True)[1] if own_levels else np.arange(len(count))
    unit = high.max()
    mine = count > 0

    def inside(beta: float) -> float:
        return float((count * _log_span(low / unit, high / unit, beta))[mine].sum())

    beta = _likeliest(inside, count, (low, high), own_levels, level, whose)
    systems = np.bincount(
        np.zeros(len(count), int) if system is None else np.asarray(system, int)[good], weights=count
    )
    return _told(beta, NAN, False, (NAN, NAN), systems, (low, high), own_levels)


@dataclass(frozen=True, slots=True)
class Same:
    """Bartlett's statistic of one β for all systems, its degrees of freedom, `p`; nan for fewer than two systems."""

    chi2: float
    df: int
    p: float


def same_beta(time, system, start, stop, failure_ended=False) -> Same:
    """Do the systems share one β, whatever their levels? Bartlett's corrected likelihood ratio (MIL-HDBK-189).

    Windows that start at 0 only (others, and systems without an event inside, are left out): then 2β Σ ln(T/t) of a
    system with m events is χ²(2m).
    """
    from scipy.special import chdtrc

    given, last = to_last_event(watched(time, system, start, stop), failure_ended)
    used = (given.usable & (given.start == 0))[given.system] & ~last
    whose = given.system[used]
    m = np.bincount(whose, minlength=len(given.start))
    total = np.bincount(whose, weights=np.log(given.stop[whose] / given.time[used]), minlength=len(m))
    m, total = m[total > 0], total[total > 0]
    df = len(m) - 1
    if df < 1:
        return Same(NAN, max(df, 0), NAN)
    ratio = 2 * (m.sum() * np.log(total.sum() / m.sum()) - (m * np.log(total / m)).sum())
    chi2 = max(0.0, float(ratio / (1 + ((1 / m).sum() - 1 / m.sum()) / (6 * df))))
    return Same(chi2, df, float(chdtrc(df, chi2)))


def _log_span(start: np.ndarray, stop: np.ndarray, beta: float) -> np.ndarray:
    """ln(stop^β − start^β), whatever β."""
    with np.errstate(divide="ignore"):
        return beta * np.log(stop) + np.log(-np.expm1(beta * (np.log(start) - np.log(stop))))


def _log_sums(logs: np.ndarray, whose: np.ndarray) -> np.ndarray:
    """ln of the sum of exp(logs) of each system."""
    sums = np.full(int(whose.max()) + 1, -np.inf)
    np.logaddexp.at(sums, whose, logs)
    return sums


def _log_sum(logs: np.ndarray) -> float:
    most = logs.max()
    return float(most + np.log(np.exp(logs - most).sum()))


def _likeliest(inside, counts, windows, own_levels: bool, level: float, whose=None) -> Estimate:
    """β where `inside(β)` less the price of the windows is highest, with likelihood limits.

    The levels are profiled out: Σ n ln(its windows' total) for levels of each system, N ln(the total of all) for one.
    """
    start, stop = windows[0] / windows[1].max(), windows[1] / windows[1].max()

    def likelihood(log_beta: float) -> float:
        beta = np.exp(log_beta)
        spans = _log_span(start, stop, beta)
        if not own_levels:
            return inside(beta) - counts.sum() * _log_sum(spans)
        if whose is not None:
            spans, n = _log_sums(spans, whose), np.bincount(whose, weights=counts)
        else:
            n = counts
        return inside(beta) - float((n * spans)[n > 0].sum())

    edge = np.log(STEEPEST)
    best = top(likelihood, np.linspace(-edge, edge, 60))
    if np.isnan(best):
        return Estimate()
    return Estimate(*(float(np.exp(x)) for x in (best, *likelihood_limits(likelihood, best, -edge, edge, level))))


def _exact(n: int, m: int, total: float, level: float) -> Estimate:
    from scipy.stats import chi2

    low, high = chi2.ppf([(1 - level) / 2, (1 + level) / 2], 2 * m) / (2 * total)
    return Estimate(n / total, float(low), float(high))


def _told(beta, unbiased, exact, fit, counts, windows, own_levels) -> PowerLaw:
    scale = NAN
    if beta.known and not own_levels:
        unit = windows[1].max()
        spans = _log_span(windows[0] / unit, windows[1] / unit, beta.value)
        scale = float(np.log(counts.sum()) - _log_sum(spans) - beta.value * np.log(unit))
    if counts.sum() < FEW or not beta.known:
        said = TOO_FEW
    else:
        said = RISING if beta.low > 1 else FALLING if beta.high < 1 else NO_SIGN
    return PowerLaw(int(counts.sum()), int((counts > 0).sum()), beta, unbiased, scale, exact, *fit, said)


def _distance(share: np.ndarray, beta: np.ndarray) -> np.ndarray:
    """Cramér–von Mises distance of share^β from uniform, along the last axis (Crow 1974)."""
    m = share.shape[-1]
    ranks = (2 * np.arange(1, m + 1) - 1) / (2 * m)
    return 1 / (12 * m) + ((np.sort(share, axis=-1) ** beta[..., None] - ranks) ** 2).sum(axis=-1)


def _fit(share: np.ndarray, beta: float) -> tuple[float, float]:
    """Distance of the events from the power law fitted to them, and how often chance alone brings one as large."""
    if len(share) < 3:
        return NAN, NAN
    seen = float(_distance(share, np.array(beta)))
    return seen, float((1 + (_by_chance(len(share)) >= seen).sum()) / (1 + DRAWS))


@lru_cache(maxsize=64)
def _by_chance(m: int) -> np.ndarray:
    """The same distance for DRAWS sets of m events that do follow a power law; the same for every β."""
    share = np.random.default_rng(1).random((DRAWS, m))
    return _distance(share, (m - 1) / -np.log(share).sum(axis=1))


NOTHING = PowerLaw(0, 0, Estimate(), NAN, NAN, False, NAN, NAN, TOO_FEW)
