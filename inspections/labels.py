"""What is put on a unit and taken off: numbered labels, isolations. One log entry each; none loosens a limit."""

from __future__ import annotations

from datetime import datetime

from django.contrib.auth.models import User
from django.db import transaction

from fleet.models import CouplerEnd, Unit
from inspections import grading, log, permissions, workflow
from inspections.models import Finding, Isolation, Label, Restriction
from inspections.permissions import Refused


def hang(
    *,
    number: str,
    end: CouplerEnd | None,
    unit: Unit | None,
    shows: str,
    restriction: Restriction | None,
    by: User,
    now: datetime,
) -> Label:
    """Record that a label hangs at an end (or in the cabs of a unit) and what it shows.

    The same said again by the same person records nothing more.
    """
    refuse_unless("label", by)
    number, shows = number.strip().upper(), shows.strip()
    if not number:
        raise Refused("Enter the number printed on the label.")
    if not shows:
        raise Refused("Say what the label shows.")
    place = {"end": end, "unit": unit}
    with transaction.atomic(durable=True):
        log.hold()
        hung = Label.objects.filter(number=number, off__isnull=True).select_related("end__unit", "unit").first()
        if hung and hung.by_id == by.pk and hung.shows == shows and (hung.end, hung.unit) == (end, unit):
            return hung
        if hung:
            raise Refused(f"Label {number} hangs on {hung.end or hung.unit} already. Check the number.")
        refuse_restriction(restriction, end, unit, now)
        label = Label.objects.create(number=number, **place, shows=shows, restriction=restriction, by=by, since=now)
        note("label fitted", label, by, now, label=label.number, shows=label.shows)
    return label


def refuse_restriction(restriction: Restriction | None, end, unit, now: datetime) -> None:
    """Raise Refused where a label would show a restriction that is not in force, or not where it hangs."""
    if restriction is None:
        return
    if not Restriction.objects.in_force(now).filter(pk=restriction.pk).exists():
        raise Refused("That restriction was lifted. See what is in force now.")
    if not shows_there(restriction, end, unit):
        raise Refused("A label hangs at the end that its restriction is on, or in the cabs of that unit.")


def shows_there(restriction: Restriction, end: CouplerEnd | None, unit: Unit | None) -> bool:
    """True where a label at this end (or in the cabs of this unit) shows the restriction to who comes to it."""
    if restriction.unit_id:
        return restriction.unit_id == (end.unit_id if end else unit.pk)
    return restriction.end_id == end.pk if end else restriction.end.unit_id == unit.pk


def take_down(label: Label, *, by: User, now: datetime) -> Label:
    """Record that a label was removed. Its restriction stays."""
    refuse_unless("label", by)
    return off(Label, label, "label removed", by, now, label=label.number)


def isolate(
    *,
    kind: str,
    end: CouplerEnd | None,
    unit: Unit | None,
    where: str,
    key: str,
    by: User,
    now: datetime,
    finding: Finding | None = None,
) -> Isolation:
    """Record what was shut or cut out, where, and who holds the key. The ruleset says which limits that brings.

    The same said again by the same person records nothing more.
    """
    refuse_unless("isolate", by)
    if kind not in grading.ruleset(now).isolations:
        raise Refused("Choose what was isolated.")
    if not where.strip():
        raise Refused("Say where it was isolated.")
    said = {"kind": kind, "end": end, "unit": unit, "where": where.strip(), "key": key.strip()}
    with transaction.atomic(durable=True):
        log.hold()
        known = Isolation.objects.in_force(now).filter(**said, by=by).first()
        if known:
            return known
        row = Isolation.objects.create(**said, by=by, since=now, finding=finding)
        because = finding.ref if finding else ""
        note("isolated", row, by, now, isolation=row.pk, what=kind, where=row.where, key=row.key, finding=because)
    return row


def restore(row: Isolation, *, by: User, now: datetime) -> Isolation:
    """Record that an isolation was removed."""
    refuse_unless("isolate", by)
    return off(Isolation, row, "isolation removed", by, now, isolation=row.pk, what=row.kind)


def refuse_unless(act: str, by: User) -> None:
    if not permissions.may(by, act):
        raise Refused("Your role may not record labels or isolations.")


def off(table, row, kind: str, by: User, now: datetime, **payload):
    """Take off what is on; the first of two people wins."""
    with transaction.atomic(durable=True):
        log.hold()
        if not table.objects.filter(pk=row.pk, off__isnull=True).update(off=now, off_by=by):
            raise Refused("Somebody recorded that already.")
        note(kind, row, by, now, **payload)
    return table.objects.get(pk=row.pk)


def note(kind: str, row, by: User, now: datetime, **payload) -> None:
    """The log entry, on the unit."""
    log.write(
        subject=workflow.subject_of(row),
        kind=kind,
        actor=by.pk,
        happened=now,
        written=now,
        end=row.end.letter if row.end_id else "",
        **payload,
    )
