"""Observations as JSON lines in, grades as JSON lines out; nothing is stored.

A line is one object, the newest observation of a finding:

    part, symptom, mode, kind, quality   codes and words of the ruleset, all optional
    facts                                object: fact code → a word of that fact, or a number in its unit
    raised_to                            category word, with the kind "raised"
    earlier                              list of earlier observations of the same finding, oldest first
    others                               list of observations, one of each other open finding of the end
    pattern                              {"contacts_dead": "yes" | "no" | "unknown", "pipes": {part: "MRP" | "BP"}}
    id                                   text, given back

The answer carries `line`, `id` if one was given, `ruleset` (its digest), `worst`, `modes` and `cells`, each with
`situation`, `weather`, `category`, `hours` (text; null = at the next exam), `limits` (dial → value, `speed`,
`isolations`), `rules`, `words` and `why`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from decimal import Decimal, InvalidOperation

from inspections import grading
from inspections.rules import facts
from inspections.rules.limits import DIALS

LONGEST = 100_000  # letters of a line
DIGITS = 12
SEEN_KEYS = ("part", "symptom", "mode", "kind", "quality", "facts", "raised_to")
LINE_KEYS = (*SEEN_KEYS, "earlier", "others", "pattern", "id")
PATTERN_KEYS = ("contacts_dead", "pipes")
DEAD = ("yes", "no", "unknown")
MOST = 200  # observations of one line


class BadLine(ValueError):
    """A line that cannot be graded; the message names the key or value."""


def graded(lines: Iterable[str], rules) -> Iterator[tuple[int, dict | BadLine]]:
    """(line number, answer or what is wrong with it) for every line that is not blank, as they come."""
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            yield number, {"line": number, **answer(line, rules)}
        except BadLine as bad:
            yield number, bad


def answer(line: str, rules) -> dict:
    """The grade of one line. Raises BadLine."""
    said = keyed(parse(line), LINE_KEYS, "")
    label = words(said, "id", "")
    seen = [observation(o, f"earlier.{n}.", SEEN_KEYS) for n, o in enumerate(listed(said, "earlier"), 1)]
    fault = facts.Fault("", (*seen, observation(said, "", LINE_KEYS)))
    others = [
        facts.Fault(f"others.{n}", (observation(o, f"others.{n}.", SEEN_KEYS),))
        for n, o in enumerate(listed(said, "others"), 1)
    ]
    for stranger in (sentence for each in (fault, *others) for sentence in grading.strangers(rules, each)):
        raise BadLine(stranger)
    value = grading.grade_of(rules, fault, others, pattern(said, rules))
    return {
        **({"id": label} if label else {}),
        "ruleset": rules.sha256,
        "worst": facts.CATEGORIES[value.worst],
        "modes": list(value.modes),
        "cells": [cell(rules, value, *key) for key in value.cells],
    }


def cell(rules, value, situation: str, weather: str) -> dict:
    """One cell of the answer."""
    found, told = value.cells[situation, weather], grading.told(rules, value, situation, weather)
    return {
        "situation": situation,
        "weather": weather,
        "category": told.category,
        "hours": None if found.hours is None else f"{found.hours.normalize():f}",
        "limits": {
            **{dial: getattr(found.limits, dial) for dial in DIALS},
            "speed": found.limits.speed,
            "isolations": sorted(found.limits.isolations),
        },
        "rules": list(found.rules),
        "words": list(told.limits),
        "why": list(told.why),
    }


def parse(line: str) -> dict:
    """The object of a line, strictly: no key twice, no number that is none."""
    if len(line) > LONGEST:
        raise BadLine(f"is longer than {LONGEST} letters")
    try:
        found = json.loads(
            line, parse_float=number, parse_int=number, parse_constant=constant, object_pairs_hook=once
        )
    except json.JSONDecodeError as error:
        raise BadLine(f"is not JSON: {error.msg} at letter {error.colno}") from error
    except RecursionError as error:
        raise BadLine("is nested too deep") from error
    if not isinstance(found, dict):
        raise BadLine("is not an object in braces")
    return found


def number(text: str) -> Decimal:
    """A number of a fact, short enough to be one."""
    try:
        value = Decimal(text)
    except InvalidOperation as error:
        raise BadLine(f"{text[:DIGITS]} is not a number") from error
    if len(text) > DIGITS or abs(value.adjusted()) > DIGITS:
        raise BadLine(f"number {text[:DIGITS]}… is too long")
    return value


def constant(text: str) -> None:
    raise BadLine(f"{text} is not a number")


def once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    """An object's keys, each at most once."""
    found = dict(pairs)
    if len(found) < len(pairs):
        keys = [key for key, _ in pairs]
        raise BadLine(f"key {next(k for k in keys if keys.count(k) > 1)!r} stands twice")
    return found


def keyed(value: object, keys: Iterable[str], where: str) -> dict:
    """An object with no key but these."""
    if not isinstance(value, dict):
        raise BadLine(f"{where.rstrip('.') or 'the line'} must be an object")
    for key in value:
        if key not in keys:
            raise BadLine(f"key {where + key!r} is not known; known are {', '.join(keys)}")
    return value


def words(said: dict, key: str, where: str, options: Iterable[str] = (), default: str = "") -> str:
    """A text, one of the options where there are any."""
    value = said.get(key, default)
    if not isinstance(value, str):
        raise BadLine(f"{where}{key} must be text, not {shown(value)}")
    if options and value not in options:
        raise BadLine(f"{where}{key}: {value!r} is not one of {', '.join(options)}")
    return value


def shown(value: object) -> str:
    """A value as it is named in an error."""
    return str(value) if isinstance(value, Decimal) else json.dumps(value, default=str)[:40]


def listed(said: dict, key: str) -> list:
    """A list of observations, not too many."""
    value = said.get(key, [])
    if not isinstance(value, list) or len(value) > MOST:
        raise BadLine(f"{key} must be a list of at most {MOST} observations")
    return value


def observation(value: object, where: str, keys: Iterable[str]) -> facts.Observation:
    """One observation as the rules take it."""
    said = keyed(value, keys, where)
    kind = words(said, "kind", where, facts.KINDS, "first report")
    raised = words(said, "raised_to", where, ("", *facts.CATEGORIES))
    if bool(raised) != (kind == "raised"):
        raise BadLine(f"{where}raised_to goes with the kind 'raised', and only with it")
    return facts.Observation(
        part=words(said, "part", where),
        symptom=words(said, "symptom", where),
        mode=words(said, "mode", where),
        kind=kind,
        quality=words(said, "quality", where, facts.QUALITIES, "seen"),
        facts={code: fact(code, v, where) for code, v in objects(said, "facts", where).items()},
        raised_to=facts.CATEGORIES.index(raised) if raised else None,
    )


def fact(code: str, value: object, where: str) -> str | Decimal:
    """A fact's value: a word or a number."""
    if not isinstance(value, str | Decimal):
        raise BadLine(f"{where}facts.{code} must be a word or a number, not {shown(value)}")
    return value


def objects(said: dict, key: str, where: str) -> dict:
    """An object under a key."""
    value = said.get(key, {})
    if not isinstance(value, dict):
        raise BadLine(f"{where}{key} must be an object")
    return value


def pattern(said: dict, rules) -> facts.Pattern:
    """What the coupler's pattern tells the rules."""
    given = keyed(said.get("pattern", {}), PATTERN_KEYS, "pattern.")
    pipes = objects(given, "pipes", "pattern.")
    known = rules.facts["pipe"].words if "pipe" in rules.facts else ()
    for part in pipes:
        if part not in rules.parts:
            raise BadLine(f"pattern.pipes: part {part!r} is not in the ruleset")
        words(pipes, part, "pattern.pipes.", known)
    return facts.Pattern(contacts_dead=words(given, "contacts_dead", "pattern.", DEAD, "unknown"), pipes=pipes)
