"""What a shift pack says: one depot, one shift. Plain values; who fills them has read the rows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from inspections.reports.card import Card


@dataclass(frozen=True, slots=True)
class PackCount:
    """How many jobs a band has; `change` since the last pack, None where there was none."""

    band: str
    count: int
    change: int | None


@dataclass(frozen=True, slots=True)
class PackJob:
    """One job of the list. `category` "" is not graded; `due` in words; `card`: which of the pack's cards, -1 none.

    `state` in words; `since`: the shift it was planned for, where that is not this one.
    """

    reference: str
    unit: str
    end: str
    road: str
    part: str
    fault: str
    category: str
    due: str
    state: str
    since: str = ""
    card: int = -1


@dataclass(frozen=True, slots=True)
class Unfinished:
    """A job that was begun: in whose hands it is, or the state it was left in, in words."""

    job: PackJob
    left: str


@dataclass(frozen=True, slots=True)
class Pack:
    """A depot's pack for one shift.

    `shift`: "early shift, 24 November 2026". `before`: when the last pack was printed, in words, "" for never.
    `first`: jobs that are not graded or overdue, worst first. `due_in`: a sentence for each unit.
    """

    depot: str
    shift: str
    printed: datetime
    before: str
    counts: tuple[PackCount, ...]
    first: tuple[PackJob, ...]
    unfinished: tuple[Unfinished, ...]
    due_in: tuple[str, ...]
    jobs: tuple[PackJob, ...]
    cards: tuple[Card, ...]
