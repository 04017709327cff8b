"""What a candidate ruleset would change: every open finding and the past ones, graded under both, compared.

Both grades are made now from the same observations, beside the same other findings, so that only the rulesets differ.
Reads, writes nothing; `rulesets` stores what it finds. The result is plain JSON:

    against        sha256 of the ruleset it was compared with
    made, since    ISO times: when it was made; past findings are those first seen since
    days           how far back that is
    open, past     the two groups, each
        findings   how many
        changes    kind of change (CHANGES) → how many findings
        steps      [[worst category before, after, how many]], 0 to 3, all that occur
        dials      dial or "isolations" → [tighter somewhere, looser somewhere]
        examples   kind of change → the first few references
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from functools import lru_cache

from django.db.models import F, Q

from inspections import grading, said
from inspections.models import Finding, RuleSet
from inspections.rules import facts
from inspections.rules.limits import DIALS, NO_LIMITS, Limits

BATCH = 1000
KEPT = 8192
EXAMPLES = 10
YEAR = 365
OPEN, PAST = "open", "past"
UP, DOWN, NEWLY, FREED = "up", "down", "newly limited", "no longer limited"
TIGHTER, LOOSER, SOONER, LATER, SAME = "tighter", "looser", "sooner", "later", "unchanged"
# Kind of change → its words; "somewhere" is in at least one situation and weather.
CHANGES = {
    UP: "Category goes up somewhere",
    DOWN: "Category goes down somewhere",
    NEWLY: "Newly limited: a situation without any limit gets one",
    FREED: "No longer limited: a situation loses its last limit",
    TIGHTER: "A limit gets tighter somewhere",
    LOOSER: "A limit gets looser somewhere",
    SOONER: "Less time is allowed somewhere",
    LATER: "More time is allowed somewhere",
    SAME: "Unchanged in category, limits and time",
}
SHOWN_BY_EXAMPLE = tuple(kind for kind in CHANGES if kind != SAME)


@dataclass(frozen=True, slots=True)
class Difference:
    """What one finding would see: worst category before and after, kinds of change, dials tighter and looser."""

    before: int
    after: int
    kinds: frozenset[str]
    tighter: frozenset[str]
    looser: frozenset[str]


@dataclass(frozen=True, slots=True)
class Row:
    """A finding as far as it matters here; `closed` is None while it is open."""

    pk: int
    ref: str
    end: int | None
    unit: int | None
    pattern: int | None
    first_seen: datetime
    closed: datetime | None

    @property
    def place(self) -> tuple[str, int]:
        return said.place(self.pk, self.end, self.unit)

    def beside(self, other: Row) -> bool:
        """Whether the other one is open with this one: now, or when this one was closed."""
        if other.pk == self.pk:
            return False
        if self.closed is None:
            return other.closed is None
        return other.first_seen <= self.closed and (other.closed is None or other.closed >= self.closed)


def compare(
    candidate, row: RuleSet, *, now: datetime, days: int = YEAR, progress: Callable[[int, int], None] = said.silent
) -> dict:
    """What the candidate would change against the ruleset of this row (shape: see the module)."""
    since = now - timedelta(days=days)
    difference = differences(grading.parsed(row.text), candidate)
    tallies = {OPEN: Tally(), PAST: Tally()}
    pks = list(counted(since).order_by("end_id", "unit_id", "pk").values_list("pk", flat=True))
    for batch in said.in_batches(pks, BATCH, progress):
        for finding, mine, others in fetched(batch, since):
            group = OPEN if finding.closed is None else PAST
            tallies[group].add(finding.ref, difference(mine, others, finding.pattern))
    groups = {group: tally.as_json() for group, tally in tallies.items()}
    return {"against": row.sha256, "made": now.isoformat(), "since": since.isoformat(), "days": days, **groups}


def counted(since: datetime):
    """Findings that are open, and those closed that were first seen since then."""
    return Finding.objects.filter(Q(closed__isnull=True) | Q(state=Finding.State.CLOSED, first_seen__gte=since))


def fetched(pks: Sequence[int], since: datetime) -> Iterable[tuple[Row, said.Said, frozenset[said.Said]]]:
    """Each finding with what was said of it and of those beside it. Four queries."""
    mine = rows(Finding.objects.filter(pk__in=pks))
    ends = {row.end for row in mine if row.end}
    units = {row.unit for row in mine if not row.end and row.unit}
    there = Q(end__in=ends) | Q(end__isnull=True, unit__in=units)
    near = defaultdict(list)
    current = Finding.objects.exclude(state__in=[Finding.State.MERGED, Finding.State.WITHDRAWN])
    for row in rows(current.filter(there, Q(closed__isnull=True) | Q(closed__gte=since))):
        near[row.place].append(row)
    known = said.said_of({row.pk for row in mine} | {row.pk for found in near.values() for row in found})
    for row in mine:
        others = (known[other.pk] for other in near[row.place] if row.beside(other))
        yield row, known[row.pk], frozenset(others)


def rows(findings) -> list[Row]:
    """Findings as columns, oldest first. One query."""
    columns = ("pk", "ref", "end_id", "unit_id", "pattern", "first_seen", "closed")
    found = findings.annotate(pattern=F("end__pattern")).order_by("pk").values_list(*columns)
    return [Row(*values) for values in found]


def differences(current, candidate) -> Callable[[said.Said, frozenset[said.Said], int | None], Difference]:
    """A function that grades under both and tells the difference; the same facts are graded once."""
    patterns = said.patterns()

    @lru_cache(KEPT)
    def difference(mine: said.Said, others: frozenset[said.Said], pattern: int | None) -> Difference:
        fault, beside = said.fault(mine), [said.fault(other) for other in others]
        before, after = (grading.grade_of(rules, fault, beside, patterns[pattern]) for rules in (current, candidate))
        return between(before, after, current.weathers, candidate.weathers)

    return difference


def between(before, after, weathers_before: Sequence[str], weathers_after: Sequence[str]) -> Difference:
    """The difference of two pure grades. A weather class one ruleset does not know is its mildest one there."""
    kinds, tighter, looser = set(), set(), set()
    for situation in facts.SITUATIONS:
        for weather in dict.fromkeys((*weathers_before, *weathers_after)):
            old = before.cells[situation, weather if weather in weathers_before else weathers_before[0]]
            new = after.cells[situation, weather if weather in weathers_after else weathers_after[0]]
            kinds |= kinds_of(old, new)
            tighter |= turned(old.limits, new.limits)
            looser |= turned(new.limits, old.limits)
    kinds |= {TIGHTER} if tighter else set()
    kinds |= {LOOSER} if looser else set()
    return Difference(before.worst, after.worst, frozenset(kinds or {SAME}), frozenset(tighter), frozenset(looser))


def kinds_of(old, new) -> set[str]:
    """How one cell changes, its dials left aside."""
    pairs = {
        UP: new.category > old.category,
        DOWN: new.category < old.category,
        NEWLY: old.limits == NO_LIMITS != new.limits,
        FREED: new.limits == NO_LIMITS != old.limits,
        SOONER: wait(new.hours) < wait(old.hours),
        LATER: wait(new.hours) > wait(old.hours),
    }
    return {kind for kind, holds in pairs.items() if holds}


def wait(hours: Decimal | None) -> Decimal:
    """Hours allowed, as numbers that can be compared: the next exam is the longest."""
    return Decimal("Infinity") if hours is None else hours


def turned(old: Limits, new: Limits) -> set[str]:
    """The dials on which `new` is tighter than `old`, with "speed" and "isolations"."""
    found = {d for d, words in DIALS.items() if words.index(getattr(new, d)) > words.index(getattr(old, d))}
    if wait(new.speed) < wait(old.speed):
        found.add("speed")
    if new.isolations - old.isolations:
        found.add("isolations")
    return found


class Tally:
    """Counts of one group of findings."""

    def __init__(self):
        self.findings = 0
        self.changes, self.steps, self.tighter, self.looser = Counter(), Counter(), Counter(), Counter()
        self.examples = defaultdict(list)

    def add(self, ref: str, difference: Difference) -> None:
        """Count one finding."""
        self.findings += 1
        self.changes.update(difference.kinds)
        self.steps[difference.before, difference.after] += 1
        self.tighter.update(difference.tighter)
        self.looser.update(difference.looser)
        for kind in difference.kinds:
            if kind != SAME and len(self.examples[kind]) < EXAMPLES:
                self.examples[kind].append(ref)

    def as_json(self) -> dict:
        """The group as it is stored."""
        dials = (*DIALS, "speed", "isolations")
        return {
            "findings": self.findings,
            "changes": {kind: self.changes[kind] for kind in CHANGES},
            "steps": [[*step, count] for step, count in sorted(self.steps.items())],
            "dials": {dial: [self.tighter[dial], self.looser[dial]] for dial in dials},
            "examples": {kind: self.examples[kind] for kind in SHOWN_BY_EXAMPLE},
        }
