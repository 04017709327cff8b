"""The bridge between rows and the rules: which ruleset, who calls it, when, and how the grade is stored.

Grades are stored at intake, on a new observation, when another finding at the same end opens or closes, and when a
ruleset comes into force. Time, weather and coupling never re-grade: they choose the cell.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import lru_cache
from hashlib import sha256

from django.utils import timezone

from inspections import log
from inspections.models import Finding, Grade, GradeCell, Observation, RuleSet
from inspections.models.dials import Dials
from inspections.rules import evidence, explain, facts, publish
from inspections.rules import grade as grader
from inspections.rules.ruleset import Ruleset, RulesetError, load, shipped_text

HIT = ("hazard", "frequency", "category", "mode", "rule")


@dataclass(frozen=True, slots=True)
class Told:
    """One cell in words: the category, when to act, the limits, and why."""

    category: str
    band: str
    limits: tuple[str, ...]
    why: tuple[str, ...]


class NoRuleset(RuntimeError):
    """No ruleset was ever put in force."""


@lru_cache(maxsize=8)
def parsed(text: str) -> Ruleset:
    """A ruleset document, parsed once."""
    return load(text)


def in_force(at: datetime) -> RuleSet:
    """The row of the ruleset in force at `at` (the first one for times before it)."""
    row = (
        RuleSet.objects.in_force(at) or RuleSet.objects.exclude(in_force_from=None).order_by("in_force_from").first()
    )
    if row is None:
        raise NoRuleset("No ruleset is in force. Run manage.py migrate.")
    return row


def ruleset(at: datetime | None = None) -> Ruleset:
    """The pure ruleset in force at `at` (now)."""
    return parsed(in_force(at or timezone.now()).text)


def put_shipped_in_force(**_) -> None:
    """After migrate: a logbook without any ruleset starts with the shipped, indicative one."""
    if RuleSet.objects.exists():
        return
    text = shipped_text()
    RuleSet.objects.create(
        sha256=sha256(text.encode()).hexdigest(),
        text=text,
        in_force_from=datetime(2000, 1, 1, tzinfo=timezone.get_default_timezone()),
        reason="Shipped with the logbook: indicative, not approved",
    )


def observation_value(row: Observation) -> facts.Observation:
    """An observation's row as the rules see it; numbers come back as Decimal."""
    return facts.Observation(
        part=row.slot,
        symptom=row.symptom,
        mode=row.mode,
        kind=row.kind,
        quality=row.quality,
        facts={code: fact_value(value) for code, value in row.facts.items()},
        raised_to=row.raised_to,
    )


def fact_value(value: str) -> str | Decimal:
    """A stored fact: numbers are kept as text and come back as Decimal."""
    text = str(value)
    return Decimal(text) if text.lstrip("-").replace(".", "", 1).isdigit() else text


def pattern_value(end) -> facts.Pattern:
    """What the end's coupler pattern tells the rules; nothing known without an end."""
    if end is None:
        return facts.Pattern()
    return facts.Pattern(contacts_dead=end.pattern.contacts_dead, pipes=end.pattern.pipes)


def fault_value(finding: Finding, observations: Iterable[Observation]) -> facts.Fault:
    """A finding as the rules see it."""
    return facts.Fault(key=finding.ref, observations=tuple(observation_value(row) for row in observations))


def observations_of(findings: Sequence[Finding]) -> dict[int, list[Observation]]:
    """Finding id → its observations and those of what was merged into it, oldest first. Two queries."""
    target = {finding.pk: finding.pk for finding in findings}
    merged = Finding.objects.filter(merged_into__in=list(target)).values_list("pk", "merged_into")
    target.update(merged)
    found: dict[int, list[Observation]] = {finding.pk: [] for finding in findings}
    for row in Observation.objects.filter(finding__in=list(target)).order_by("pk"):
        found[target[row.finding_id]].append(row)
    return found


def siblings(finding: Finding) -> list[Finding]:
    """The other open findings of the same end; of the same unit where the end is not known."""
    same = Finding.objects.open().exclude(pk=finding.pk)
    if finding.end_id:
        return list(same.filter(end=finding.end_id))
    return list(same.filter(unit=finding.unit_id, end__isnull=True)) if finding.unit_id else []


def value_of(finding: Finding, others: Sequence[Finding], rules: Ruleset) -> grader.Grade:
    """The pure grade of a finding among the others of its end."""
    return value_among(finding, others, observations_of([finding, *others]), rules)


def value_among(
    finding: Finding, others: Sequence[Finding], seen: Mapping[int, Sequence[Observation]], rules: Ruleset
) -> grader.Grade:
    """The same where the observations (finding id → rows, oldest first) are at hand. Reads nothing."""
    return grader.grade(
        rules,
        fault_value(finding, seen[finding.pk]),
        [fault_value(other, seen[other.pk]) for other in others],
        pattern_value(finding.end),
    )


def known_of(findings: Sequence[Finding], rules: Ruleset) -> dict[int, dict[str, object]]:
    """Finding id → what its observations leave possible, as the phone looks it up (`publish.known`). Two queries.

    Findings come with their end's pattern.
    """
    seen = observations_of(findings)
    return {
        finding.pk: publish.known(rules, fault_value(finding, seen[finding.pk]), pattern_value(finding.end))
        for finding in findings
    }


def rows(value: grader.Grade, *, finding: Finding, row: RuleSet, cause: str, made: datetime):
    """Unsaved (Grade, [GradeCell]) for a pure grade."""
    grade = Grade(
        finding=finding,
        ruleset=row,
        made=made,
        cause=cause,
        worst=value.worst,
        hours=least_hours(value),
        modes=list(value.modes),
    )
    return grade, [cell_row(*key, cell, grade) for key, cell in value.cells.items()]


def least_hours(value: grader.Grade) -> Decimal | None:
    """The shortest time allowed by the worst cells; None = at the next exam."""
    worst = value.worst
    hours = (cell.hours for cell in value.cells.values() if cell.category == worst and cell.hours is not None)
    return min(hours, default=None)


def cell_row(situation: str, weather: str, cell: grader.Cell, grade: Grade | None = None) -> GradeCell:
    """One unsaved cell of a grade."""
    return GradeCell(
        grade=grade,
        situation=situation,
        weather=weather,
        category=cell.category,
        hours=cell.hours,
        hits=[{name: getattr(hit, name) for name in HIT} for hit in cell.hits],
        rules=list(cell.rules),
        **Dials.columns(cell.limits),
    )


def same(grade: Grade | None, value: grader.Grade) -> bool:
    """True when the stored grade already says what `value` says, cell by cell."""
    if grade is None:
        return False
    return alike(pure(grade), value)


def alike(before: grader.Grade, value: grader.Grade) -> bool:
    """True when two grades say the same: modes and, cell by cell, category, limits, time and rules."""

    def said(grade):
        return {key: (c.category, c.limits, c.hours, c.rules) for key, c in grade.cells.items()}

    return before.modes == value.modes and said(before) == said(value)


def regrade(finding: Finding, *, cause: str, now: datetime, actor: int | None, always: bool = False) -> Grade | None:
    """Grade a finding now and store it if it says anything new (or `always`). Inside the caller's transaction."""
    row = in_force(now)
    value = value_of(finding, siblings(finding), parsed(row.text))
    if not always and same(finding.current_grade, value):
        return None
    grade, cells = rows(value, finding=finding, row=row, cause=cause, made=now)
    grade.save(force_insert=True)
    GradeCell.objects.bulk_create(cells)
    entry = graded_entry(finding, grade, actor)
    Finding.objects.filter(pk=finding.pk).update(current_grade=grade, worst=grade.worst)
    finding.current_grade, finding.worst = grade, grade.worst
    log.write(**entry)
    return grade


def graded_entry(finding: Finding, grade: Grade, actor: int | None) -> dict[str, object]:
    """What the log says of a new grade, as the arguments of `log.write`; the finding still has the old one."""
    return {
        "subject": f"finding:{finding.ref}",
        "kind": "graded",
        "actor": actor,
        "happened": grade.made,
        "written": grade.made,
        "cause": grade.cause,
        "ruleset": grade.ruleset.sha256,
        "grade": grade.pk,
        "worst": grade.worst,
        "before": finding.worst,
    }


def regrade_siblings(finding: Finding, *, now: datetime, actor: int | None) -> None:
    """When a finding opens or closes: the others of its end may combine with it, or no longer do."""
    for other in siblings(finding):
        regrade(other, cause=Grade.Cause.SIBLING, now=now, actor=actor)


def explanation(grade: Grade, situation: str, weather: str) -> tuple[str, ...]:
    """Why this cell says what it says, in sentences, under the ruleset it was made with."""
    rules = parsed(grade.ruleset.text)
    return explain.explain(rules, pure(grade), situation, weather)


def pure(grade: Grade) -> grader.Grade:
    """A stored grade as the value it was made from."""
    return grader.Grade(
        cells={
            (cell.situation, cell.weather): grader.Cell(
                category=cell.category,
                hits=tuple(grader.Hit(**hit) for hit in cell.hits),
                limits=cell.limits,
                hours=cell.hours,
                rules=tuple(cell.rules),
            )
            for cell in grade.cells.all()
        },
        modes=tuple(grade.modes),
    )


@lru_cache(maxsize=4)
def published_table(text: str) -> dict:
    """The published table of one ruleset document, made once."""
    return publish.table(parsed(text))


def published() -> dict:
    """The finished cells of the ruleset in force, as the phone looks them up."""
    return published_table(in_force(timezone.now()).text)


def read(text: str) -> Ruleset:
    """The ruleset in a document nobody has checked yet. Raises RulesetError, whatever the text is."""
    try:
        return parsed(text)
    except RecursionError as error:
        raise RulesetError("", "tables or lists are nested too deep") from error
    except (ValueError, OverflowError, ArithmeticError) as error:
        if isinstance(error, RulesetError):
            raise
        raise RulesetError("", f"a value cannot be read: {error}") from error


def grade_of(
    rules: Ruleset, fault: facts.Fault, others: Sequence[facts.Fault], pattern: facts.Pattern
) -> grader.Grade:
    """The pure grade of a fault beside others, for those who have values and no rows."""
    return grader.grade(rules, fault, others, pattern)


def strangers(rules: Ruleset, fault: facts.Fault) -> tuple[str, ...]:
    """Sentences naming every code or word of a fault that the ruleset does not know."""
    return evidence.strangers(rules, fault)


def told(rules: Ruleset, value: grader.Grade, situation: str, weather: str) -> Told:
    """One cell of a pure grade in words."""
    cell = value.cells[situation, weather]
    return Told(
        category=facts.CATEGORIES[cell.category],
        band=explain.band_words(rules, cell.category, cell.hours),
        limits=explain.limit_words(rules, cell.limits, situation),
        why=explain.explain(rules, value, situation, weather),
    )
