"""What is put on a unit and taken off: numbered labels, isolations. One log entry each; none loosens a limit."""

from __future__ import annotations

from datetime import datetime

from django.contrib.auth.models import User
from django.db import IntegrityError, transaction

from fleet.models import CouplerEnd, Unit
from inspections import grading, log, permissions
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
    """Record that a label hangs at an end (or in the cabs of a unit) and what it shows."""
    refuse_unless("label", by)
    if not number.strip():
        raise Refused("Enter the number printed on the label.")
    if not shows.strip():
        raise Refused("Say what the label shows.")
    try:
        with transaction.atomic(durable=True):
            log.hold()
            label = Label.objects.create(
                number=number.strip().upper(),
                end=end,
                unit=unit,
                shows=shows.strip(),
                restriction=restriction,
                by=by,
                since=now,
            )
            note("label fitted", label, by, now, label=label.number, shows=label.shows)
    except IntegrityError as error:
        raise Refused(f"Label {number.strip()} hangs on a unit already. Check the number.") from error
    return label


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
    """Record what was shut or cut out, where, and who holds the key. The ruleset says which limits that brings."""
    refuse_unless("isolate", by)
    if kind not in grading.ruleset(now).isolations:
        raise Refused("Choose what was isolated.")
    if not where.strip():
        raise Refused("Say where it was isolated.")
    with transaction.atomic(durable=True):
        row = Isolation.objects.create(
            kind=kind, end=end, unit=unit, where=where.strip(), key=key.strip(), by=by, since=now, finding=finding
        )
        note("isolated", row, by, now, isolation=row.pk, what=kind, where=row.where, key=row.key)
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
    unit = row.end.unit if row.end_id else row.unit
    log.write(
        subject=f"unit:{unit.number}",
        kind=kind,
        actor=by.pk,
        happened=now,
        written=now,
        end=row.end.letter if row.end_id else "",
        **payload,
    )
