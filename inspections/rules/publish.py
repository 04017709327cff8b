"""The ruleset as the phone holds it: finished cells to look up and join, never rules to run.

`table(ruleset)` is one JSON-able dict:

    v, sha256                             version of this shape; the ruleset
    situations, weathers                  codes; cell number = situation × len(weathers) + weather
    categories                            four names
    dials                                 dial → values, loosest first
    words, running, isolations            dial → value → sentence; the same while running; code → sentence
    facts                                 code → words, unknown, needs (0..3), bands [word, edge or null, closed],
                                          plus_minus
    parts                                 code → name, modes (mode numbers)
    symptoms                              code → words, modes, only {mode number: {fact: [words]}}, cant_tell, asks
    modes                                 per mode number: code, name, obvious, facts and its sheet: for every choice
                                          of those facts (last fact fastest) the nine numbers of its finished cells.
                                          A fact is [code, {word: class}, number of classes]; words that make no
                                          difference to the mode share a class
    modes_in_use                          mode numbers a report of an unknown part may be
    cells                                 finished cells: [category, limits number]
    limits                                finished limits: one value number per dial, speed or null, isolations
    combinations                          code, first and second (mode numbers), cells (nine numbers)
    conflicts                             code, words, when and then (limits)
    coupling                              null, or source, first, then, people and the words of levels (mildest first)
                                          and cautions, and rungs: "ladder.rung" → [level number, words, checks,
                                          conditions, agree, cautions, edge, source], an empty end left out
                                          (what they mean: `coupling_rows`)

A fault's cell is the join of the cells of its candidate modes over every choice of facts still possible, with the
combinations it takes part in: worst category, tightest value per dial, sets united; then the conflicts. (The worst
frequency of a hazard has its worst category: no ruleset is read where a more frequent cell of the matrix is milder.)
Why it is so and the time allowed are for the logbook's pages: on a slow link they would cost a second.
`known` is a finding already folded on the server; `verdict` is what the phone's look-up must equal.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from itertools import product
from typing import TYPE_CHECKING

from inspections.rules import coupling_rows, evidence
from inspections.rules.compiling import Compiled, CompiledRows
from inspections.rules.explain import limit_words
from inspections.rules.facts import CATEGORIES, QUALITIES, SITUATIONS, Fault, Pattern
from inspections.rules.grade import UNKNOWN_PATTERN, Gathered, gather, grade, settle
from inspections.rules.limits import DIALS, Limits
from inspections.rules.terms import Mode

if TYPE_CHECKING:
    from inspections.rules.ruleset import Ruleset


class _Numbered:
    """Values in the order first met, each under one number."""

    def __init__(self, values: Iterable = ()) -> None:
        self.numbers = {}
        for value in values:
            self.number(value)

    def number(self, value) -> int:
        return self.numbers.setdefault(value, len(self.numbers))


def table(ruleset: Ruleset) -> dict:
    """The whole table (shape: see the module's docstring)."""
    compiled = ruleset.compiled
    sheets = _Sheets(ruleset)
    modes = [_mode(ruleset, number, mode, sheets) for number, mode in enumerate(ruleset.modes.values())]
    combinations = [
        {
            "code": code,
            "first": _numbers(rows.first),
            "second": _numbers(rows.second),
            "cells": sheets.cells([rows], compiled.unsaid),
        }
        for code, rows in zip(ruleset.combinations, compiled.combinations, strict=True)
    ]
    return {
        "v": 2,
        "sha256": ruleset.sha256,
        **_frame(ruleset),
        "facts": {code: _fact(ruleset, code) for code in ruleset.facts},
        "parts": {code: _part(ruleset, code) for code in ruleset.parts},
        "symptoms": {code: _symptom(ruleset, code) for code in ruleset.symptoms},
        "modes": modes,
        "modes_in_use": _numbers(compiled.all_modes),
        "combinations": combinations,
        "cells": [list(cell) for cell in sheets.finished.numbers],
        "limits": [_limits(compiled.packing.unpack(bits)) for bits in sheets.limits.numbers],
        "conflicts": [
            {"code": c.code, "words": c.words, "when": _limits(c.when), "then": _limits(c.then)}
            for c in ruleset.conflicts.values()
        ],
        "coupling": coupling_rows.published(ruleset.coupling, ruleset.cautions),
    }


class _Sheets:
    """Finished cells and limits, each kept once and referred to by number."""

    def __init__(self, ruleset: Ruleset) -> None:
        self.compiled = ruleset.compiled
        self.limits, self.finished = _Numbered([0]), _Numbered()

    def cells(self, rows: list[CompiledRows], world: tuple[int, ...]) -> list[int]:
        """The numbers of the nine finished cells of these rows in this world."""
        return [self._finish(gathered) for gathered in gather(self.compiled, rows, world)]

    def _finish(self, gathered: Gathered) -> int:
        hazards, bits, _, _ = gathered
        category = max((row.hit.category for row in hazards.values()), default=0)
        return self.finished.number((category, self.limits.number(bits)))


def _mode(ruleset: Ruleset, number: int, mode: Mode, sheets: _Sheets) -> dict:
    """One mode's sheet, over the few facts that matter to it."""
    compiled = ruleset.compiled
    facts = [(code, _classes(ruleset, mode, code)) for code in ruleset.facts if _matters(mode, code)]
    sheet = []
    for choice in product(*([*dict.fromkeys(classes.values())] for _, classes in facts)):
        world = list(compiled.unsaid)
        for (code, classes), wanted in zip(facts, choice, strict=True):
            word = next(w for w, c in classes.items() if c == wanted)
            world[compiled.facts[code].index] = compiled.facts[code].words[word]
        sheet.append(sheets.cells([compiled.modes[number]], tuple(world)))
    named = [[code, classes, len(set(classes.values()))] for code, classes in facts]
    return {"code": mode.code, "name": mode.name, "obvious": mode.obvious, "facts": named, "sheet": sheet}


def _matters(mode: Mode, fact: str) -> bool:
    return any(code == fact for row in (*mode.hazards, *mode.limits) for code, _ in row.when)


def _classes(ruleset: Ruleset, mode: Mode, fact: str) -> dict[str, int]:
    """Word → class number: words that meet the same conditions of this mode share one."""
    conditions = [words for row in (*mode.hazards, *mode.limits) for code, words in row.when if code == fact]
    kinds = _Numbered()
    return {w: kinds.number(tuple(w in c for c in conditions)) for w in ruleset.facts[fact].words}


def _frame(ruleset: Ruleset) -> dict:
    return {
        "situations": SITUATIONS,
        "weathers": [[w.code, w.name] for w in ruleset.weather_words.values()],
        "categories": CATEGORIES,
        "dials": DIALS,
        "words": ruleset.dial_words,
        "running": ruleset.running_words,
        "isolations": {i.code: i.words for i in ruleset.isolations.values()},
    }


def _fact(ruleset: Ruleset, code: str) -> dict:
    fact = ruleset.facts[code]
    edges = {b.word: _plain(ruleset.limit_values[b.edge].value) if b.edge else None for b in fact.bands}
    return {
        "words": fact.words,
        "unknown": fact.unknown,
        "needs": QUALITIES.index(fact.needs),
        "bands": [[b.word, edges[b.word], b.closed] for b in fact.bands],
        "plus_minus": fact.plus_minus,
    }


def _part(ruleset: Ruleset, code: str) -> dict:
    part = ruleset.parts[code]
    return {"name": part.name, "modes": _numbers(ruleset.compiled.part_modes[code])}


def _symptom(ruleset: Ruleset, code: str) -> dict:
    symptom = ruleset.symptoms[code]
    number = {mode: i for i, mode in enumerate(ruleset.modes)}
    ours = ruleset.compiled.symptoms[code]
    listed = _numbers(ours.always) if symptom.cant_tell else [number[m] for m in symptom.modes]
    return {
        "words": symptom.words,
        "modes": listed,
        "only": {
            str(number[mode]): {fact: sorted(words) for fact, words in when} for mode, when in symptom.only.items()
        },
        "cant_tell": symptom.cant_tell,
        "asks": symptom.asks,
    }


def _numbers(bits: int) -> list[int]:
    return [i for i in range(bits.bit_length()) if bits >> i & 1]


def _limits(limits: Limits) -> list:
    ranks = [words.index(getattr(limits, dial)) for dial, words in DIALS.items()]
    return [*ranks, limits.speed, sorted(limits.isolations)]


def _plain(hours: Decimal | None) -> str | None:
    return None if hours is None else f"{hours.normalize():f}"


def known(ruleset: Ruleset, fault: Fault, pattern: Pattern = UNKNOWN_PATTERN) -> dict:
    """A finding folded for the phone: candidate modes, per fact the words still possible, category raised to."""
    compiled: Compiled = ruleset.compiled
    folded = evidence.known(compiled, fault, pattern)
    facts = {
        code: [word for word, bit in fact.words.items() if folded.world[fact.index] & bit]
        for code, fact in compiled.facts.items()
        if folded.world[fact.index] != fact.unsaid
    }
    return {"modes": list(compiled.codes(folded.modes)), "facts": facts, "raised": folded.raised}


def verdict(ruleset: Ruleset, faults: Sequence[Fault], pattern: Pattern = UNKNOWN_PATTERN) -> dict:
    """The open faults of one end, graded together, and the end's limits: what the phone must show too.

    {"faults": [{"modes", "worst", "cells"}], "end": cells}; cells are situation → weather → category, limits
    (dial → value, speed, isolations) and words.
    """
    grades = [grade(ruleset, fault, [o for o in faults if o is not fault], pattern) for fault in faults]
    return {
        "faults": [{"modes": list(g.modes), "worst": g.worst, "cells": _by_cell(ruleset, g, _told)} for g in grades],
        "end": _by_cell(ruleset, grades, _told_end),
    }


def _by_cell(ruleset: Ruleset, of, told) -> dict:
    return {s: {w: told(ruleset, of, s, w) for w in ruleset.weathers} for s in SITUATIONS}


def _told(ruleset: Ruleset, answer, situation: str, weather: str) -> dict:
    cell = answer.cells[situation, weather]
    words = list(limit_words(ruleset, cell.limits, situation))
    return {"category": cell.category, "limits": named(cell.limits), "words": words}


def _told_end(ruleset: Ruleset, grades, situation: str, weather: str) -> dict:
    cells = [g.cells[situation, weather] for g in grades]
    limits = settle(ruleset, *(cell.limits for cell in cells))
    return {
        "category": max((cell.category for cell in cells), default=0),
        "limits": named(limits),
        "words": list(limit_words(ruleset, limits, situation)),
    }


def named(limits: Limits) -> dict:
    """Limits as the phone holds them: dial → value, speed, isolations sorted."""
    values = {dial: getattr(limits, dial) for dial in DIALS}
    return values | {"speed": limits.speed, "isolations": sorted(limits.isolations)}
