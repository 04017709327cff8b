"""The ruleset: the operator's engineer's document, read strictly from TOML into frozen values.

`load(text)` raises `RulesetError` naming the dotted path (or the line of a syntax error) and leaves nothing half
read. `shipped_text()` is the indicative one that comes with the logbook. What stands in the document and why is in
the document; `terms` holds the value types.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path

from inspections.rules import compiling, reading
from inspections.rules.coupling_rows import Coupling
from inspections.rules.limits import Limits
from inspections.rules.schema import RulesetError, Table, parse
from inspections.rules.terms import (
    Caution,
    Combination,
    Component,
    Conflict,
    Delegation,
    Fact,
    Hazard,
    Isolation,
    LimitValue,
    Mode,
    Part,
    Symptom,
    Test,
    Weather,
)

__all__ = ["Ruleset", "RulesetError", "load", "shipped_text"]


@dataclass(frozen=True, slots=True)
class Ruleset:
    """A checked ruleset. Collections are by code, in file order.

    `matrix` is (severity, frequency) → category 0..3; `delegation` is by category 0..3; `weathers` holds the codes,
    mildest first, `weather_words` their values; `dial_words` is dial → value → sentence and `running_words` the same
    where it reads differently while coupled and running; `expiry_events` are the events that may end a deferral.
    `coupling` is None where the ruleset says nothing about which ends join.
    """

    sha256: str
    title: str
    version: str
    approved: str
    limit_values: Mapping[str, LimitValue]
    weathers: tuple[str, ...]
    weather_words: Mapping[str, Weather]
    components: Mapping[str, Component]
    parts: Mapping[str, Part]
    hazards: Mapping[str, Hazard]
    matrix: Mapping[tuple[str, str], int]
    facts: Mapping[str, Fact]
    cautions: Mapping[str, Caution]
    isolations: Mapping[str, Isolation]
    tests: Mapping[str, Test]
    delegation: Mapping[int, Delegation]
    expiry_events: Mapping[str, str]
    exposure: Mapping[str, str]
    on_expiry: Mapping[str, Limits]
    modes: Mapping[str, Mode]
    symptoms: Mapping[str, Symptom]
    combinations: Mapping[str, Combination]
    conflicts: Mapping[str, Conflict]
    dial_words: Mapping[str, Mapping[str, str]]
    running_words: Mapping[str, Mapping[str, str]]
    coupling: Coupling | None = None
    compiled: compiling.Compiled | None = field(default=None, repr=False, compare=False)

    @property
    def repeat_days(self) -> int:
        """Days of the repeat window (`design.md`, definition 10)."""
        return int(self.limit_values["repeat-days"].value)

    @property
    def repeat_couplings(self) -> int:
        """Couplings of the repeat window; it ends with the later of the two."""
        return int(self.limit_values["repeat-couplings"].value)

    @property
    def rough_speed(self) -> Decimal:
        """Above this approach speed, km/h, a coupling counts as rough."""
        return self.limit_values["rough-coupling"].value

    def symptoms_of(self, part: str) -> tuple[Symptom, ...]:
        """The part's symptoms still in use: first ones first, then in file order."""
        found = [s for s in self.symptoms.values() if part in s.parts and not s.retired]
        return tuple(sorted(found, key=lambda s: (s.cant_tell, not s.first)))

    def candidates(self, part: str) -> tuple[str, ...]:
        """Every failure mode the part's symptoms lead to; an unknown part or "other" may be any mode in use."""
        return self.compiled.codes(self.compiled.part_modes.get(part, self.compiled.all_modes))


def shipped_text() -> str:
    """The text of the shipped, indicative ruleset."""
    return (Path(__file__).parent / "indicative.toml").read_text(encoding="utf-8")


def load(text: str) -> Ruleset:
    """The ruleset in `text`, checked and precompiled. Raises RulesetError."""
    return build(parse(text), hashlib.sha256(text.encode()).hexdigest())


def build(document: Table, sha256: str) -> Ruleset:
    """The ruleset in a parsed document. Raises RulesetError."""
    known = {"sha256": sha256}
    known |= {key: document.text(key) for key in ("title", "version", "approved")}
    for name, read in reading.SECTIONS:
        known[name] = read(document, known)
    document.done()
    known["weathers"] = tuple(known["weather_words"])
    _refuse_loose_ends(document, known)
    ruleset = Ruleset(**known)
    return replace(ruleset, compiled=compiling.compile_rules(ruleset))


def _refuse_loose_ends(document: Table, known: dict) -> None:
    """What single rows cannot show: parts without symptoms, modes nobody reaches or without a rule."""
    for code, part in known["parts"].items():
        mine = [s for s in known["symptoms"].values() if code in s.parts and not s.retired]
        if not part.retired and not any(s.cant_tell for s in mine):
            raise document.fail(f"parts.{code}", 'has no symptom with cant_tell ("something else, or I can\'t tell")')
    reached = {m for s in known["symptoms"].values() for m in s.modes}
    for code, mode in known["modes"].items():
        if not mode.retired and code not in reached:
            raise document.fail(f"modes.{code}", "is not a candidate of any symptom")
    for needed in ("repeat-days", "repeat-couplings", "rough-coupling"):
        if needed not in known["limit_values"]:
            raise document.fail(f"limits.{needed}", "is missing; the logbook needs this limit")
