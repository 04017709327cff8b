"""Fleet actions: what is started on faults that keep coming back, done end by end, ended; whether it worked.

Whether it worked comes from the figures (`history`), never from the action: an exact test of the rate before and
after, at the ends where it was done.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Count, Q

from fleet.models import Coupler, CouplerEnd
from inspections import log, permissions
from inspections.history.section import counted, limits, shown
from inspections.models import FleetAction, FleetActionItem
from inspections.permissions import Refused

SIZE = 0.05  # the section's "by chance" at most, to call an effect one
REGRESSION = "Ends chosen because they were bad would have come down anyway. Compare with ends that were left alone."
END = re.compile(r"(?P<unit>[0-9A-Za-z-]{1,12})\s*(?P<letter>[AaBb])")


@dataclass(frozen=True, slots=True)
class Told:
    """An action with how many ends or couplers it is on, how many are done, and its effect in words."""

    action: FleetAction
    on: int
    done: int
    effect: str


def named(text: str) -> tuple[list[CouplerEnd], list[Coupler]]:
    """The ends ("305 A") and couplers (serials) of a list, one a line or with commas between; each once.

    Refused names the first that is neither.
    """
    ends: dict[int, CouplerEnd] = {}
    couplers: dict[int, Coupler] = {}
    for entry in filter(None, (part.strip() for part in re.split(r"[,;\n]", text))):
        coupler = Coupler.objects.filter(serial__iexact=entry).first()
        found = END.fullmatch(entry)
        end = CouplerEnd.objects.named(found["unit"], found["letter"].upper()).first() if found else None
        if coupler:
            couplers[coupler.pk] = coupler
        elif end:
            ends[end.pk] = end
        else:
            raise Refused(f"“{entry}” is no end like 305 A and no coupler's serial.")
    return list(ends.values()), list(couplers.values())


def start(*, what: str, why: str, component: str, on: str, due: date, by: User, now: datetime) -> FleetAction:
    """Start an action on the ends and couplers that `on` names. Refused: not allowed, or nothing named."""
    allow(by)
    ends, couplers = named(on)
    if not ends and not couplers:
        raise Refused("Name at least one end or coupler.")
    with transaction.atomic(durable=True):
        log.hold()
        same = FleetAction.objects.filter(what=what, component=component, by=by, ended__isnull=True, due=due).first()
        if same and not different(same, ends, couplers):
            return same
        action = FleetAction.objects.create(what=what, why=why, component=component, by=by, started=now, due=due)
        FleetActionItem.objects.bulk_create(
            [FleetActionItem(action=action, end=end) for end in ends]
            + [FleetActionItem(action=action, coupler=coupler) for coupler in couplers]
        )
        write("fleet action started", action, by, now, what=what, component=component, due=due.isoformat(), on=on)
        return action


def different(action: FleetAction, ends: Sequence[CouplerEnd], couplers: Sequence[Coupler]) -> bool:
    """True unless the action is on these very ends and couplers: else it is a second press of the button."""
    on = set(action.items.values_list("end", "coupler"))
    return on != {(end.pk, None) for end in ends} | {(None, coupler.pk) for coupler in couplers}


def do(item: FleetActionItem, *, by: User, now: datetime) -> None:
    """It is done at one end or coupler. Refused where it was done before, or the action is ended."""
    if not permissions.may(by, "do fleet action"):
        raise Refused("Your role may not record that.")
    with transaction.atomic(durable=True):
        log.hold()
        waiting = FleetActionItem.objects.filter(pk=item.pk, done__isnull=True, action__ended__isnull=True)
        if not waiting.update(done=now, done_by=by):
            raise Refused("That is recorded as done already, or the action is ended.")
        write("fleet action done", item.action, by, now, at=str(item.end or item.coupler))


def end(action: FleetAction, *, why: str, by: User, now: datetime) -> None:
    """End an action, done everywhere or not."""
    allow(by)
    if not why.strip():
        raise Refused("Say how it ended.")
    with transaction.atomic(durable=True):
        log.hold()
        running = FleetAction.objects.filter(pk=action.pk, ended__isnull=True)
        if not running.update(ended=now, ended_by=by, ended_why=why.strip()):
            raise Refused("This action was ended already.")
        write("fleet action ended", action, by, now, why=why.strip())


def allow(by: User) -> None:
    if not permissions.may(by, "start fleet action"):
        raise Refused("Your role may not start or end a fleet action.")


def write(kind: str, action: FleetAction, by: User, now: datetime, **payload) -> None:
    subject = f"fleet-action:{action.pk}"
    log.write(subject=subject, kind=kind, actor=by.pk, happened=now, written=now, **payload)


def between(since: datetime, until: datetime, figures: dict) -> list[Told]:
    """Actions that were open in [since, until), newest first, with their effect by these figures. One query."""
    rows = FleetAction.objects.filter(started__lt=until).filter(Q(ended__isnull=True) | Q(ended__gte=since))
    rows = rows.annotate(on=Count("items"), finished=Count("items", filter=Q(items__done__lt=until)))
    return [Told(row, row.on, row.finished, effect(row, figures)) for row in rows.order_by("-started", "-pk")]


def effect(action: FleetAction, figures: dict) -> str:
    """What the figures say of the rate before and after, in words."""
    section = next(section for section in figures["sections"] if section["name"] == "modifications")
    row = next((row for row in section["rows"] if row[0] == action.what), None)
    if row is None:
        return "Not to be told yet: done nowhere, or no fault before or after."
    _, _, on, before, after, ratio, low, high, chance = row
    told = f"{counted(before, 'fault')} before, {after} after, at {counted(on, 'end')}"
    if ratio is None:
        return f"{told}: too few to compare."
    sure = "beyond chance" if chance is not None and chance <= SIZE else "may be chance"
    return f"{told}: {shown(ratio)} times the rate before ({limits(low, high)}), {sure}."
