"""The parts of one coupler, slot by slot: what is in, since when, and the lives that ended there. Reads only."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from fleet.models import Coupler, Fitment, PartFitting
from inspections import parts, words
from inspections.models import Finding

FINDINGS_SHOWN = 20


@dataclass(frozen=True, slots=True)
class Life:
    """One part in a slot. `days`: how long it was in, to its removal or to now; `start`: what is known of its age."""

    row: PartFitting
    number: str
    days: int
    start: str


@dataclass(frozen=True, slots=True)
class Slot:
    """One slot: its name, the part in it (None where none is recorded), the lives before it, newest first."""

    name: str
    now: Life | None
    past: Sequence[Life]


@dataclass(frozen=True, slots=True)
class History:
    """Everything the page of a coupler says. `places`: its fitments, newest first."""

    coupler: Coupler
    places: Sequence[Fitment]
    slots: Sequence[Slot]
    lines: Sequence[words.Line]


def history(coupler: Coupler, rules, now: datetime) -> History:
    """The coupler with its slots in the order of the drawing. Three queries."""
    lives = defaultdict(list)
    for row in coupler.parts.order_by("-fitted", "-pk"):
        lives[row.slot].append(life(row, now))
    slots = [*coupler.pattern.slots, *(slot for slot in lives if slot not in coupler.pattern.slots)]
    here = Finding.objects.open().filter(coupler=coupler).worst_first().for_list()[:FINDINGS_SHOWN]
    return History(
        coupler=coupler,
        places=list(coupler.fitments.select_related("end__unit").order_by("-fitted")),
        slots=[slot_of(slot, lives[slot], rules) for slot in slots],
        lines=words.lines(here, rules, now),
    )


def slot_of(slot: str, lives: Sequence[Life], rules) -> Slot:
    """One slot from its lives, newest first."""
    inside = next((one for one in lives if one.row.removed is None), None)
    return Slot(words.part_named(rules, slot), inside, [one for one in lives if one is not inside])


def life(row: PartFitting, now: datetime) -> Life:
    """One life in words."""
    number = parts.named({"serial": row.serial, "batch": row.batch})
    return Life(row, number, max(0, ((row.removed or now) - row.fitted).days), start_words(row))


def start_words(row: PartFitting) -> str:
    """ "new", or what is known of a part that was in before anybody kept a record of it."""
    if row.age_days is None:
        return "its age when records began is not known"
    return f"{row.age_days} days old when records began" if row.age_days else "new"
