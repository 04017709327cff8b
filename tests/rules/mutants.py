"""Rulesets with one thing wrong: each rule dropped, each severity, frequency, limit and dial one step off."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from decimal import Decimal

from inspections.rules.coupling_rows import LADDERS, LEVELS
from inspections.rules.facts import CATEGORIES
from inspections.rules.limits import DIALS
from inspections.rules.ruleset import RulesetError, build, shipped_text
from inspections.rules.schema import Table
from inspections.rules.terms import FREQUENCIES, SEVERITIES

OWNERS = ("modes", "combinations")


def document() -> dict:
    return tomllib.loads(shipped_text(), parse_float=Decimal)


def with_change(data, path: tuple, value):
    """A copy of the document, sharing all but the way to `path`, where it holds `value` (None = taken out)."""
    key, *rest = path
    copy = data.copy()
    if rest:
        copy[key] = with_change(data[key], tuple(rest), value)
    elif value is None:
        del copy[key]
    else:
        copy[key] = value
    return copy


def ruleset_of(data: dict):
    """The changed ruleset, or None where the loader refuses it."""
    try:
        return build(Table(data, ""), "changed")
    except RulesetError:
        return None


def steps(words: tuple[str, ...], value: str) -> list[str]:
    """The neighbours of a word."""
    at = words.index(value)
    return [words[i] for i in (at - 1, at + 1) if 0 <= i < len(words)]


def all_of(data: dict) -> Iterator[tuple[str, dict]]:
    """(name, changed document) of every mutant."""
    for path, value in changes(data):
        name = ".".join(str(p) for p in path) + (" dropped" if value is None else f" → {value}")
        yield name, with_change(data, path, value)


def changes(data: dict) -> Iterator[tuple[tuple, object]]:
    yield from _numbers(data)
    for code, hazard in data["hazards"].items():
        for word in steps(SEVERITIES, hazard["severity"]):
            yield ("hazards", code, "severity"), word
    for frequency, row in data["matrix"].items():
        for i, category in enumerate(row):
            for word in steps(CATEGORIES, category):
                yield ("matrix", frequency, i), word
    for kind in OWNERS:
        for code, owner in data[kind].items():
            yield from _rows((kind, code), owner)
    for code, conflict in data["conflicts"].items():
        yield ("conflicts", code), None
        yield from _dials(("conflicts", code, "when"), conflict["when"])
        yield from _dials(("conflicts", code, "then"), conflict["then"])
    yield from _facts(data)
    yield from _symptoms(data)
    yield from _coupling(data)


def _numbers(data: dict) -> Iterator[tuple[tuple, object]]:
    """Every limit value, one unit of its last digit up and down."""
    for code, limit in data["limits"].items():
        value = Decimal(limit["value"])
        step = Decimal(1).scaleb(value.as_tuple().exponent)
        for changed in (value + step, value - step):
            if changed >= 0:
                yield ("limits", code, "value"), changed


def _rows(path: tuple, owner: dict) -> Iterator[tuple[tuple, object]]:
    for kind in ("hazards", "limits"):
        for n, row in enumerate(owner.get(kind, ())):
            here = (*path, kind, n)
            yield here, None
            if kind == "hazards":
                for word in steps(FREQUENCIES, row["often"]):
                    yield (*here, "often"), word
            yield from _dials(here, row)
            yield from _whens(here, row)


def _dials(path: tuple, row: dict) -> Iterator[tuple[tuple, object]]:
    for dial, words in DIALS.items():
        if dial in row:
            for word in steps(words, row[dial]):
                yield (*path, dial), word
    for code in row.get("isolations", ()):
        yield (*path, "isolations"), [c for c in row["isolations"] if c != code] or None
    for key in ("hours", "speed"):
        if key in row and len(row) > 1:
            yield (*path, key), None


def _whens(path: tuple, row: dict) -> Iterator[tuple[tuple, object]]:
    """A condition, a situation or a weather taken out of a row."""
    if "when" in row:
        yield (*path, "when"), None
    for key in ("in", "weather"):
        words = row.get(key, [])
        for word in words if isinstance(words, list) and len(words) > 1 else []:
            yield (*path, key), [w for w in words if w != word]
    if "weather" in row:
        yield (*path, "weather"), None


def _facts(data: dict) -> Iterator[tuple[tuple, object]]:
    """What is taken while nobody has said, what evidence a fact needs, which side an edge falls on."""
    for code, fact in data["facts"].items():
        for key in ("unknown", "needs", "plus_minus"):
            if key in fact:
                yield ("facts", code, key), None
        for n, band in enumerate(fact.get("bands", ())[:-1]):
            was, other = ("up_to", "below") if "up_to" in band else ("below", "up_to")
            yield ("facts", code, "bands", n), {"word": band["word"], other: band[was]}


def _symptoms(data: dict) -> Iterator[tuple[tuple, object]]:
    """A candidate dropped, a narrowing dropped."""
    for code, symptom in data["symptoms"].items():
        modes = symptom.get("modes", [])
        for mode in modes if len(modes) > 1 else []:
            changed = {**symptom, "modes": [m for m in modes if m != mode]}
            changed["only"] = {m: w for m, w in symptom.get("only", {}).items() if m != mode}
            yield ("symptoms", code), changed
        for mode in symptom.get("only", {}):
            yield ("symptoms", code, "only", mode), None


def _coupling(data: dict) -> Iterator[tuple[tuple, object]]:
    """A pair or row dropped, a level one step off, a check, condition, caution or person taken out, a range moved."""
    rows = [(("coupling", "pairs", pair), row) for pair, row in data["coupling"]["pairs"].items()]
    for ladder, rungs in data["coupling"]["rules"].items():
        rows += [(("coupling", "rules", ladder, code), row) for code, row in rungs.items()]
    for path, row in rows:
        yield path, None
        least = LADDERS[path[2]].least.get(path[-1], LEVELS[0]) if path[1] == "rules" else LEVELS[0]
        for level in steps(LEVELS, row.get("level", least)):
            yield (*path, "level"), level
        for key in ("checks", "conditions", "cautions", "agree"):
            for word in row.get(key, ()):
                yield (*path, key), [w for w in row[key] if w != word]
        for key in ("above", "up_to"):
            if key in row:
                yield (*path, key), "gear-gap"
