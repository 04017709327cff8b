"""What the observations of a fault leave possible (`design.md`, definition 5).

The first observation sets the ground: what it does not say stays unsaid. A later one of the same quality only adds
possibilities. Better evidence (examined, measured) takes the place of what is no better on the point it speaks of.
"Worse" makes everything it does not restate unsaid again. "Not there now" changes nothing by itself.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from inspections.rules.compiling import Compiled, CompiledFact, Tests
from inspections.rules.facts import QUALITIES, Fault, Observation, Pattern

if TYPE_CHECKING:
    from inspections.rules.ruleset import Ruleset

SEEN = QUALITIES.index("seen")
WHOLE = ("first report",)
SILENT = ("raised", "not there now")
PLAIN = re.compile(r"[0-9]+(\.[0-9]+)?")


@dataclass(frozen=True, slots=True)
class Known:
    """What is still possible: modes as bits, per fact its words as bits, and the category raised to (0 = none)."""

    modes: int
    world: tuple[int, ...]
    raised: int


def may(tests: Tests, world: tuple[int, ...] | list[int]) -> bool:
    """Whether every condition meets at least one possible word."""
    for index, mask in tests:  # noqa: SIM110 - the inner loop of grading; all() costs a third more
        if not world[index] & mask:
            return False
    return True


def known(compiled: Compiled, fault: Fault, pattern: Pattern) -> Known:
    """Fold the observations, oldest first. A fault without any is "another part, or can't tell"."""
    observations = fault.observations or (Observation(part="other"),)
    worlds = [list(compiled.unsaid), [0] * len(compiled.unsaid), [0] * len(compiled.unsaid)]
    modes = [0, 0, 0]
    raised = 0
    for n, observation in enumerate(observations):
        if observation.kind == "raised" and observation.raised_to is not None:
            raised = max(raised, observation.raised_to)
        if n and observation.kind in SILENT:
            continue
        rank = max(0, _quality(observation) - SEEN)
        said = _said(compiled, observation, pattern)
        claim = _modes(compiled, observation, said, whole=not n or observation.kind in WHOLE)
        if claim:
            _claim(modes, rank, claim)
            raised = 0 if rank and observation.kind != "raised" else raised
        _learn(compiled, worlds, observation, said, rank, first=not n)
    world = [a | b | c for a, b, c in zip(*worlds, strict=True)]
    dead = compiled.facts.get("contacts-dead")
    if dead is not None and pattern.contacts_dead in dead.words:
        world[dead.index] = dead.words[pattern.contacts_dead]
    return Known(modes[0] | modes[1] | modes[2], tuple(world), min(raised, 3))


def _quality(observation: Observation) -> int:
    return QUALITIES.index(observation.quality) if observation.quality in QUALITIES else 0


def _claim(ranks: list[int], rank: int, bits: int) -> None:
    """Add bits to one rank; better evidence first clears what is no better."""
    if rank:
        for lower in range(rank + 1):
            ranks[lower] = 0
    ranks[rank] |= bits


def _said(compiled: Compiled, observation: Observation, pattern: Pattern) -> dict[int, int]:
    """Fact index → possible words, for the facts this observation states; weak evidence does not narrow."""
    quality = _quality(observation)
    said = {}
    for code, value in observation.facts.items():
        fact = compiled.facts.get(code)
        if fact is None:
            continue
        bits = _bits(fact, value, observation)
        said[fact.index] = bits if quality >= fact.needs else bits | fact.unsaid
    pipe = compiled.facts.get("pipe")
    if pipe is not None and pattern.pipes.get(observation.part) in pipe.words:
        bit = pipe.words[pattern.pipes[observation.part]]
        said[pipe.index] = said.get(pipe.index, 0) | bit
    return said


def _bits(fact: CompiledFact, value: str | Decimal, observation: Observation) -> int:
    """The words a stated value leaves possible; a value that cannot be read leaves them all."""
    if isinstance(value, str) and value in fact.words:
        return fact.words[value]
    number = _number(value)
    if not fact.edges or number is None:
        return fact.all
    spread = Decimal(0)
    if fact.plus_minus:
        spread = _number(observation.facts.get(fact.plus_minus, ""))
        if spread is None:
            return fact.all
    low, high = _band(fact, number - spread), _band(fact, number + spread)
    return (high << 1) - low  # every band from the lower to the higher


def _number(value: str | int | Decimal) -> Decimal | None:
    """A number of 0 or more in plain digits; anything else cannot be read."""
    if isinstance(value, str):
        return Decimal(value) if PLAIN.fullmatch(value) else None
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        return None
    number = Decimal(value)
    return number if number.is_finite() and number >= 0 else None


def _band(fact: CompiledFact, number: Decimal) -> int:
    for edge, closed, bit in fact.edges:
        if edge is None or number < edge or (closed and number == edge):
            return bit
    raise AssertionError("the last band has no edge")


def _modes(compiled: Compiled, observation: Observation, said: dict[int, int], *, whole: bool) -> int:
    """The candidate modes this observation leaves; 0 when it says nothing about them."""
    stated = compiled.mode_bits.get(observation.mode, 0)
    symptom = compiled.symptoms.get(observation.symptom)
    if stated and _quality(observation) >= SEEN:
        return stated
    if symptom is not None and not symptom.cant_tell:
        candidates = symptom.always
        world = [said.get(i, bits) for i, bits in enumerate(compiled.unsaid)] if symptom.narrowed else []
        for bit, tests in symptom.narrowed:
            if may(tests, world):
                candidates |= bit
        return candidates | stated
    if not (whole or symptom or stated):
        return 0
    return _cant_tell(compiled, observation, said, symptom) | stated


def _cant_tell(compiled: Compiled, observation: Observation, said: dict[int, int], symptom) -> int:
    """All candidates of the part, less what anyone would have seen if nothing is loose or hanging."""
    fallback = symptom.always if symptom else compiled.all_modes
    candidates = compiled.part_modes.get(observation.part, fallback)
    loose = compiled.facts.get("may-fall")
    if loose is not None and said.get(loose.index, loose.all) == loose.words.get("no"):
        candidates &= ~compiled.obvious
    return candidates


def _learn(
    compiled: Compiled,
    worlds: list[list[int]],
    observation: Observation,
    said: dict[int, int],
    rank: int,
    *,
    first: bool,
) -> None:
    """Take up the facts one observation states, and what it makes unsaid again."""
    if observation.kind == "worse" and not first:
        for index, bits in enumerate(compiled.unsaid):
            if index not in said:
                worlds[0][index] |= bits
    for index, bits in said.items():
        if first:
            worlds[0][index] = 0
        ranks = [world[index] for world in worlds]
        _claim(ranks, rank, bits)
        for world, value in zip(worlds, ranks, strict=True):
            world[index] = value


def strangers(ruleset: Ruleset, fault: Fault) -> tuple[str, ...]:
    """Sentences naming every code or word of a fault that the ruleset does not know; empty when all are known.

    Grading never refuses: an unknown word counts as not said, an unknown code as "can't tell".
    """
    found = []
    for o in fault.observations:
        for kind, code, of in (
            ("part", o.part, ruleset.parts),
            ("symptom", o.symptom, ruleset.symptoms),
            ("mode", o.mode, ruleset.modes),
        ):
            if code and code not in of:
                found.append(f"{kind} {code!r} is not in the ruleset")
        for code, value in o.facts.items():
            fact = ruleset.facts.get(code)
            if fact is None:
                found.append(f"fact {code!r} is not in the ruleset")
            elif value not in fact.words and not (fact.kind == "number" and _number(value) is not None):
                found.append(f"fact {code!r}: {value!r} is not one of {', '.join(fact.words) or 'the numbers'}")
    return tuple(found)
