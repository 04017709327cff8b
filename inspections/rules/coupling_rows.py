"""What the ruleset says about joining two ends: `[coupling]` of the document, its values, its published form.

A **rung** is one thing that may be so about two ends (the heads differ by more than 75 mm), with what it brings: the
most they may then join, further checks, conditions, cautions, who must agree. Rungs that exclude one another form a
**ladder**, mildest first; a worse rung brings what the milder ones bring too, so worse never loosens. The codes of
ladders and rungs are the vocabulary of `coupling`, which finds out what is so; what it brings is the engineer's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from inspections.rules.facts import CATEGORIES
from inspections.rules.limits import DIALS
from inspections.rules.schema import Table
from inspections.rules.terms import Caution, LimitValue

LEVELS = ("full", "air", "mechanical", "adapter", "no")
UNKNOWN = "unknown"
UNLISTED = "unlisted"
WORDS = 25
NEVER = {UNKNOWN: "no"}


class Kind(NamedTuple):
    """What a ladder may hold and how it is read.

    `rungs`: those it must have, in order, after what else the engineer names. `least`: the mildest level a rung may
    have. `words`: those of a rung, as "{code}", "{value}", "{name}" and "{edge}" allow; None: written in the row.
    `unit`, `edge`: the engineer's rungs are ranges of a number in this unit, worse "above" or "up_to" a limit value.
    `looked`: a look on the spot settles what is not known. `apart`: no rung brings what another does.
    """

    rungs: tuple[str, ...] = ()
    least: Mapping[str, str] = {}
    words: str | None = None
    unit: str = ""
    edge: str = ""
    looked: bool = False
    apart: bool = False


LADDERS: Mapping[str, Kind] = {
    "pair": Kind(("unsaid",), {"unsaid": "no"}, apart=True),
    "same": Kind(("unit",), {"unit": "no"}),
    "pattern": Kind((UNKNOWN,), NEVER, "Pattern not known."),
    "contacts": Kind(("differ",), {"differ": "air"}),
    "pipes": Kind(("none",), {"none": "mechanical"}),
    "end": Kind((UNKNOWN,), NEVER),
    "couple": Kind(DIALS["couple"][1:], {"not": "no"}, ""),
    "running": Kind(DIALS["couple"][1:], {"not": "no"}, ""),
    "category": Kind(CATEGORIES[1:], {"intolerable": "no"}, "Fault open here: {code}."),
    "label": Kind(("fitted",)),
    "isolation": Kind((UNLISTED,), words="", apart=True),
    "stand": Kind(("one", "both"), {"both": "no"}),
    "train": Kind(("stand",)),
    "uncouple": Kind(DIALS["uncouple"][1:], words=""),
    "rescue": Kind(DIALS["rescue"][1:], words=""),
    "heights": Kind((UNKNOWN,), NEVER, unit="mm", edge="above", looked=True),
    "curve": Kind((UNKNOWN,), NEVER, unit="m", edge="up_to", looked=True),
    "gradient": Kind((UNKNOWN,), NEVER, unit="‰", edge="above", looked=True),
    "weather": Kind((UNKNOWN,), NEVER, looked=True),
    "live": Kind(("maybe",)),
    "always": Kind(("always",), words=""),
}


@dataclass(frozen=True, slots=True)
class Rung:
    """One rung and what it brings. `level` is the most two such ends may join; `edge` the number of a range, else
    None; `source` is where it is written. `cautions` are codes, `checks`, `conditions` and `agree` words."""

    ladder: str
    code: str
    level: str
    words: str
    checks: tuple[str, ...]
    conditions: tuple[str, ...]
    cautions: tuple[str, ...]
    agree: tuple[str, ...]
    edge: Decimal | None
    source: str

    @property
    def rule(self) -> str:
        """As in "heights.over"."""
        return f"{self.ladder}.{self.code}"

    @property
    def to_look_at(self) -> bool:
        """Whether it says that somebody must look first."""
        return self.code == UNKNOWN and LADDERS[self.ladder].looked


@dataclass(frozen=True, slots=True)
class Coupling:
    """The section: where it is written; words of the levels; words while something must be looked at `first`, and
    for what comes `then` ("{level}" is put in); who may have to agree; the rungs by ladder, pairs of patterns
    ("P Q", sorted) being rungs of the ladder "pair"."""

    source: str
    levels: Mapping[str, str]
    first: str
    then: str
    people: tuple[str, ...]
    ladders: Mapping[str, tuple[Rung, ...]]

    def rungs(self) -> tuple[Rung, ...]:
        """Every rung, in the order in which what they bring is told."""
        return tuple(rung for ladder in self.ladders.values() for rung in ladder)


def coupling(document: Table, known: dict) -> Coupling | None:
    """The section, or None for a ruleset that says nothing about coupling."""
    if "coupling" not in document.data:
        return None
    t = document.table("coupling")
    source, people = f"{t.text('document')}; {t.text('set_by')}", t.texts("people")
    levels = _words(t.table("levels"))
    read = _Reader(known, people, levels, source)
    pairs, ladders = read.pairs(t.table("pairs")), read.ladders(t.table("rules"))
    ladders["pair"] = (*pairs, *ladders["pair"])
    found = Coupling(source, levels, t.text("first", words=WORDS), t.text("then", words=WORDS), people, ladders)
    if "{level}" not in found.then:
        raise t.fail("then", "must hold {level}, where the words of the level go")
    t.done()
    return found


def _words(t: Table) -> dict[str, str]:
    read = {level: t.text(level, words=WORDS) for level in LEVELS}
    t.done()
    return read


class _Reader:
    """Reads rungs against the codes and numbers already known."""

    def __init__(self, known: dict, people: tuple[str, ...], levels: Mapping[str, str], source: str) -> None:
        self.known, self.people, self.levels, self.source = known, people, levels, source

    def pairs(self, t: Table) -> tuple[Rung, ...]:
        """Which pattern joins which, and how: one row a pair, in either order."""
        read: dict[str, Rung] = {}
        for key in t.data:
            row, codes = t.table(key), sorted(key.split())
            if len(codes) != 2:
                raise t.fail(key, "must name two patterns, as in 'P Q'")
            pair = " ".join(codes)
            if pair in read:
                raise t.fail(key, f"{' and '.join(codes)} are a pair already")
            level = row.choice("level", LEVELS)
            read[pair] = self._rung(row, "pair", pair, f"{' with '.join(codes)}: {self.levels[level]}")
        return tuple(read.values())

    def ladders(self, t: Table) -> dict[str, tuple[Rung, ...]]:
        """Every ladder, in the order of LADDERS."""
        read = {ladder: self._ladder(t.table(ladder), ladder) for ladder in LADDERS}
        t.done()
        if not read["always"][0].cautions:
            raise t.fail("always.always.cautions", "needs at least one: who decides is said with every answer")
        return read

    def _ladder(self, t: Table, ladder: str) -> tuple[Rung, ...]:
        kind = LADDERS[ladder]
        known = {"weather": self.known["weather_words"], "isolation": self.known["isolations"]}
        free = known.get(ladder, t.data if kind.unit else ())
        named = [code for code in free if code in t.data and code not in kind.rungs]
        rungs = tuple(self._rung(t.table(code), ladder, code, kind.words) for code in (*named, *kind.rungs))
        t.done()
        edges = [rung.edge for rung in rungs if rung.edge is not None]
        if edges != sorted(set(edges), reverse=kind.edge == "up_to"):
            raise t.fail(named[-1], "ranges are written mildest first, each worse than the one before")
        return rungs

    def _rung(self, row: Table, ladder: str, code: str, words: str | None) -> Rung:
        kind = LADDERS[ladder]
        least = kind.least.get(code, LEVELS[0])
        limit = self._limit(row, kind) if kind.unit and code != UNKNOWN else None
        if kind.looked:
            words = self._seen(ladder, code, limit)
        read = Rung(
            ladder=ladder,
            code=code,
            level=row.choice("level", LEVELS[LEVELS.index(least) :], least),
            words=row.text("words", words=WORDS) if words is None else words.replace("{code}", code),
            checks=_sentences(row, "checks"),
            conditions=_sentences(row, "conditions"),
            cautions=row.texts("cautions", self.known["cautions"]),
            agree=row.texts("agree", self.people),
            edge=limit.value if limit else None,
            source=f"{limit.document}; {limit.set_by}" if limit else self.source,
        )
        if read.to_look_at and not read.checks:
            raise row.fail("checks", "needs at least one: what to look at first")
        row.done()
        return read

    def _limit(self, row: Table, kind: Kind) -> LimitValue:
        limit = self.known["limit_values"][row.choice(kind.edge, self.known["limit_values"])]
        if limit.unit != kind.unit:
            raise row.fail(kind.edge, f"{limit.code!r} is in {limit.unit}, not in {kind.unit}")
        return limit

    def _seen(self, ladder: str, code: str, limit: LimitValue | None) -> str:
        """Words for what somebody on the spot can see; "{value}" is what was measured."""
        if limit:
            return f"{limit.name} {plain(limit.value)} {limit.unit}; here {{value}} {limit.unit}."
        seen = "not known" if code == UNKNOWN else self.known["weather_words"][code].name
        return f"{ladder.capitalize()}: {seen}."


def _sentences(row: Table, key: str) -> tuple[str, ...]:
    read = row.texts(key)
    for text in read:
        if not 1 <= len(text.split()) <= WORDS:
            raise row.fail(key, f"each needs 1 to {WORDS} words: {text!r}")
    return read


def plain(number: Decimal) -> str:
    """A number without needless zeros or exponent."""
    return f"{number.normalize():f}"


def published(section: Coupling | None, cautions: Mapping[str, Caution]) -> dict | None:
    """The section for the phone, or None; `rules.publish` gives its shape."""
    if section is None:
        return None
    used = dict.fromkeys(code for rung in section.rungs() for code in rung.cautions)
    return {
        "source": section.source,
        "levels": section.levels,
        "first": section.first,
        "then": section.then,
        "people": section.people,
        "cautions": {code: cautions[code].words for code in used},
        "rungs": {rung.rule: _published(section, rung) for rung in section.rungs()},
    }


def _published(section: Coupling, rung: Rung) -> list:
    words = "" if " " in rung.code and rung.ladder == "pair" else rung.words
    values = [LEVELS.index(rung.level), words, rung.checks, rung.conditions, rung.agree, rung.cautions]
    values += ["" if rung.edge is None else plain(rung.edge), "" if rung.source == section.source else rung.source]
    while len(values) > 1 and not values[-1]:
        values.pop()
    return values
