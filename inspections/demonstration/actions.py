"""Fleet actions of the past: the modification of the locks, started, done at every end in one night, and ended."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.contrib.auth.models import User

from inspections.demonstration.truths import MODIFICATION, MODIFIED_DAYS_AGO, MODIFIED_PATTERN
from inspections.demonstration.world import World
from inspections.models import FleetAction, FleetActionItem

COMPONENT = "head"
BEFORE, AFTER = timedelta(days=75), timedelta(days=9)
WHY = "Locks on pattern P were slow to go home in cold weather at both depots."


def modify_locks(world: World) -> None:
    """Put the modification on the agenda, where the record reaches back to its start."""
    at = world.railway.now - timedelta(days=MODIFIED_DAYS_AGO)
    if at - BEFORE > world.railway.start:
        world.at(at - BEFORE, start, at)


def start(world: World, at: datetime, done: datetime) -> None:
    """A manager starts it on every end of the pattern."""
    by = world.cast.managers[0]
    ends = [end for end in world.railway.ends if end.pattern.code == MODIFIED_PATTERN]
    due = (done + timedelta(days=30)).date()
    action = FleetAction(what=MODIFICATION, why=WHY, component=COMPONENT, by=by, started=at, due=due)
    world.ledger.add(action)
    items = [world.ledger.add(FleetActionItem(action=action, end=end)) for end in ends]
    on = ", ".join(str(end) for end in ends)
    write(world, "started", action, at, by, what=MODIFICATION, component=COMPONENT, due=due.isoformat(), on=on)
    world.at(done, do, action, items)


def do(world: World, at: datetime, action: FleetAction, items: list[FleetActionItem]) -> None:
    """Both depots fit the springs in one night."""
    for item in items:
        item.done, item.done_by = at, world.random.choice(world.cast.fitters)
        write(world, "done", action, at, item.done_by, at=str(item.end))
    world.at(at + AFTER, end, action)


def end(world: World, at: datetime, action: FleetAction) -> None:
    """It is done everywhere."""
    action.ended, action.ended_by, action.ended_why = at, world.cast.managers[0], "Done at every end."
    write(world, "ended", action, at, action.ended_by, why=action.ended_why)


def write(world: World, kind: str, action: FleetAction, when: datetime, by: User, **payload: object) -> None:
    """What the log says of an act, as `fleet_actions` says it."""
    subject = f"fleet-action:{action.pk}"
    kind = f"fleet action {kind}"
    world.ledger.write(subject=subject, kind=kind, actor=by.pk, happened=when, written=when, **payload)
