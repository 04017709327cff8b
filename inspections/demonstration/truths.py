"""What is planted on the invented railway, and nothing else. The manager's page must find these, and only these.

Every figure stands here once: the demonstration draws from these methods through the builders of intake, `arrays`
draws from the same methods without a database. Times are days before the railway's present. Ends are named as they
are called at the start of the record ("305 A").
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from math import exp, gamma, log
from random import Random
from types import MappingProxyType

from fleet.traffic import Traffic
from inspections.demonstration.rates import FAULTS, Rates, Where

SEALS = ("air-upper", "air-lower")
CONTACTS = ("contacts", "cables")

# 1. Seal findings at these ends: six times the fleet's rate.
BAD_SEALS = ("305 A", "211 B", "402 A")
SEAL_TIMES = 6.0
# 2. The contact block of this coupler, wherever it is; it goes from the first end to the second half way.
BAD_COUPLER, FIRST_AT, THEN_AT = "P-0147", "207 A", "312 B"
COUPLER_TIMES = 7.0
# 3. Attempts fail on the curve at this siding, whichever ends are joined.
CURVE, CURVE_TIMES = "THO", 4.0
# 4. Covers in these months.
WINTER, WINTER_TIMES = (12, 1, 2), 3.0
# 5. Contact blocks treated so at this depot come back in the window, over and above fresh faults. Elsewhere, and
# after anything else, `Rates.returns`.
POOR_ACTION, POOR_DEPOT, POOR_COMPONENT, POOR_RETURNS = "Cleaned", "ELM", "contact-block", 0.45
# 6. Seals in place: Weibull; renewed at an exam by this chance, whatever their age.
SEAL_SHAPE, SEAL_SCALE, RENEWED_AT_EXAM = 2.6, 700.0, 0.12
# 7. Lock findings on this pattern halve from this day on. Until then they are above the fleet's, after it below.
MODIFIED_PATTERN, MODIFIED_DAYS_AGO, MODIFIED_SHARE = "P", 540, 0.5
MODIFICATION = "Lock spring of thicker wire"
# 8. Release gear of this type, through the last year: so many times as often on its last day as on the first. Before,
# it is below the fleet's, so that over the record the type is like the others.
WORSE_TYPE, WORSE_DAYS, WORSE_TIMES, BEFORE_IT = "3N", 365, 30.0, 0.35
# 9. A bent pin here, from so many days ago; it marks the pins of four mates before it is found.
BENT_PIN_AT, BENT_PIN_DAYS_AGO, MARKED_MATES, MARKED_WITHIN = "309 B", 200, 4, 9


def mean_life() -> float:
    """Days a seal lasts on average when nobody renews it."""
    return SEAL_SCALE * gamma(1 + 1 / SEAL_SHAPE)


def seal_life(random: Random) -> float:
    """Days in place until a new seal fails."""
    return SEAL_SCALE * (-log(1 - random.random())) ** (1 / SEAL_SHAPE)


# Faults per 1,000 couplings of an end, beside the seals that wear out. Locks and release gear are common enough to
# show their trends; covers have their winter on top.
PLAIN = MappingProxyType(
    {
        **FAULTS,
        "air-upper": 1.7,
        "air-lower": 1.6,
        "hoses": 0.3,
        "contacts": 3.7,
        "cover": 1.8,
        "hook": 2.7,
        "face": 0.2,
        "cone": 0.3,
        "cup": 0.3,
        "other": 0.1,
        "handle": 1.9,
        "hood": 0.4,
        "cables": 0.3,
        "shank": 0.4,
    }
)


@dataclass(frozen=True)
class Truths(Rates):
    """The invented railway as it is shipped."""

    faults: Mapping[str, float] = field(default_factory=lambda: PLAIN)
    returns: float = 0.08

    def per_thousand(self, at: Where) -> dict[str, float]:
        """Faults per 1,000 couplings there and then, by part; wear of seals is not among them."""
        rates = dict(self.faults)
        if at.end in BAD_SEALS:
            worn = 1000 * len(SEALS) / mean_life()
            fresh = sum(self.faults[part] for part in SEALS)
            times = (SEAL_TIMES * (fresh + worn) - worn) / fresh
            rates |= {part: times * self.faults[part] for part in SEALS}
        if at.serial == BAD_COUPLER:
            rates |= {part: COUPLER_TIMES * self.faults[part] for part in CONTACTS}
        if at.month in WINTER:
            rates["cover"] *= WINTER_TIMES
        if at.pattern == MODIFIED_PATTERN:
            before = 2 / (1 + MODIFIED_SHARE)
            rates["hook"] *= before if at.days_ago > MODIFIED_DAYS_AGO else before * MODIFIED_SHARE
        if at.type == WORSE_TYPE:
            rates["handle"] *= BEFORE_IT * exp(log(WORSE_TIMES) * max(0, 1 - at.days_ago / WORSE_DAYS))
        return rates

    def comes_back(self, component: str, action: str, depot: str) -> float:
        """The chance that a repair does not hold, over and above fresh faults."""
        poor = (component, action, depot) == (POOR_COMPONENT, POOR_ACTION, POOR_DEPOT)
        return POOR_RETURNS if poor else self.returns

    def weight(self, symptom) -> float:
        """Dirty pins are what contact blocks mostly have."""
        return 60 if symptom.code == "pins-dirty" else super().weight(symptom)


@dataclass(frozen=True)
class Curve(Traffic):
    """The traffic as it is shipped: the curve at Thornhope, and the coupler that moves."""

    carried_over: tuple[str, str, str] | None = (BAD_COUPLER, FIRST_AT, THEN_AT)

    def chance_of_failure(self, place: str, ends, at: datetime) -> float:
        """Four times as often on the curve."""
        return self.failed * (CURVE_TIMES if place == CURVE else 1)
