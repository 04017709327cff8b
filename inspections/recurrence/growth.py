"""Power law of a repairable system: M(t) = λ t^β, rate λ β t^(β−1). β > 1 worsening, β < 1 improving.

Not to be mixed up with the Weibull shape of a part that is replaced (`lives`). Clocks start at 0 when the system was
new (or at its overhaul): `start` > 0 is left truncation. Arrays as in `trend`.
Sources: Crow (1974); IEC 61164; MIL-HDBK-189; grouped: Crow (1982), IEC 61164 grouped data.
"""

from __future__ import annotations

from dataclasses import dataclass

from inspections.recurrence.estimates import Estimate


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """`beta`: maximum likelihood, with limits. `unbiased`: corrected for small numbers, nan where no exact one
    exists; say which is shown. `log_scale`: ln λ (nan with own levels). `exact`: limits are exact, else from the
    likelihood. `fit_p`: Cramér–von Mises p of the power law itself (nan where not asked: grouped data, few
    events)."""

    events: int
    systems: int
    beta: Estimate
    unbiased: float
    log_scale: float
    exact: bool
    fit_p: float
    verdict: str

    def count(self, age):
        """Expected events of one system by `age`, same shape as `age`; nan with own levels."""
        raise NotImplementedError

    def rate(self, age):
        """Expected events per unit of the clock at `age`, same shape."""
        raise NotImplementedError


def power_law(time, system, start, stop, failure_ended=False, own_levels=False, level: float = 0.95) -> PowerLaw:
    """Fit over any windows: time-ended, failure-ended, unequal, left-truncated.

    `own_levels`: each system has its own λ and only β is common (the levels drop out). Without it λ is common too.
    Limits are exact for windows that all start at 0 and either are equal (time-ended), or one system, or own levels:
    2Mβ/β̂ ~ χ²(2M), M = N less one per failure-ended system. Elsewhere likelihood limits.
    """
    raise NotImplementedError


def power_law_grouped(edge_from, edge_to, count, system=None, own_levels=False, level: float = 0.95) -> PowerLaw:
    """Fit to counts per interval: `edge_from`, `edge_to`, `count` (m,), e.g. months; `system` (m,) or None for one.

    Interval likelihood; λ common unless `own_levels`. Intervals need not touch. Likelihood limits.
    """
    raise NotImplementedError
