"""Rulesets in the house: a candidate comes in, is tried against what is known, and is put in force.

A document is checked whole before it is stored: its own schema, the room its codes and numbers need, and that no code
that was ever in force has vanished (an old phone may still send it). The one in force is touched by nothing but
`put_in_force`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from difflib import SequenceMatcher
from hashlib import sha256

from django.contrib.auth.models import User
from django.db import transaction

from inspections import grading, log, permissions, regrading, said, what_if
from inspections.grading import RulesetError
from inspections.models import Finding, GradeCell, Inspection, Observation, RuleSet, TestResult
from inspections.permissions import Refused

MOST_BYTES = 1_000_000
SHORT = 12  # letters of a digest that name a ruleset on pages and in the log
HUGE = re.compile(r"[=,\[]\s*[+-]?[0-9._]+[eE]\+?[0-9_]{3}")  # an exponent that would fill the memory
RETIRES = ("parts", "symptoms", "modes")
HOURS = GradeCell._meta.get_field("hours")
VALUE = TestResult._meta.get_field("low")
MOST_SPEED = 32_767

LINES_SHOWN = 2000
AROUND = 3  # equal lines shown around a change

# Kind of code → how many stored rows use one.
USES: Mapping[str, Callable[[str], int]] = {
    "parts": lambda code: Observation.objects.filter(slot=code).count(),
    "symptoms": lambda code: Observation.objects.filter(symptom=code).count(),
    "modes": lambda code: Observation.objects.filter(mode=code).count(),
    "facts": lambda code: Observation.objects.filter(facts__has_key=code).count(),
    "components": lambda code: Finding.objects.filter(component=code).count(),
    "weathers": lambda code: Inspection.objects.filter(weather=code).count(),
    "tests": lambda code: TestResult.objects.filter(test=code).count(),
}


class Overtaken(Refused):
    """Somebody else was first: what this person read is no longer how it is."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a comparison: `kind` is "added", "removed", "same" or "left out"; `at` its number."""

    kind: str
    at: int
    text: str


def short(row: RuleSet) -> str:
    """The twelve letters that name a ruleset."""
    return row.sha256[:SHORT]


def text_of(raw: bytes) -> str:
    """The text of a file. Raises RulesetError when it is none, or too long to be one."""
    if len(raw) > MOST_BYTES:
        raise RulesetError("", f"the file has more than {MOST_BYTES // 1_000_000} MB; that is no ruleset")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise RulesetError("", "is not UTF-8 text", line) from error


def sound(text: str):
    """The ruleset in a document that may come into force. Raises RulesetError naming the place."""
    huge = HUGE.search(text)
    if huge:
        raise RulesetError("", "a number is far too large", text.count("\n", 0, huge.start()) + 1)
    rules = grading.read(text)
    refuse_too_large(rules)
    refuse_vanished(rules)
    return rules


def refuse_too_large(rules) -> None:
    """Codes and numbers must fit where rows of findings, grades and tests keep them."""
    rooms = {
        "parts": Observation._meta.get_field("slot"),
        "components": Finding._meta.get_field("component"),
        "symptoms": Observation._meta.get_field("symptom"),
        "modes": Observation._meta.get_field("mode"),
        "weathers": GradeCell._meta.get_field("weather"),
        "tests": TestResult._meta.get_field("test"),
    }
    for kind, field in rooms.items():
        for code in codes(rules)[kind]:
            fit(f"{kind}.{code}", code, field.max_length)
    for code, test in rules.tests.items():
        for name in ("name", "unit", "document"):
            fit(f"tests.{code}.{name}", getattr(test, name), TestResult._meta.get_field(name).max_length)
    timed = {row.hours for owner in (*rules.modes.values(), *rules.combinations.values()) for row in owner.limits}
    timed |= {delegation.hours for delegation in rules.delegation.values()}
    for code, limit in rules.limit_values.items():
        field = HOURS if limit.unit == "h" or limit.value in timed else VALUE
        refuse_number(f"limits.{code}.value", limit, field)


def fit(path: str, text: str, most: int) -> None:
    """Refuse a text that is longer than its column."""
    if len(text) > most:
        raise RulesetError(path, f"has {len(text)} letters; at most {most} can be kept")


def refuse_number(path: str, limit, field) -> None:
    """Refuse a number its column cannot hold exactly."""
    most = Decimal(10) ** (field.max_digits - field.decimal_places)
    if limit.value >= most or (limit.unit == "km/h" and limit.value > MOST_SPEED):
        raise RulesetError(path, f"{limit.value} is too large")
    if limit.value != round(limit.value, field.decimal_places):
        raise RulesetError(path, f"{limit.value} has more than {field.decimal_places} decimals")


def codes(rules) -> dict[str, Iterable[str]]:
    """Kind → codes that rows, phones and papers may name; the answers of a question as "facts.CODE.words"."""
    answers = {f"facts.{code}.words": fact.words for code, fact in rules.facts.items() if fact.kind == "words"}
    return {
        "parts": rules.parts,
        "components": rules.components,
        "symptoms": rules.symptoms,
        "modes": rules.modes,
        "facts": rules.facts,
        "weathers": rules.weathers,
        "isolations": rules.isolations,
        "tests": rules.tests,
        "events": rules.expiry_events,
        **answers,
    }


def refuse_vanished(rules) -> None:
    """Codes retire, they never vanish: every code that was ever in force must still be there."""
    here = codes(rules)
    for text in RuleSet.objects.exclude(in_force_from=None).order_by("in_force_from").values_list("text", flat=True):
        for kind, before in codes(grading.parsed(text)).items():
            for code in before:
                if code not in here.get(kind, ()):
                    raise vanished(kind, code)


def vanished(kind: str, code: str) -> RulesetError:
    """The refusal, with how many stored rows use the code."""
    count = USES[kind](code) if kind in USES else 0
    used = f"; {count} stored {'record uses' if count == 1 else 'records use'} it" if count else ""
    how = "retire it with retired = true" if kind in RETIRES else "keep it, even if no rule names it any more"
    return RulesetError(f"{kind}.{code}", f"was in force before{used}. A code never vanishes: {how}")


def bring(text: str, *, by: User | None, reason: str, now: datetime) -> RuleSet:
    """Store a sound document as a candidate; the same text again is the same candidate.

    RulesetError names the place; Refused where it was in force already, or the person may not.
    """
    if by is not None and not permissions.may(by, "own rules"):
        raise Refused("Your role may not bring in a ruleset.")
    sound(text)
    digest = sha256(text.encode()).hexdigest()
    with transaction.atomic(durable=True):
        log.hold()
        known = RuleSet.objects.filter(sha256=digest).first()
        if known is not None and known.in_force_from is not None:
            raise Refused("This very text was in force already. Give it a new version to bring it in again.")
        if known is not None:
            return known
        row = RuleSet.objects.create(sha256=digest, text=text, by=by, reason=reason)
        note(row, "ruleset brought in", by, now, reason=reason)
        return row


def note(row: RuleSet, kind: str, by: User | None, now: datetime, **payload) -> None:
    """Write an entry about a ruleset."""
    actor = by.pk if by else None
    log.write(subject=f"ruleset:{short(row)}", kind=kind, actor=actor, happened=now, written=now, **payload)


def try_out(
    row: RuleSet,
    *,
    by: User | None,
    now: datetime,
    days: int = what_if.YEAR,
    most: int | None = None,
    progress: Callable[[int, int], None] = said.silent,
) -> RuleSet:
    """Work out what a candidate would change, and store it with it; Refused over `most` findings."""
    if by is not None and not permissions.may(by, "own rules"):
        raise Refused("Your role may not try out a ruleset.")
    if row.in_force_from is not None:
        raise Refused("This ruleset was put in force; there is nothing left to try out.")
    if most is not None and what_if.counted(now - timedelta(days=days)).count() > most:
        raise Refused(f"There are too many findings to try it on this page. Run manage.py what_if {short(row)}.")
    found = what_if.compare(sound(row.text), grading.in_force(now), now=now, days=days, progress=progress)
    with transaction.atomic(durable=True):
        log.hold()
        if not RuleSet.objects.candidates().filter(pk=row.pk).update(what_if=found):
            raise Refused("Somebody put this ruleset in force meanwhile.")
        totals = {group: found[group]["changes"] for group in (what_if.OPEN, what_if.PAST)}
        note(row, "what-if made", by, now, against=found["against"], days=days, changes=totals)
    row.what_if = found
    return row


def why_not_now(row: RuleSet, now: datetime) -> str:
    """Why a ruleset cannot be put in force now, in words; "" when it can."""
    if row.in_force_from is not None:
        return "This ruleset was put in force already."
    if not row.what_if:
        return "First work out what it would change."
    if row.what_if["against"] != grading.in_force(now).sha256:
        return "Another ruleset came into force since its effect was worked out. Work it out again."
    newest = RuleSet.objects.exclude(in_force_from=None).order_by("-in_force_from").first()
    if newest is not None and newest.in_force_from > now:
        return "The clock of this machine is behind: the ruleset in force begins later than now. Set the clock first."
    return ""


def put_in_force(
    row: RuleSet, *, seen: str, password: str, reason: str, by: User, now: datetime, most: int | None = None
) -> regrading.Regraded:
    """Put a candidate in force, then regrade what is open, at most `most` findings here.

    `seen` is the time of the what-if its reader saw: what is signed is what was read.
    """
    if not permissions.may(by, "own rules"):
        raise Refused("Your role may not put a ruleset in force.")
    if not by.check_password(password):
        raise Refused("That is not your password. Nothing was put in force.")
    if not reason.strip():
        raise Refused("Say why.")
    with transaction.atomic(durable=True):
        log.hold()
        row = RuleSet.objects.get(pk=row.pk)
        against = why_not_now(row, now)
        if against:
            raise Overtaken(against) if row.what_if else Refused(against)
        if row.what_if["made"] != seen:
            raise Overtaken("Its effect was worked out again since you opened this page. Read it, then decide.")
        sound(row.text)
        RuleSet.objects.candidates().filter(pk=row.pk).update(in_force_from=now, by=by, reason=reason)
        note(row, "ruleset in force", by, now, ruleset=row.sha256, before=row.what_if["against"], reason=reason)
    return regrading.regrade_open(now=now, actor=by.pk, most=most)


def compared(old: str, new: str, most: int = LINES_SHOWN) -> tuple[list[Line], int]:
    """Two documents line by line, changes with a little around them; and how many lines more there would be."""
    before, after = old.splitlines(), new.splitlines()
    found: list[Line] = []
    for group in SequenceMatcher(None, before, after).get_grouped_opcodes(AROUND):
        if found or group[0][3]:
            found.append(Line("left out", group[0][3], ""))
        for tag, a, a_end, b, b_end in group:
            if tag == "equal":
                found += [Line("same", n, text) for n, text in enumerate(after[b:b_end], b + 1)]
                continue
            found += [Line("removed", n, text) for n, text in enumerate(before[a:a_end], a + 1)]
            found += [Line("added", n, text) for n, text in enumerate(after[b:b_end], b + 1)]
    return found[:most], max(0, len(found) - most)
