"""The ruleset made ready to run: codes become bits, so that grading is masks and look-ups.

Facts: one int per fact, a bit per word that is still possible; a row speaks when every condition meets at least
one possible word ("not known" is the worse, because every word is then possible). Limits: one int, each dial a run
of bits as long as the value is tight, so that joining is `|`; isolations and speeds are bits too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from inspections.rules.answers import Hit
from inspections.rules.facts import QUALITIES, SITUATIONS
from inspections.rules.limits import DIALS, Limits
from inspections.rules.terms import FREQUENCIES, Conditions, Fact, HazardRow, LimitRow

if TYPE_CHECKING:
    from inspections.rules.ruleset import Ruleset

Tests = tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class CompiledHazard:
    """A hazard row: the cells it speaks in, its rank (more frequent is higher) and its finished hit."""

    tests: Tests
    cells: tuple[int, ...]
    hazard: int
    rank: int
    hit: Hit


@dataclass(frozen=True, slots=True)
class CompiledLimit:
    """A limit row: the cells it speaks in, its limits as bits, its own hours or None, its rule id."""

    tests: Tests
    cells: tuple[int, ...]
    bits: int
    hours: Decimal | None
    rule: str


@dataclass(frozen=True, slots=True)
class CompiledRows:
    """The rows of a mode, or of a combination with the modes of its two sides."""

    hazards: tuple[CompiledHazard, ...]
    limits: tuple[CompiledLimit, ...]
    first: int = 0
    second: int = 0


@dataclass(frozen=True, slots=True)
class CompiledFact:
    """How one fact is read: word → bit, all bits, bits while unsaid, least quality, band edges."""

    index: int
    words: Mapping[str, int]
    all: int
    unsaid: int
    needs: int
    edges: tuple[tuple[Decimal | None, bool, int], ...]
    plus_minus: str


@dataclass(frozen=True, slots=True)
class CompiledSymptom:
    """Candidate modes: those always possible, and those possible under tests of the same observation."""

    always: int
    narrowed: tuple[tuple[int, Tests], ...]
    cant_tell: bool


@dataclass(frozen=True, slots=True)
class Compiled:
    """Everything `evidence` and `grade` look up. Modes, facts and cells are numbered in file order."""

    cells: tuple[tuple[str, str], ...]
    facts: Mapping[str, CompiledFact]
    unsaid: tuple[int, ...]
    mode_codes: tuple[str, ...]
    mode_bits: Mapping[str, int]
    modes: tuple[CompiledRows, ...]
    all_modes: int
    obvious: int
    part_modes: Mapping[str, int]
    symptoms: Mapping[str, CompiledSymptom]
    combinations: tuple[CompiledRows, ...]
    conflicts: tuple[tuple[str, int, int], ...]
    hours: tuple[Decimal | None, ...]
    packing: Packing
    sentences: Mapping[str, str]

    def codes(self, modes: int) -> tuple[str, ...]:
        """The codes of a set of modes, in file order."""
        return tuple(code for i, code in enumerate(self.mode_codes) if modes >> i & 1)


class Packing:
    """Limits ⇄ bits, for the limits this ruleset can name."""

    def __init__(self, isolations: Iterable[str], speeds: Iterable[int]) -> None:
        self.dials = []
        shift = 0
        for dial, words in DIALS.items():
            self.dials.append((dial, words, shift, (1 << len(words) - 1) - 1))
            shift += len(words) - 1
        self.isolations = tuple((code, 1 << shift + i) for i, code in enumerate(isolations))
        shift += len(self.isolations)
        self.speeds = tuple(sorted(set(speeds), reverse=True))
        self.speed_shift = shift

    def pack(self, limits: Limits) -> int:
        """The bits of limits whose isolations and speed the ruleset names."""
        bits = 0
        for dial, words, shift, _ in self.dials:
            bits |= ((1 << words.index(getattr(limits, dial))) - 1) << shift
        for code, bit in self.isolations:
            if code in limits.isolations:
                bits |= bit
        if limits.speed is not None:
            bits |= ((1 << self.speeds.index(limits.speed) + 1) - 1) << self.speed_shift
        return bits

    def unpack(self, bits: int) -> Limits:
        """The limits a set of bits stands for."""
        values = [words[(bits >> shift & mask).bit_length()] for _, words, shift, mask in self.dials]
        caps = (bits >> self.speed_shift).bit_length()
        speed = self.speeds[caps - 1] if caps else None
        return Limits(*values, speed, frozenset(code for code, bit in self.isolations if bits & bit))


def compile_rules(ruleset: Ruleset) -> Compiled:
    """Precompile a checked ruleset."""
    cells = tuple((s, w) for s in SITUATIONS for w in ruleset.weathers)
    facts = {code: _fact(i, fact, ruleset) for i, (code, fact) in enumerate(ruleset.facts.items())}
    packing = Packing(ruleset.isolations, _speeds(ruleset))
    codes = tuple(ruleset.modes)
    bits = {code: 1 << i for i, code in enumerate(codes)}

    def rows(owner, first: int = 0, second: int = 0) -> CompiledRows:
        hazards = tuple(_hazard(row, owner.code, ruleset, facts, cells) for row in owner.hazards)
        limits = tuple(_limit(row, facts, cells, packing) for row in owner.limits)
        return CompiledRows(hazards, limits, first, second)

    part_modes = _part_modes(ruleset, bits)
    return Compiled(
        cells=cells,
        facts=facts,
        unsaid=tuple(fact.unsaid for fact in facts.values()),
        mode_codes=codes,
        mode_bits=bits,
        modes=tuple(rows(mode) for mode in ruleset.modes.values()),
        all_modes=_sum(bits[m.code] for m in ruleset.modes.values() if not m.retired),
        obvious=_sum(bits[m.code] for m in ruleset.modes.values() if m.obvious),
        part_modes=part_modes,
        symptoms={code: _symptom(s, bits, facts, part_modes) for code, s in ruleset.symptoms.items()},
        combinations=tuple(
            rows(c, _sum(bits[m] for m in c.first), _sum(bits[m] for m in c.second))
            for c in ruleset.combinations.values()
        ),
        conflicts=tuple((c.code, packing.pack(c.when), packing.pack(c.then)) for c in ruleset.conflicts.values()),
        hours=tuple(d.hours for d in ruleset.delegation.values()),
        packing=packing,
        sentences=_sentences(ruleset),
    )


def _sum(bits: Iterable[int]) -> int:
    total = 0
    for bit in bits:
        total |= bit
    return total


def _fact(index: int, fact: Fact, ruleset: Ruleset) -> CompiledFact:
    words = {word: 1 << i for i, word in enumerate(fact.words)}
    everything = (1 << len(words)) - 1
    edges = tuple(
        (ruleset.limit_values[band.edge].value if band.edge else None, band.closed, words[band.word])
        for band in fact.bands
    )
    unsaid = words.get(fact.unknown, everything)
    return CompiledFact(index, words, everything, unsaid, QUALITIES.index(fact.needs), edges, fact.plus_minus)


def _tests(when: Conditions, facts: Mapping[str, CompiledFact]) -> Tests:
    return tuple((facts[code].index, _sum(facts[code].words[w] for w in words)) for code, words in when)


def _cells(row: HazardRow | LimitRow, cells: tuple[tuple[str, str], ...]) -> tuple[int, ...]:
    return tuple(i for i, (s, w) in enumerate(cells) if s in row.situations and w in row.weathers)


def _hazard(
    row: HazardRow,
    owner: str,
    ruleset: Ruleset,
    facts: Mapping[str, CompiledFact],
    cells: tuple[tuple[str, str], ...],
) -> CompiledHazard:
    category = ruleset.matrix[ruleset.hazards[row.hazard].severity, row.frequency]
    hit = Hit(row.hazard, row.frequency, category, owner, row.rule)
    index = tuple(ruleset.hazards).index(row.hazard)
    return CompiledHazard(_tests(row.when, facts), _cells(row, cells), index, FREQUENCIES.index(row.frequency), hit)


def _limit(
    row: LimitRow, facts: Mapping[str, CompiledFact], cells: tuple[tuple[str, str], ...], packing: Packing
) -> CompiledLimit:
    return CompiledLimit(_tests(row.when, facts), _cells(row, cells), packing.pack(row.limits), row.hours, row.rule)


def _speeds(ruleset: Ruleset) -> list[int]:
    owners = [*ruleset.modes.values(), *ruleset.combinations.values()]
    limits = [row.limits for owner in owners for row in owner.limits]
    limits += [x for c in ruleset.conflicts.values() for x in (c.when, c.then)]
    return [x.speed for x in limits if x.speed is not None]


def _part_modes(ruleset: Ruleset, bits: Mapping[str, int]) -> dict[str, int]:
    read = {}
    for code, part in ruleset.parts.items():
        modes = {m for s in ruleset.symptoms.values() if code in s.parts and not s.retired for m in s.modes}
        if part.anything:
            modes = set(ruleset.modes)
        read[code] = _sum(bits[m] for m in modes if not ruleset.modes[m].retired)
    return read


def _symptom(symptom, bits: Mapping[str, int], facts: Mapping[str, CompiledFact], part_modes) -> CompiledSymptom:
    if symptom.cant_tell:
        return CompiledSymptom(_sum(part_modes[p] for p in symptom.parts), (), True)
    always = _sum(bits[m] for m in symptom.modes if m not in symptom.only)
    narrowed = tuple((bits[m], _tests(when, facts)) for m, when in symptom.only.items())
    return CompiledSymptom(always, narrowed, False)


def _sentences(ruleset: Ruleset) -> dict[str, str]:
    """Rule id → the sentence that explains it; built once, so that explaining is a look-up."""
    read = {}
    for owner in (*ruleset.modes.values(), *ruleset.combinations.values()):
        for row in owner.hazards:
            name = ruleset.hazards[row.hazard].name
            read[row.rule] = f"{name}: {row.frequency.lower()}, as {row.why} (rule {row.rule})."
        for row in owner.limits:
            read[row.rule] = f"Limits of rule {row.rule}: {_short(row, ruleset)}."
    for conflict in ruleset.conflicts.values():
        read[conflict.code] = f"{conflict.words} (rule {conflict.code})"
    read["raised"] = "Raised by control."
    return read


def _short(row: LimitRow, ruleset: Ruleset) -> str:
    limits = row.limits
    said = [f"{d} {getattr(limits, d)}" for d, words in DIALS.items() if getattr(limits, d) != words[0]]
    said += [f"{limits.speed} km/h"] if limits.speed is not None else []
    said += [ruleset.isolations[code].name for code in ruleset.isolations if code in limits.isolations]
    said += [f"within {row.hours} hours"] if row.hours is not None else []
    return ", ".join(said)
