"""Nobody looked: Intolerable reports that control has not looked at grow louder with their age. Reads only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.contrib.auth.models import User
from django.db.models import F, OuterRef, Q, Subquery
from django.db.models.functions import Coalesce, Least

from inspections import words
from inspections.models import Finding, Observation
from inspections.rules.facts import CATEGORIES

INTOLERABLE = len(CATEGORIES) - 1
# The one place of the steps: from each of these ages on it is said more loudly, to control and to the driver.
STEPS = (timedelta(minutes=5), timedelta(minutes=15), timedelta(minutes=30))
COUNTED = 100


@dataclass(frozen=True, slots=True)
class Unlooked:
    """The one that waits longest: its age in words and as a step (0 to 3); how many wait, itself among them."""

    finding: Finding
    since: datetime
    age: str
    step: int
    count: int

    @property
    def many(self) -> str:
        """The count in figures; over a hundred is said as such."""
        return f"more than {COUNTED}" if self.count > COUNTED else str(self.count)


def step(since: datetime, now: datetime) -> int:
    """0 while it is fresh, then 1 to 3."""
    return sum(now - since >= limit for limit in STEPS)


def longest(now: datetime, *, by: User | None = None) -> Unlooked | None:
    """The Intolerable report that waits longest for control, of everybody or of those `by` one person. One query."""
    own = Observation.objects.filter(finding=OuterRef("pk"))
    first = Coalesce(Subquery(own.order_by("pk").values("received")[:1]), F("first_seen"))
    rows = Finding.objects.not_looked_at().filter(Q(worst=INTOLERABLE) | Q(worst=None))
    if by is not None:
        rows = rows.filter(pk__in=Observation.objects.filter(by=by).values("finding"))
    rows = rows.select_related("unit", "end").annotate(since=Least(F("first_seen"), first))
    found = list(rows.order_by("since", "pk")[: COUNTED + 1])
    if not found:
        return None
    since = found[0].since
    return Unlooked(found[0], since, words.age(since, now), step(since, now), len(found))


def not_looked_words(since: datetime, now: datetime, *, urgent: bool) -> str:
    """What its reporter is told of a report that control has not looked at."""
    if urgent and step(since, now):
        return f"Control has not looked for {words.age(since, now)}. Call control."
    return "Control has not looked yet."
