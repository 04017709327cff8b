"""The whole ruleset worked out, one line a cell: what an engineer reads, compares and signs.

`python -m tests.rules.signing > tests/rules/signed.txt` writes it anew after a wanted change; the difference
between two versions is the review.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path

from inspections.rules.facts import Observation
from inspections.rules.grade import gather, grade
from inspections.rules.ruleset import load, shipped_text
from tests.rules.saying import NAMES, fault, limits_text
from tests.rules.worlds import facts_that_matter, words_that_matter

FILE = Path(__file__).with_name("signed.txt")


def lines(ruleset) -> list[str]:
    """mode | facts | situation | weathers | category: hazards | limits | hours, then combinations and coupling."""
    modes = [line for mode in ruleset.modes for line in of_mode(ruleset, mode)]
    return modes + of_combinations(ruleset) + of_coupling(ruleset)


def of_mode(ruleset, mode: str) -> list[str]:
    """Every kind of world of one mode; cells that say the same in several weathers share a line."""
    names = facts_that_matter(ruleset, [mode])
    words = [[w for w in words_that_matter(ruleset, [mode], f) if w is not None] for f in names]
    told = []
    for choice in product(*words):
        facts = dict(zip(names, choice, strict=True))
        answer = grade(ruleset, fault(Observation("", mode=mode, quality="measured", facts=facts)))
        said = ", ".join(f"{f} {w}" for f, w in facts.items()) or "-"
        told += [f"{mode} | {said} | {line}" for line in _by_situation(ruleset, answer)]
    return told


def _by_situation(ruleset, answer) -> list[str]:
    told = []
    for situation in "UCR":
        groups: dict[str, list[str]] = {}
        for weather in ruleset.weathers:
            groups.setdefault(_cell(ruleset, answer.cells[situation, weather]), []).append(weather)
        told += [f"{situation} | {' '.join(weathers)} | {text}" for text, weathers in groups.items()]
    return told


def _cell(ruleset, cell) -> str:
    hazards = ", ".join(f"{hit.hazard} {hit.frequency.lower()}" for hit in cell.hits) or "nothing"
    hours = "next exam" if cell.hours is None else f"{cell.hours} h"
    return f"{NAMES[cell.category]}: {hazards} | {limits_text(ruleset, cell.limits) or '-'} | {hours}"


def of_combinations(ruleset) -> list[str]:
    """What each combination adds, in every cell where it adds something."""
    compiled, told = ruleset.compiled, []
    for rule, rows in zip(ruleset.combinations.values(), compiled.combinations, strict=True):
        sides = f"{rule.code}: {', '.join(sorted(rule.first))} with {', '.join(sorted(rule.second))}"
        told.append(sides)
        gathered = gather(compiled, [rows], compiled.unsaid)
        for (situation, weather), (hazards, bits, _, _) in zip(compiled.cells, gathered, strict=True):
            adds = ", ".join(f"{r.hit.hazard} {r.hit.frequency.lower()}" for r in hazards.values()) or "nothing"
            limits = limits_text(ruleset, compiled.packing.unpack(bits)) or "-"
            told.append(f"{rule.code} | {situation} | {weather} | {adds} | {limits}")
    return told


def of_coupling(ruleset) -> list[str]:
    """Words of the answers, then rule | level | words | checks | conditions | cautions | who must agree."""
    section = ruleset.coupling
    if section is None:
        return ["coupling: nothing"]
    told = [f"coupling {level}: {words}" for level, words in section.levels.items()]
    told.append(f"coupling: {section.first} {section.then} People: {', '.join(section.people)}")
    for rung in section.rungs():
        brings = [" ".join(rung.checks), " ".join(rung.conditions), ", ".join(rung.cautions), ", ".join(rung.agree)]
        said = " | ".join(x or "-" for x in (rung.level, rung.words, *brings))
        told.append(f"coupling {rung.rule} | {said}")
    return told


if __name__ == "__main__":
    print("\n".join(lines(load(shipped_text()))))
