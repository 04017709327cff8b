"""What is watched after a close-out, and what came back within the watch. Derived at every read; writes nothing.

The window is the ruleset's: so many days and so many couplings of the end after it was closed, whichever ends later
(`design.md`, definition 10); `intake.repeat_of` names a repeat by the same window.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import F, Max, Window
from django.db.models.functions import RowNumber

from fleet.models import CouplingSide
from inspections import grading, words
from inspections.models import Finding


@dataclass(frozen=True, slots=True)
class Watch:
    """One closed finding that is watched. `couplings`: of its end since then, at most one more than `wanted`."""

    finding: Finding
    until: datetime
    couplings: int
    wanted: int
    words: str


def of_ends(ends: Collection[int], at: datetime, rules=None) -> dict[int, list[Watch]]:
    """End id → what is watched there at `at`, the newest first. Three queries however many ends."""
    rules = rules or grading.ruleset(at)
    closed = Finding.objects.filter(end__in=ends, state=Finding.State.CLOSED, closed__lte=at)
    last = {
        (row["end"], row["component"]): row["last"]
        for row in closed.order_by().values("end", "component").annotate(last=Max("closed"))
    }
    met = last_couplings(ends, at, rules.repeat_couplings + 1) if last else {}
    kept = {key: closed_at for key, closed_at in last.items() if runs(closed_at, met.get(key[0], ()), at, rules)}
    found: dict[int, list[Watch]] = defaultdict(list)
    rows = closed.filter(closed__in=set(kept.values())).select_related("unit", "end") if kept else ()
    for row in sorted(rows, key=lambda row: (row.closed, row.pk), reverse=True):
        if kept.pop((row.end_id, row.component), None) == row.closed:
            found[row.end_id].append(watch(row, met.get(row.end_id, ()), at, rules))
    return found


def last_couplings(ends: Collection[int], at: datetime, most: int) -> dict[int, list[datetime]]:
    """End id → the times of its last couplings, `most` at most. One query."""
    rank = Window(RowNumber(), partition_by=F("end"), order_by=F("at").desc())
    rows = CouplingSide.objects.filter(end__in=ends, at__lte=at).annotate(rank=rank).filter(rank__lte=most)
    met = defaultdict(list)
    for end, when in rows.values_list("end", "at"):
        met[end].append(when)
    return met


def runs(closed: datetime, met: Collection[datetime], at: datetime, rules) -> bool:
    """True while either half of the window has not ended."""
    within_days = at - closed <= timedelta(days=rules.repeat_days)
    return within_days or sum(when > closed for when in met) <= rules.repeat_couplings


def watch(finding: Finding, met: Collection[datetime], at: datetime, rules) -> Watch:
    """One watch with its sentence."""
    couplings = sum(when > finding.closed for when in met)
    until, wanted = finding.closed + timedelta(days=rules.repeat_days), int(rules.repeat_couplings)
    many = f"over {wanted}" if couplings > wanted else str(couplings)
    said = (
        f"{words.part(rules, finding)}: watched since {words.day(finding.closed, at).removeprefix('on ')}, for "
        f"{rules.repeat_days} days and {wanted} couplings, whichever is later. {many} so far."
    )
    return Watch(finding, until, couplings, wanted, said)


def of_finding(finding: Finding, at: datetime) -> Watch | None:
    """The watch that a closed finding is under; None for any other, and where a later repair is watched instead."""
    if finding.state != Finding.State.CLOSED or finding.end_id is None:
        return None
    return next((one for one in of_ends([finding.end_id], at)[finding.end_id] if one.finding.pk == finding.pk), None)


def came_back(finding: Finding) -> str:
    """ "It came back 9 days after work on it was closed."; "" for a fault that is no repeat. `repeat_of` fetched."""
    if not finding.repeat_of_id or finding.repeat_of.closed is None:
        return ""
    return f"It came back {words.age(finding.repeat_of.closed, finding.first_seen)} after work on it was closed."
