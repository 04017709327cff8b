"""What the rules are told: frozen values, never rows (`design.md`, definitions 1 and 3)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from types import MappingProxyType

SITUATIONS = ("U", "C", "R")
SITUATION_WORDS = {"U": "uncoupled", "C": "about to couple", "R": "coupled and running"}
CATEGORIES = ("negligible", "tolerable", "undesirable", "intolerable")
QUALITIES = ("not confirmed", "seen", "examined", "measured")
KINDS = (
    "first report",
    "still there",
    "worse",
    "not there now",
    "examined",
    "measured",
    "made safe",
    "raised",
    "corrected",
)
EMPTY: Mapping[str, str | Decimal] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Observation:
    """One look at one fault. Codes are those of the ruleset; "" means not said.

    `part` is what the reporter picked ("" = another part, or can't tell); `symptom` is in the driver's words;
    `mode` is a candidate or confirmed failure mode and outranks the symptom; `facts` maps fact codes to a word of
    that fact or to a Decimal in the fact's unit. `raised_to` is a category (0..3) for the kind "raised".
    """

    part: str
    symptom: str = ""
    mode: str = ""
    kind: str = "first report"
    quality: str = "seen"
    facts: Mapping[str, str | Decimal] = field(default_factory=dict)
    raised_to: int | None = None


@dataclass(frozen=True, slots=True)
class Fault:
    """A finding as the rules see it: its observations, oldest first."""

    key: str
    observations: tuple[Observation, ...]


@dataclass(frozen=True, slots=True)
class Pattern:
    """What the coupler pattern says: contacts dead when uncoupled (yes / no / unknown), slot → pipe ("MRP", "BP")."""

    contacts_dead: str = "unknown"
    pipes: Mapping[str, str] = field(default_factory=dict)
