"""Is a rate rising or falling? Tests and ratios for repairable ends, each watched over a window of its own.

Events of system q (an end, a coupler) are counted in (start, stop], in the unit of its own clock: days or couplings
since entry for ageing, days of the calendar for what a whole fleet went through; say which. Given how many each
system had, nothing here depends on their levels, so good ends and bad ends may be pooled. Give episodes, not log
lines: repeats come in bursts, and bursts look like trends.

Arrays: `time` (n,), `system` (n,) index into `start` and `stop` (k,). Events outside their window are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import NAN, Estimate, common_ratio, likelihood_limits, numbers
from inspections.recurrence.watched import Watched, to_last_event, watched

FEW = 8
STEEPEST = 500.0  # e-folds over the longest window: beyond it a slope counts as infinite
TINY = 1e-300
TOO_FEW, RISING, FALLING, NO_SIGN = "too few to tell", "rising", "falling", "no sign of change"


@dataclass(frozen=True, slots=True)
class Trend:
    """Two tests of a steady rate over `events` of `systems` (those with events).

    `laplace`: U, about normal(0, 1), above 0 rising; `laplace_p` two-sided. `chi2`: MIL-HDBK-189, chi-squared with
    `df` degrees of freedom, small is rising; `chi2_p` two-sided (twice the smaller tail). `verdict`: TOO_FEW below
    FEW events, else RISING or FALLING where Laplace's p is at most the level asked for, else NO_SIGN. Laplace
    decides, named before looking: it is the best test of a rate that changes by a constant factor a year.
    """

    events: int
    systems: int
    laplace: float
    laplace_p: float
    chi2: float
    df: int
    chi2_p: float
    verdict: str


def trend(time, system, start, stop, failure_ended=False, size: float = 0.05) -> Trend:
    """Laplace and MIL-HDBK-189, combined over own windows (`stats.md` §3; IEC 61164; Ascher & Feingold 1984).

    U = Σ(t − (s + T)/2) / √(Σ n (T − s)²/12); X = 2 Σ ln((T − s)/(t − s)) ~ χ²(2N). `failure_ended`: watching a
    system ended at its last event, which then is the window's end and not counted; one bool or (k,).
    """
    from scipy.special import chdtr, chdtrc, ndtr

    given = watched(time, system, start, stop)
    if np.any(failure_ended):
        given, last = to_last_event(given, failure_ended)
        keep = ~last & given.usable[given.system]
        given = Watched(given.time[keep], given.system[keep], given.start, given.stop, given.usable, given.left_out)
    n = len(given.time)
    if n == 0:
        return Trend(0, 0, NAN, NAN, NAN, 0, NAN, TOO_FEW)
    length = (given.stop - given.start)[given.system]
    share = np.maximum((given.time - given.start[given.system]) / length, TINY)
    weight = length / length.max()
    u = float(((share - 0.5) * weight).sum() / np.sqrt((weight**2).sum() / 12))
    x = float(-2 * np.log(share).sum())
    p_u, p_x = 2 * float(ndtr(-abs(u))), 2 * min(float(chdtr(2 * n, x)), float(chdtrc(2 * n, x)))
    return Trend(n, int((given.counts > 0).sum()), u, p_u, x, 2 * n, min(1.0, p_x), verdict(n, u, p_u, size))


@dataclass(frozen=True, slots=True)
class Change:
    """Rate now over the rate `apart` earlier, with limits. `p`: two-sided, of no change. `verdict`: as in `Trend`."""

    events: int
    apart: float
    ratio: Estimate
    p: float
    verdict: str


def rate_now(time, system, start, stop, apart: float = 365.25, level: float = 0.95) -> Change:
    """How many times the rate `apart` ago the rate is now: log-linear rate exp(γt), common γ, each end its own level.

    Conditional maximum likelihood given the counts (Cox & Lewis 1966), likelihood limits. Assumes a change by the
    same factor every year over the windows given: choose them before looking.
    """
    from scipy.special import chdtrc

    given = watched(time, system, start, stop)
    n = len(given.time)
    if n == 0:
        return Change(0, apart, Estimate(), NAN, TOO_FEW)
    span = float((given.stop - given.start)[given.usable].max())
    half = (given.stop - given.start)[given.system] / (2 * span)
    away = float((given.time - given.start[given.system]).sum() / span - half.sum())

    def likelihood(g: float) -> float:
        return g * away - float(_log_sinhc(g * half).sum())

    slope = _steepest(away, half)
    p = float(chdtrc(1, max(0.0, 2 * likelihood(slope))))
    limits = likelihood_limits(likelihood, slope, -STEEPEST, STEEPEST, level)
    found = np.array([slope if abs(slope) < STEEPEST else slope * np.inf, *limits])
    with np.errstate(over="ignore"):
        ratio = Estimate(*(float(x) for x in np.exp(found * apart / span)))
    return Change(n, apart, ratio, p, verdict(n, away, p, 1 - level))


@dataclass(frozen=True, slots=True)
class Step:
    """Counts and exposure before and after a date, rate after over rate before with exact limits, central p."""

    before: int
    after: int
    exposure_before: float
    exposure_after: float
    ratio: Estimate
    p: float
    verdict: str


def step(time, system, start, stop, at, exposure=None, level: float = 0.95) -> Step:
    """Was the rate another after `at` than before? Exact comparison, conditional on the total (`stats.md` §2).

    `at`: one time or (k,), own date of each system (a modification); an event at `at` counts as after. `exposure`
    (k, 2): what each system ran before and after, e.g. expected counts with usage and season; without it, time. A
    date chosen because the counts jumped there makes p too small.
    """
    given = watched(time, system, start, stop)
    at = np.broadcast_to(numbers(at)[0], given.start.shape)
    if exposure is None:
        before, after = np.minimum(at, given.stop) - given.start, given.stop - np.maximum(at, given.start)
        exposure = np.where(given.usable[:, None], np.stack([before, after], axis=1), 0.0)
    exposure = np.maximum(np.nan_to_num(numbers(exposure)[0].reshape(-1, 2)), 0.0)
    late = given.time >= at[given.system]
    known = np.isfinite(at)[given.system]
    counts = [np.bincount(given.system[known & side], minlength=len(given.start)) for side in (~late, late)]
    ratio, p = common_ratio(counts[0], exposure[:, 0], counts[1], exposure[:, 1], level)
    n = [int(count.sum()) for count in counts]
    ran = exposure[np.isfinite(at)].sum(axis=0)
    way = ratio.value - 1 if ratio.known else 0.0
    return Step(*n, float(ran[0]), float(ran[1]), ratio, p, verdict(sum(n), way, p, 1 - level))


def bursts(time, start: float, stop: float) -> float:
    """Lewis–Robinson: Laplace's U of one end over the spread (CV) of its gaps, for events that come in bursts; else
    nan."""
    given = watched(time, np.zeros(np.shape(np.atleast_1d(time))), start, stop)
    if len(given.time) < 3:
        return NAN
    gaps = np.diff(np.sort(given.time), prepend=given.start[0])
    spread = gaps.std(ddof=1) / gaps.mean()
    return float(trend(given.time, given.system, start, stop).laplace / spread) if spread > 0 else NAN


def verdict(events: int, way: float, p: float, size: float = 0.05) -> str:
    """TOO_FEW below FEW events or without p; else RISING or FALLING by the sign of `way` where p is at most
    `size`."""
    if events < FEW or np.isnan(p):
        return TOO_FEW
    if p > size:
        return NO_SIGN
    return RISING if way > 0 else FALLING


def _log_sinhc(x: np.ndarray) -> np.ndarray:
    """ln(sinh x / x), without overflow."""
    x = np.abs(x)
    safe = np.maximum(x, 1e-4)
    return np.where(x < 1e-4, x * x / 6, safe + np.log(-np.expm1(-2 * safe)) - np.log(2 * safe))


def _steepest(away: float, half: np.ndarray) -> float:
    """The slope, per longest window, at which the mean distance from mid-window is the one seen; at most STEEPEST."""
    from scipy.optimize import brentq

    def score(g: float) -> float:
        x = np.where(np.abs(g * half) < 1e-4, 1.0, g * half)
        langevin = np.where(np.abs(g * half) < 1e-4, g * half / 3, 1 / np.tanh(x) - 1 / x)
        return away - float((half * langevin).sum())

    if score(STEEPEST) >= 0:
        return STEEPEST
    if score(-STEEPEST) <= 0:
        return -STEEPEST
    return brentq(score, -STEEPEST, STEEPEST, xtol=1e-12)
