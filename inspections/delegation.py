"""On what terms a finding may be left: by whom, how long, until which events, and what must be done first.

The deadline and the power to defer are read from the worst category over the situations that are left once a
person's restriction is in force *and* labelled (`design.md`, definition 4). Reads, writes nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Exists, OuterRef, Q

from inspections import expiry, grading, standing
from inspections.models import Deferral, Finding, GradeCell, Label, Restriction
from inspections.rules.facts import CATEGORIES, SITUATIONS
from inspections.rules.limits import NO_LIMITS, Limits, join

ENGINEER = "engineer"
FROST_HOURS = "hours-frost"  # the ruleset's limit for what frost makes worse, while it is frost
WORST = len(CATEGORIES) - 1
# What the delegation may ask for → what is said where it is not there.
MISSING = {
    "restriction": "Set a restriction first.",
    "label": "Have the restriction shown by a label where it stands first.",
}


@dataclass(frozen=True, slots=True)
class Reading:
    """The deadline reading: the situations that are left, and the worst category over them and every weather."""

    situations: tuple[str, ...]
    category: int


@dataclass(frozen=True, slots=True)
class Terms:
    """On what terms a finding may be left: its category by the deadline reading, over which situations.

    `why_not` says why it may not be left ("" where it may); `latest` is the last moment a deferral given now may run
    to, `longest` what an extension may add from now; `events` end it as well; `engineer` says that an engineer must
    agree; `interim` that what is done meanwhile must be said; `missing` are keys of `MISSING`; `extensions` how often
    it may be extended; `frost` that it is frost there, which such a fault may only wait in for the hours of frost
    items; `coupled` that its end is; `words` are the delegation's own.
    """

    category: int
    situations: tuple[str, ...]
    latest: datetime
    longest: timedelta
    events: tuple[str, ...]
    engineer: bool
    interim: bool
    missing: tuple[str, ...]
    extensions: int
    words: str
    frost: bool
    coupled: bool
    why_not: str

    @property
    def refusal(self) -> str:
        """Why it may not be left as things stand, in sentences; "" where it may."""
        return self.why_not or " ".join(MISSING[need] for need in self.missing)


def readings(findings: Sequence[Finding], at: datetime, coupled: Collection[int]) -> dict[int, Reading]:
    """Finding id → its deadline reading. `coupled` holds the ids of ends that are coupled now. Two queries."""
    limits = labelled_limits(findings, at)
    left = {f.pk: situations_left(limits[f.pk], coupled=f.end_id in coupled) for f in findings}
    cells: dict[int, dict[str, int]] = {}
    for cell in GradeCell.objects.filter(grade__in=[f.current_grade_id for f in findings]):
        by_situation = cells.setdefault(cell.grade_id, {})
        by_situation[cell.situation] = max(cell.category, by_situation.get(cell.situation, 0))
    return {
        f.pk: Reading(
            left[f.pk], max((cells.get(f.current_grade_id, {}).get(s, WORST) for s in left[f.pk]), default=0)
        )
        for f in findings
    }


def situations_left(labelled: Limits, *, coupled: bool) -> tuple[str, ...]:
    """The situations an end can still be in, given what is restricted and labelled there."""
    gone = set()
    if labelled.couple == "not":
        gone |= {"C"} if coupled else {"C", "R"}
    if labelled.move == "stand":
        gone |= {"R"}
    return tuple(s for s in SITUATIONS if s not in gone)


def labelled_limits(findings: Iterable[Finding], at: datetime) -> dict[int, Limits]:
    """Finding id → the join of the restrictions in force at its end and unit that a label shows there. One query."""
    findings = list(findings)
    hangs = Label.objects.in_force(at).filter(restriction=OuterRef("pk"))
    hangs = hangs.filter(Q(end=OuterRef("end")) | Q(unit=OuterRef("unit")) | Q(unit=OuterRef("end__unit")))
    rows = Restriction.objects.in_force(at).filter(Exists(hangs)).filter(
        Q(end__in={f.end_id for f in findings if f.end_id}) | Q(unit__in={f.unit_id for f in findings if f.unit_id})
    )  # fmt: skip
    on_end: dict[int, Limits] = {}
    on_unit: dict[int, Limits] = {}
    for row in rows:
        where, key = (on_end, row.end_id) if row.end_id else (on_unit, row.unit_id)
        where[key] = join(where.get(key, NO_LIMITS), row.limits)
    return {f.pk: join(on_end.get(f.end_id, NO_LIMITS), on_unit.get(f.unit_id, NO_LIMITS)) for f in findings}


def terms(finding: Finding, now: datetime) -> Terms:
    """On what terms it may be left now. A fixed number of queries."""
    rules = grading.ruleset(now)
    known = standing.of_ends([finding.end], now)[finding.end_id] if finding.end_id else None
    coupled = {finding.end_id} if known and known.now == "R" else ()
    reading = readings([finding], now, coupled)[finding.pk]
    rule = rules.delegation[reading.category]
    modes = [rules.modes[m] for m in modes_of(finding) if m in rules.modes]
    events = dict.fromkeys(event for mode in modes for event in mode.expiry)
    longest = timedelta(days=float(rule.longest_days or 0))
    frost = bool(known and known.weather == expiry.FROST and expiry.FIRST_FROST in events)
    if frost and FROST_HOURS in rules.limit_values:
        # Its frost is there already, so it cannot end it: while it lasts, the time for frost items counts.
        longest = min(longest, timedelta(hours=float(rules.limit_values[FROST_HOURS].value)))
        del events[expiry.FIRST_FROST]
    return Terms(
        category=reading.category,
        situations=reading.situations,
        latest=(first_left(finding, now) or now) + longest,
        longest=longest,
        events=tuple(events),
        engineer=ENGINEER in rule.by,
        interim="interim" in rule.needs,
        missing=what_is_missing(finding, rule.needs, now),
        extensions=rule.extensions,
        words=rule.words,
        frost=frost,
        coupled=bool(coupled),
        why_not=why_not(finding, rule, modes),
    )


def modes_of(finding: Finding) -> Sequence[str]:
    """The codes of what it may be."""
    return finding.current_grade.modes if finding.current_grade else ()


def first_left(finding: Finding, now: datetime) -> datetime | None:
    """When this finding was first left: a deferral given again runs from then, only an extension runs longer."""
    rows = Deferral.objects.filter(finding=finding, agreed__lte=now).order_by("since")
    return rows.values_list("since", flat=True).first()


def why_not(finding: Finding, rule, modes) -> str:
    """Why this may not be left at all, in a sentence; "" where it may."""
    if finding.unit_id is None:
        return "The unit is not on the list yet: say which unit it is first."
    if not rule.may_defer:
        return f"It is {CATEGORIES[rule.category]} in a situation that is left: nobody may leave it. {rule.words}"
    kept = [mode.name for mode in modes if not mode.deferrable]
    if kept or not modes:
        names = f" ({'; '.join(kept)})" if kept else ""
        return f"It may be a fault that is never left{names}. A fitter must examine it first."
    return ""


def what_is_missing(finding: Finding, needs: Sequence[str], now: datetime) -> tuple[str, ...]:
    """What the delegation asks for and is not there: keys of `MISSING`. At most two queries."""
    missing = []
    if "restriction" in needs and not restricted(finding, now):
        missing.append("restriction")
    if "label" in needs and labelled_limits([finding], now)[finding.pk] == NO_LIMITS:
        missing.append("label")
    return tuple(missing)


def restricted(finding: Finding, now: datetime) -> bool:
    """True where a restriction is in force at its end or unit."""
    there = Q(end=finding.end_id) if finding.end_id else Q(pk__in=[])
    there |= Q(unit=finding.unit_id) if finding.unit_id else Q(pk__in=[])
    return Restriction.objects.in_force(now).filter(there).exists()
