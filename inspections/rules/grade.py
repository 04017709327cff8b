"""The grade of a fault: (ruleset, observations, siblings, pattern) → every situation × weather cell.

Pure and total: anything a report can hold is graded. Within a hazard the worst frequency wins, the category is the
worst hazard's, limits join by the tightest dial; named combination and conflict rules come after.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import TYPE_CHECKING

from inspections.rules.answers import Cell, Grade, Hit
from inspections.rules.compiling import Compiled, CompiledHazard, CompiledRows
from inspections.rules.evidence import known, may
from inspections.rules.facts import Fault, Pattern
from inspections.rules.limits import Limits, join, tighter_or_equal

if TYPE_CHECKING:
    from inspections.rules.ruleset import Ruleset

__all__ = ["Cell", "Grade", "Hit", "gather", "grade", "settle"]

RAISED = "raised"
UNKNOWN_PATTERN = Pattern()
Gathered = tuple[dict[int, CompiledHazard], int, Decimal | None, list[str]]


def grade(ruleset: Ruleset, fault: Fault, others: Sequence[Fault] = (), pattern: Pattern = UNKNOWN_PATTERN) -> Grade:
    """The grade of one fault beside the other open faults of its end, for a coupler of this pattern."""
    compiled = ruleset.compiled
    mine = known(compiled, fault, pattern)
    siblings = [known(compiled, other, pattern).modes for other in others]
    speaking = [rows for i, rows in enumerate(compiled.modes) if mine.modes >> i & 1]
    speaking += [rows for rows in compiled.combinations if _combine(rows, mine.modes, siblings)]
    gathered = gather(compiled, speaking, mine.world)
    unpacked: dict[int, Limits] = {}
    cells = {key: _cell(compiled, gathered[i], mine.raised, unpacked) for i, key in enumerate(compiled.cells)}
    return Grade(cells, compiled.codes(mine.modes))


def settle(ruleset: Ruleset, *limits: Limits) -> Limits:
    """Join limits, then apply the named conflict rules until nothing changes (an end's standing uses this too)."""
    joined = join(*limits)
    while True:
        before = joined
        for conflict in ruleset.conflicts.values():
            if tighter_or_equal(joined, conflict.when):
                joined = join(joined, conflict.then)
        if joined == before:
            return joined


def _combine(rows: CompiledRows, mine: int, siblings: list[int]) -> bool:
    """Whether this fault stands on one side of the combination and a sibling on the other."""
    return any(
        (mine & rows.first and other & rows.second) or (mine & rows.second and other & rows.first)
        for other in siblings
    )


def gather(compiled: Compiled, speaking: list[CompiledRows], world: tuple[int, ...]) -> list[Gathered]:
    """Per cell, what the rows say in this world: worst row per hazard, limits as bits, hours, limit rules."""
    count = len(compiled.cells)
    hazards: list[dict[int, CompiledHazard]] = [{} for _ in range(count)]
    bits, hours, rules = [0] * count, [None] * count, [[] for _ in range(count)]
    for rows in speaking:
        for row in rows.hazards:
            if may(row.tests, world):
                for cell in row.cells:
                    worst = hazards[cell].get(row.hazard)
                    if worst is None or row.rank > worst.rank:
                        hazards[cell][row.hazard] = row
        for row in rows.limits:
            if may(row.tests, world):
                for cell in row.cells:
                    bits[cell] |= row.bits
                    rules[cell].append(row.rule)
                    hours[cell] = _sooner(hours[cell], row.hours)
    return list(zip(hazards, bits, hours, rules, strict=True))


def _sooner(a: Decimal | None, b: Decimal | None) -> Decimal | None:
    """The shorter of two times allowed; None is no time of its own."""
    if a is None or b is None:
        return b if a is None else a
    return min(a, b)


def _cell(compiled: Compiled, gathered: Gathered, raised: int, unpacked: dict[int, Limits]) -> Cell:
    hazards, bits, hours, rules = gathered
    hits = [hazards[i].hit for i in sorted(hazards)]
    hits.sort(key=_worst_first)
    category = hits[0].category if hits else 0
    if raised > category:
        category = raised
        hits.insert(0, Hit(RAISED, "", raised, "", RAISED))
    bits, named = _settle_bits(compiled, bits)
    if bits not in unpacked:
        unpacked[bits] = compiled.packing.unpack(bits)
    return Cell(
        category,
        tuple(hits),
        unpacked[bits],
        _sooner(compiled.hours[category], hours),
        (*(hit.rule for hit in hits), *rules, *named),
    )


def _worst_first(hit: Hit) -> int:
    return -hit.category


def _settle_bits(compiled: Compiled, bits: int) -> tuple[int, list[str]]:
    """`settle` on packed limits, with the names of the conflict rules that spoke."""
    named: list[str] = []
    while True:
        before = bits
        for code, when, then in compiled.conflicts:
            if bits & when == when and code not in named:
                named.append(code)
                bits |= then
        if bits == before:
            return bits, named
