"""What was before, for cards: work done on a part, faults that came back, ends met, jobs left half done."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime, timedelta

from django.db.models import F, OuterRef, Q, Subquery, Window
from django.db.models.functions import RowNumber

from fleet.models import CouplerEnd, CouplingSide
from inspections import case, words, working
from inspections.cards.there import all_bare, clock, day
from inspections.models import CloseOut, Finding, InspectedEnd

PAST_SHOWN = 3
MATES_SHOWN = 6
MATES_BACK = timedelta(days=28)  # how far mates are looked for where no clean look is known


class Past:
    """Read once for many ends, in a fixed number of queries."""

    def __init__(self, ends: Sequence[CouplerEnd], findings: Sequence[Finding], rules, now: datetime):
        self.rules, self.ends = rules, {end.pk: end for end in ends}
        self.done = work_done(ends, {finding.component for finding in findings})
        self.near = near(findings, rules)
        self.met = met(ends, findings, now)

    def work(self, finding: Finding, end: CouplerEnd | None) -> tuple[str, ...]:
        """What was done on this part at this end before, newest first."""
        return tuple(self.done[end.pk, finding.component]) if end else ()

    def repeat(self, finding: Finding) -> str:
        """ "2nd in 28 days on this part of this end", and which close-out it came back after; "" for a first one."""
        others = [other for other in self.near[finding.end_id] if other.pk != finding.pk]
        return "; ".join(all_bare(case.repeat_words(finding, others, self.rules).split(". ")))

    def mates(self, end: CouplerEnd | None) -> tuple[str, ...]:
        """Ends coupled to this one since it was last seen clean, newest first."""
        return tuple(f"{side.end}, {day(side.at)}" for side in self.met[end.pk]) if end else ()


def work_done(ends: Sequence[CouplerEnd], components: set[str]) -> dict[tuple[int, str], list[str]]:
    """(End id, component) → what was done on it there, newest first. One query."""
    newest = Window(
        RowNumber(), partition_by=[F("finding__end"), F("finding__component")], order_by=F("signed").desc()
    )
    rows = CloseOut.objects.filter(finding__end__in=ends, finding__component__in=components, voided__isnull=True)
    rows = rows.select_related("finding__visit__depot").annotate(nth=newest).filter(nth__lte=PAST_SHOWN)
    found = defaultdict(list)
    for row in rows.order_by("-signed"):
        depot = f" at {row.finding.visit.depot}" if row.finding.visit_id else ""
        did = f"{day(row.signed)}: {row.action or row.outcome}{depot}"
        found[row.finding.end_id, row.finding.component].append(did)
    return found


def near(findings: Sequence[Finding], rules) -> dict[int, list[Finding]]:
    """End id → findings of it within the repeat window before one of these. One query."""
    found = defaultdict(list)
    ends = {finding.end_id for finding in findings if finding.end_id}
    if not ends:
        return found
    oldest = min(finding.first_seen for finding in findings) - timedelta(days=rules.repeat_days)
    rows = Finding.objects.filter(end__in=ends, first_seen__gte=oldest).exclude(state=Finding.State.MERGED)
    for row in rows.only("end", "component", "first_seen"):
        found[row.end_id].append(row)
    return found


def met(ends: Sequence[CouplerEnd], findings: Sequence[Finding], now: datetime) -> dict[int, list[CouplingSide]]:
    """End id → the other sides of its last couplings since it was last seen clean, newest first. Three queries."""
    found = defaultdict(list)
    first: dict[int, datetime] = {}
    for finding in findings:
        for end in ends:
            if finding.end_id in (None, end.pk) and end.unit_id == finding.unit_id:
                first[end.pk] = min(finding.first_seen, first.get(end.pk, finding.first_seen))
    good = last_clean(first)
    newest = Window(RowNumber(), partition_by=[F("end")], order_by=F("at").desc())
    mine = CouplingSide.objects.filter(end__in=first, at__lte=now, at__gte=min(good.values(), default=now))
    mine = [side for side in mine.annotate(nth=newest).filter(nth__lte=MATES_SHOWN) if side.at >= good[side.end_id]]
    others = defaultdict(list)
    rows = CouplingSide.objects.filter(coupling__in={side.coupling_id for side in mine})
    for side in rows.select_related("end__unit").order_by("-at"):
        others[side.coupling_id].append(side)
    for side in sorted(mine, key=lambda side: side.at, reverse=True):
        found[side.end_id] += [other for other in others[side.coupling_id] if other.end_id != side.end_id]
    return found


def last_clean(first: dict[int, datetime]) -> dict[int, datetime]:
    """End id → when it was last seen clean before its first open fault, else so many days before that. One query."""
    looks = InspectedEnd.objects.filter(end=OuterRef("pk"), clean=True).order_by("-inspection__seen")
    fault = Finding.objects.open().filter(Q(end=OuterRef("pk")) | Q(end__isnull=True, unit=OuterRef("unit")))
    rows = CouplerEnd.objects.filter(pk__in=first).annotate(
        fault=Subquery(fault.order_by("first_seen").values("first_seen")[:1])
    )
    rows = rows.annotate(
        good=Subquery(looks.filter(inspection__seen__lt=OuterRef("fault")).values("inspection__seen")[:1])
    )
    return {row.pk: row.good or first[row.pk] - MATES_BACK for row in rows}


def left_words(left: working.Left | None) -> str:
    """The state a half-done job was left in, by whom and when; "" where it was not put back."""
    if left is None:
        return ""
    return "; ".join([*all_bare(left.sentences), f"put back {clock(left.at)} by {words.name(left.by)}"])
