"""Grading anew what is open when a ruleset has come into force: in bulk, in batches, each whole or not at all.

What waits is found by query (an open finding whose grade is of another ruleset), so a run that was interrupted is
finished by the next one, and two runs at once do nothing twice.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from django.db import connection, transaction
from django.db.models import F, OuterRef, Q, QuerySet, Subquery

from inspections import grading, log, said
from inspections.models import Finding, Grade, GradeCell, LogEntry, RuleSet

BATCH = 2000  # one commit a batch; the log is held for about a second
KEPT = 4096  # distinct answers, and distinct cells, kept at hand
READ = ("ref", "worst", "end_id", "unit_id")
CELL_FIELDS = [field for field in GradeCell._meta.concrete_fields if field.name not in ("id", "grade")]


@dataclass(frozen=True, slots=True)
class Regraded:
    """How many findings were graded, how many of them changed their worst category, how many still wait."""

    graded: int
    changed: int
    waiting: int


@dataclass(frozen=True, slots=True)
class Answer:
    """A grade ready to be stored: worst category, hours, modes, and the cells' columns as the database takes them."""

    worst: int
    hours: object
    modes: list[str]
    cells: tuple[tuple, ...]


def waiting(row: RuleSet) -> QuerySet[Finding]:
    """Open findings whose grade is not of this ruleset."""
    return Finding.objects.open().exclude(current_grade__ruleset=row)


def regrade_open(
    *,
    now: datetime,
    actor: int | None,
    everything: bool = False,
    most: int | None = None,
    progress: Callable[[int, int], None] = said.silent,
) -> Regraded:
    """Grade what waits (or every open finding) under the ruleset in force at `now`; at most `most` of them.

    Every new grade is stored and logged, whether it says anything new or not: it says under which ruleset.
    """
    row = grading.in_force(now)
    wanted = Finding.objects.open() if everything else waiting(row)
    pks = list(wanted.order_by("end_id", "unit_id", "pk").values_list("pk", flat=True)[:most])
    answers, graded, changed = Answers(row), 0, 0
    for batch in said.in_batches(pks, BATCH, progress):
        with transaction.atomic(durable=True):
            log.hold()
            if RuleSet.objects.exclude(in_force_from=None).order_by("-in_force_from", "-pk").first() != row:
                break
            findings = list(
                wanted.filter(pk__in=batch).only(*READ).annotate(pattern=F("end__pattern")).order_by("pk")
            )
            changed += store(findings, answers.of(findings), row, now=now, actor=actor)
            graded += len(findings)
    return Regraded(graded, changed, waiting(row).count())


class Answers:
    """Grades of many findings under one ruleset; the same facts are graded once."""

    def __init__(self, row: RuleSet):
        self.row, self.rules, self.patterns = row, grading.parsed(row.text), said.patterns()
        self.answer = lru_cache(KEPT)(self._answer)

    def of(self, findings: Sequence[Finding]) -> list[Answer]:
        """One answer per finding, among the open findings of its place. Three queries."""
        places = beside(findings)
        everybody = {pk for pks in places.values() for pk in pks} | {finding.pk for finding in findings}
        known = said.said_of(everybody)
        found = []
        for finding in findings:
            near = places[said.place(finding.pk, finding.end_id, finding.unit_id)]
            others = frozenset(known[pk] for pk in near if pk != finding.pk)
            found.append(self.answer(known[finding.pk], others, finding.pattern))
        return found

    def _answer(self, mine: said.Said, others: frozenset[said.Said], pattern: int | None) -> Answer:
        faults = [said.fault(other) for other in others]
        value = grading.grade_of(self.rules, said.fault(mine), faults, self.patterns[pattern])
        cells = tuple(columns(*key, cell) for key, cell in value.cells.items())
        return Answer(value.worst, grading.least_hours(value), list(value.modes), cells)


@lru_cache(KEPT)
def columns(situation: str, weather: str, cell) -> tuple:
    """The columns of a cell as the database takes them, without the grade's; few cells are distinct."""
    row = grading.cell_row(situation, weather, cell)
    return tuple(field.get_db_prep_save(getattr(row, field.attname), connection) for field in CELL_FIELDS)


def beside(findings: Sequence[Finding]) -> dict[tuple[str, int], list[int]]:
    """Place → ids of all open findings there, for the places of these. One query."""
    ends = {finding.end_id for finding in findings if finding.end_id}
    units = {finding.unit_id for finding in findings if not finding.end_id and finding.unit_id}
    rows = Finding.objects.open().filter(Q(end__in=ends) | Q(end__isnull=True, unit__in=units))
    found = defaultdict(list)
    for pk, end, unit in rows.values_list("pk", "end_id", "unit_id"):
        found[said.place(pk, end, unit)].append(pk)
    return found


def store(findings, answers, row: RuleSet, *, now: datetime, actor: int | None) -> int:
    """Grades, cells, log entries and the findings' copies, in a fixed number of statements; how many changed."""
    grades = Grade.objects.bulk_create(
        Grade(
            finding=finding,
            ruleset=row,
            made=now,
            cause=Grade.Cause.RULESET,
            worst=answer.worst,
            hours=answer.hours,
            modes=answer.modes,
        )
        for finding, answer in zip(findings, answers, strict=True)
    )
    store_cells(grades, answers)
    happenings = [happening(finding, grade, actor) for finding, grade in zip(findings, grades, strict=True)]
    seq, prev = log.head()
    LogEntry.objects.bulk_create(log.chain(happenings, seq=seq, prev=prev, written=now))
    newest = Grade.objects.filter(finding=OuterRef("pk")).order_by("-pk")
    Finding.objects.filter(pk__in=[finding.pk for finding in findings]).update(
        current_grade=Subquery(newest.values("pk")[:1]), worst=Subquery(newest.values("worst")[:1])
    )
    return sum(finding.worst != grade.worst for finding, grade in zip(findings, grades, strict=True))


def store_cells(grades: Sequence[Grade], answers: Sequence[Answer]) -> None:
    """All cells in one statement, from columns made once per distinct grade: four times as fast as row objects."""
    names = ", ".join(["grade_id", *(field.column for field in CELL_FIELDS)])
    marks = ", ".join(["%s"] * (len(CELL_FIELDS) + 1))
    statement = f"INSERT INTO {GradeCell._meta.db_table} ({names}) VALUES ({marks})"  # noqa: S608 (names of our own)
    rows = [(grade.pk, *cell) for grade, answer in zip(grades, answers, strict=True) for cell in answer.cells]
    with connection.cursor() as cursor:
        cursor.executemany(statement, rows)


def happening(finding: Finding, grade: Grade, actor: int | None) -> log.Happening:
    """What the log says of a new grade, as part of a chain."""
    entry = grading.graded_entry(finding, grade, actor)
    subject, kind, by, happened, _ = (entry.pop(k) for k in ("subject", "kind", "actor", "happened", "written"))
    return log.Happening(subject, kind, by, happened, entry)
