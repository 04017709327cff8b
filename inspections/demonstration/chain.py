"""One bent pin goes from end to end: an end whose block was damaged marks the pins of those it meets."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from inspections.demonstration.course import encounter
from inspections.demonstration.truths import BENT_PIN_AT, BENT_PIN_DAYS_AGO, MARKED_MATES, MARKED_WITHIN
from inspections.demonstration.world import World

PIN, PART, COMPONENT = "pin-bent", "contacts", "contact-block"


def bend_pins(world: World) -> None:
    """Put the damage on the agenda, where that end exists: it marks its mates before anybody sees it."""
    end = next((end for end in world.railway.ends if str(end) == BENT_PIN_AT), None)
    at = world.railway.now - timedelta(days=BENT_PIN_DAYS_AGO)
    if end is None or at < world.railway.start:
        return
    marked: set[int] = set()
    for side, mate in meetings(world, end, at, MARKED_WITHIN):
        world.at(side.at + timedelta(minutes=10), mark, side, mate, marked)
    world.at(at + timedelta(days=MARKED_WITHIN), found, end)


def found(world: World, at: datetime, end) -> None:
    """The bent pin itself is found at the next coupling, if nothing else is open there."""
    side, mate = meetings(world, end, at, 60)[0]
    if free(world, end):
        seen = encounter(0, side, mate, PART, world.rates, world.random, symptom=PIN)
        world.at(max(at, seen.received), world.report, replace(seen, by_fitter=False), planted=True)
    else:
        world.at(at + timedelta(hours=12), found, end)


def meetings(world: World, end, since: datetime, days: int) -> list[tuple]:
    """(side, mate's side) of the couplings of an end in the days from `since` on that joined electrically."""
    railway, until = world.railway, since + timedelta(days=days)
    sides = [(railway.sides[n], railway.sides[n ^ 1]) for n in world.wear.sides[end.pk]]
    return [
        (side, mate)
        for side, mate in sides
        if since <= side.at < until and side.coupling.stage == "full" and mate.end.pattern_id == end.pattern_id
    ]


def free(world: World, end) -> bool:
    """True where nothing is open on this end's block."""
    return all(life.row.component != COMPONENT for life in world.known.open[end.pk])


def mark(world: World, at: datetime, side, mate, marked: set[int]) -> None:
    """A mate's pins are marked, and somebody sees it."""
    if len(marked) == MARKED_MATES or mate.end.pk in marked or not free(world, mate.end):
        return
    marked.add(mate.end.pk)
    seen = encounter(0, mate, side, PART, world.rates, world.random, symptom=PIN)
    seen = replace(seen, by_fitter=False)
    world.at(max(at, seen.received), world.report, seen, planted=True)
