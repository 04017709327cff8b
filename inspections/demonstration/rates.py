"""How often what happens on the invented railway. Plain rates: nothing stands out here but by chance.

What is to stand out (an end, a serial, a season, a repair) is planted by a subclass that overrides the methods;
the simulation asks nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from random import Random
from types import MappingProxyType

from inspections.forms.close import CAUSES

# Faults per 1,000 couplings of an end.
FAULTS = MappingProxyType(
    {
        "air-upper": 3.2,
        "air-lower": 2.8,
        "contacts": 3.8,
        "cover": 2.9,
        "hook": 1.5,
        "handle": 1.2,
        "hoses": 1.0,
        "cables": 0.5,
        "hood": 0.7,
        "shank": 0.6,
        "cup": 0.5,
        "cone": 0.4,
        "face": 0.3,
        "other": 0.2,
    }
)
# Symptoms nobody sees often, whatever the order on the page.
RARE = frozenset(
    [
        *("seal-missing", "air-rear", "hook-crack", "hook-lamp", "guide-crack", "face-bolts", "block-cracked"),
        *("cover-hanging", "cover-gone", "release-parted", "release-moving", "shank-bracket", "shank-short"),
        *("shank-step", "door-open", "other-rough", "pin-bent", "block-odd", "handle-out", "hook-marks"),
        "release-bounce",
    ]
)
# Actions that leave a new part in the slot. A seal that is not worn out stays in.
RENEWING = frozenset(
    ["Seal ring renewed", "Seal and retainer renewed", "Cleaned, seal renewed"]
    + ["Cover renewed", "Cover set renewed", "Cover set fitted", "Both covers renewed"]
)
# Weights of the causes in the order of the fitter's form.
CAUSE_WEIGHTS = (40, 12, 30, 6, 4, 2, 6)
WEATHER_BY_MONTH = {12: 2, 1: 2, 2: 2, 3: 1, 11: 1}  # → row of WEATHERS
WEATHERS = [(72, 28, 0), (58, 36, 6), (40, 38, 22)]  # dry, wet, frost in percent: summer, between, winter


@dataclass(frozen=True)
class Where:
    """An end on a day: its name at the start of the record, unit type, pattern, its coupler, days before the
    railway's present, month."""

    end: str
    type: str
    pattern: str
    serial: str
    days_ago: float
    month: int


@dataclass(frozen=True)
class Rates:
    """Chances between 0 and 1 unless said otherwise."""

    faults: Mapping[str, float] = field(default_factory=lambda: FAULTS)
    looks: float = 0.68  # of a unit's coupling days with "looked, nothing found"
    still_there: float = 0.3  # of faults that wait for more than a day, seen again
    doubled: float = 0.03  # of faults, reported by a second driver as if new
    withdrawn: float = 0.02  # of findings, reported in error
    raised: float = 0.015  # of findings, raised by control
    by_fitter: float = 0.1  # of faults, found and repaired by a fitter in one go
    typed: float = 0.05  # of reports, typed in by control after a call
    away: float = 0.15  # of visits, at the other depot
    not_found: float = 0.09  # of close-outs: no fault found
    released: float = 0.06  # of close-outs: released with limits
    returns: float = 0.04  # of repairs, over and above fresh faults

    def per_thousand(self, at: Where) -> Mapping[str, float]:
        """Faults per 1,000 couplings there and then, by part."""
        return self.faults

    def fault(self, at: Where, random: Random) -> str:
        """The part that fails at this coupling of this end, or ""."""
        draw = random.random() * 1000
        for part, rate in self.per_thousand(at).items():
            draw -= rate
            if draw < 0:
                return part
        return ""

    def comes_back(self, component: str, action: str, depot: str) -> float:
        """The chance that a repair does not hold, and the fault is there again within three weeks."""
        return self.returns

    def symptom(self, rules, part: str, random: Random) -> str:
        """What the driver sees, as the ruleset words it."""
        symptoms = rules.symptoms_of(part)
        weights = [self.weight(symptom) for symptom in symptoms]
        return random.choices(symptoms, weights)[0].code

    def weight(self, symptom) -> float:
        """How often a symptom of the ruleset is seen, among those of its part."""
        return 0.2 if symptom.cant_tell else 0.6 if symptom.code in RARE else 6 if symptom.first else 3

    def action(self, mode, random: Random, renew: bool | None = None) -> str:
        """What the fitter does about a mode; the first way in the ruleset is the usual one.

        `renew`: True for a part that is worn out, False for one that is not; None where either may be.
        """
        ways = [way for way in mode.actions if renew is None or (way in RENEWING) == renew] or list(mode.actions)
        return random.choices(ways, range(len(ways), 0, -1))[0] if ways else ""

    def cause(self, random: Random) -> str:
        """A cause from the fitter's list, mostly wear, then weather and dirt."""
        return random.choices([cause for cause, _ in CAUSES], CAUSE_WEIGHTS)[0]

    def weather(self, at: datetime, classes: tuple[str, ...], random: Random) -> str:
        """A weather class of the ruleset, by season."""
        return random.choices(classes[:3], WEATHERS[WEATHER_BY_MONTH.get(at.month, 0)])[0]
