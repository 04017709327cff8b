"""The ruleset's own values: what an engineer signs, as frozen dataclasses (`trade.md` §2 and §4).

Every code is unique in its kind. A retired code stays loadable, so that an old report can still be graded.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from inspections.rules.limits import Limits

SEVERITIES = ("Insignificant", "Marginal", "Critical", "Catastrophic")
FREQUENCIES = ("Highly improbable", "Improbable", "Rare", "Occasional", "Probable", "Frequent")
Conditions = tuple[tuple[str, frozenset[str]], ...]


@dataclass(frozen=True, slots=True)
class LimitValue:
    """A number the operator's engineer owns: value in `unit`, where it is written, who set it."""

    code: str
    name: str
    value: Decimal
    unit: str
    document: str
    set_by: str


@dataclass(frozen=True, slots=True)
class Component:
    """A maintained component; `function` is M, A, E or W (weather protection)."""

    code: str
    name: str
    function: str


@dataclass(frozen=True, slots=True)
class Part:
    """What a driver can point at; the code is the slot code of a pattern, `number` its number on the drawing.

    `anything` marks the one that may be any part.
    """

    code: str
    name: str
    component: str
    number: int | None
    words: str
    anything: bool = False
    retired: bool = False


@dataclass(frozen=True, slots=True)
class Symptom:
    """What a driver sees, in plain words, with the failure modes it may be.

    `only` narrows a candidate to facts under which it is possible; `cant_tell` marks a part's "something else";
    `asks` are the facts worth asking for; `first` marks those shown first.
    """

    code: str
    parts: tuple[str, ...]
    words: str
    modes: tuple[str, ...]
    only: Mapping[str, Conditions]
    asks: tuple[str, ...]
    first: bool
    cant_tell: bool
    retired: bool = False


@dataclass(frozen=True, slots=True)
class Hazard:
    """What may happen to people, with its one severity."""

    code: str
    name: str
    severity: str
    why: str


@dataclass(frozen=True, slots=True)
class Band:
    """A range of a measured value. `edge` is the code of its upper limit value, "" for the last;
    `closed` says whether the edge itself belongs to the band."""

    word: str
    edge: str
    closed: bool


@dataclass(frozen=True, slots=True)
class Fact:
    """A question with its answers. A number is read into the words of its `bands`.

    `unknown` is the word taken while nobody has said ("" = every word is possible, so the worse counts);
    `needs` is the least quality of evidence that may narrow it; `plus_minus` names the fact with its uncertainty.
    """

    code: str
    question: str
    kind: str
    words: tuple[str, ...]
    labels: tuple[str, ...]
    unit: str
    unknown: str
    needs: str
    bands: tuple[Band, ...]
    plus_minus: str


@dataclass(frozen=True, slots=True)
class HazardRow:
    """One rule: this hazard, this often, in these situations and weathers, when these facts may hold."""

    rule: str
    hazard: str
    frequency: str
    situations: tuple[str, ...]
    weathers: tuple[str, ...]
    when: Conditions
    why: str


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One rule: these limits (and hours, None = none of its own) in these situations and weathers."""

    rule: str
    limits: Limits
    hours: Decimal | None
    situations: tuple[str, ...]
    weathers: tuple[str, ...]
    when: Conditions


@dataclass(frozen=True, slots=True)
class Step:
    """One line of a work card: what to do, what to write and in which unit, the caution before it."""

    do: str
    write: str = ""
    unit: str = ""
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Mode:
    """A failure mode: how often which hazard, what limits, how it is repaired and proved.

    `agreed` False means proposed, not agreed. `expiry` are the events that end a deferral; `on_expiry` the
    limits per situation that then join in. `obvious` modes would be seen by anyone who says nothing is loose.
    `second_person` asks for a checker; `wiring_check` means no closing without the independent check.
    """

    code: str
    component: str
    name: str
    agreed: bool
    hazards: tuple[HazardRow, ...]
    limits: tuple[LimitRow, ...]
    tell: tuple[str, ...]
    deferrable: bool
    expiry: tuple[str, ...]
    on_expiry: Mapping[str, Limits]
    tests: tuple[str, ...]
    steps: tuple[Step, ...]
    tools: tuple[str, ...]
    spares: tuple[str, ...]
    actions: tuple[str, ...]
    isolations: tuple[str, ...]
    cautions: tuple[str, ...]
    look_at_mates: bool
    document: str
    second_person: bool
    wiring_check: bool
    obvious: bool
    retired: bool = False


@dataclass(frozen=True, slots=True)
class Test:
    """A closing test: a value between `low` and `high` (either may be None) or simply passed.

    `minutes` makes it a leak test: `high` is the pressure drop in so many minutes. `checker` asks for a second
    person. Limits are those of `limit_values`, copied in with document and set_by.
    """

    __test__ = False  # not a test class for pytest to collect
    code: str
    name: str
    method: str
    unit: str
    low: Decimal | None
    high: Decimal | None
    document: str
    set_by: str
    checker: bool
    kind: str
    minutes: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Combination:
    """A named rule over two different open findings of one end: one of `first`, another of `second`."""

    code: str
    name: str
    first: frozenset[str]
    second: frozenset[str]
    hazards: tuple[HazardRow, ...]
    limits: tuple[LimitRow, ...]


@dataclass(frozen=True, slots=True)
class Conflict:
    """A named rule over joined limits: where all of `when` holds (or tighter), `then` joins in."""

    code: str
    words: str
    when: Limits
    then: Limits


@dataclass(frozen=True, slots=True)
class Isolation:
    """A kind of isolation: what is shut or cut out, the sentence that asks for it, the limits it brings."""

    code: str
    name: str
    words: str
    brings: Limits


@dataclass(frozen=True, slots=True)
class Weather:
    """A weather class, mildest first in the file: its words, what triggers it, its usual months (1..12)."""

    code: str
    name: str
    trigger: str
    months: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Delegation:
    """Who may leave a finding of this category, how long (hours, None = next exam), and what that needs."""

    category: int
    by: tuple[str, ...]
    hours: Decimal | None
    longest_days: Decimal | None
    may_defer: bool
    extensions: int
    extended_by: str
    needs: tuple[str, ...]
    tell: tuple[str, ...]
    words: str


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution for a person: `audience` is driver, fitter or all."""

    code: str
    words: str
    audience: str
