"""One finding as a line of a list, and by when somebody must act on it. No queries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from types import MappingProxyType

from django.contrib.auth.models import User

from inspections.models import Finding
from inspections.words.names import category, fault, name, part, unit
from inspections.words.times import age, boldness, moment

NOBODY: Mapping[str, User] = MappingProxyType({})
NOTHING_LEFT: Mapping[int, datetime] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Deadline:
    """When to act. `at` is None where there is no hour to wait for; `over` when waiting is over."""

    words: str
    at: datetime | None = None
    over: bool = False


def deadline(finding: Finding, now: datetime, left: datetime | None = None) -> Deadline:
    """The order reading's deadline: first seen plus the hours its worst cells allow. Nothing once it is not open.

    `left`: until when a deferral in force lets it wait (`deferring.lets_wait`); then that is when to act.
    """
    if not finding.is_open or finding.current_grade is None:
        return Deadline("")
    if left:
        return Deadline(f"Deferred to {moment(left, now)}", left)
    hours = finding.current_grade.hours
    if hours is None:
        return Deadline("Examine at the next exam")
    if hours == 0:
        return Deadline("Not to wait", over=True)
    at = finding.first_seen + timedelta(hours=float(hours))
    if at < now:
        return Deadline(f"Overdue: examine by {moment(at, now)}", at, over=True)
    return Deadline(f"Examine by {moment(at, now)}", at)


@dataclass(frozen=True, slots=True)
class Line:
    """One finding as a line of a list."""

    finding: Finding
    unit: str
    part: str
    fault: str
    category: str
    deadline: Deadline
    age: str
    boldness: int
    unlooked: bool
    taker: str = ""


def waiting_since(finding: Finding) -> datetime:
    """The earlier of first seen and received, so that a phone's wrong clock cannot make a report look fresh."""
    received = getattr(finding, "received", None)
    return min(finding.first_seen, received) if received else finding.first_seen


def lines(
    findings: Iterable[Finding],
    rules,
    now: datetime,
    takers: Mapping[str, User] = NOBODY,
    left: Mapping[int, datetime] = NOTHING_LEFT,
) -> list[Line]:
    """Findings fetched `for_list()` as lines; no query of their own.

    `takers`: reference → who took the job. `left`: id → until when a deferral lets it wait.
    """
    return [
        Line(
            finding=finding,
            unit=unit(finding),
            part=part(rules, finding),
            fault=fault(rules, finding),
            category=category(finding),
            deadline=deadline(finding, now, left.get(finding.pk)),
            age=age(waiting_since(finding), now),
            boldness=boldness(waiting_since(finding), now),
            unlooked=finding.state == Finding.State.REPORTED,
            taker=name(takers[finding.ref]) if finding.ref in takers else "",
        )
        for finding in findings
    ]
