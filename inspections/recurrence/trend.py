"""Is a rate rising or falling? Tests and ratios for repairable ends, each watched over a window of its own.

Events of system q (an end, a coupler) are counted in (start, stop], in the unit of its own clock: days or couplings
since entry for ageing, days of the calendar for what a whole fleet went through; say which. Given how many each
system had, nothing here depends on their levels, so good ends and bad ends may be pooled. Give episodes, not log
lines: repeats come in bursts, and bursts look like trends.

Arrays: `time` (n,), `system` (n,) index into `start` and `stop` (k,). Events outside their window are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

from inspections.recurrence.estimates import Estimate

FEW = 8
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


def trend(time, system, start, stop, failure_ended: bool = False, size: float = 0.05) -> Trend:
    """Laplace and MIL-HDBK-189, combined over own windows (`stats.md` §3; IEC 61164; Ascher & Feingold 1984).

    U = Σ(t − (s + T)/2) / √(Σ n (T − s)²/12); X = 2 Σ ln((T − s)/(t − s)) ~ χ²(2N). `failure_ended`: watching a
    system ended at its last event, which then is the window's end and not counted.
    """
    raise NotImplementedError


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
    raise NotImplementedError


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
    raise NotImplementedError


def bursts(time, start: float, stop: float) -> float:
    """Lewis–Robinson: Laplace's U of one end over the spread (CV) of its gaps, for events that come in bursts; else
    nan."""
    raise NotImplementedError
