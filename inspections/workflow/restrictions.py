"""A person's limits on an end or a whole unit: set, lifted, logged."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID, uuid4

from django.contrib.auth.models import User
from django.db import transaction

from fleet.models import CouplerEnd, Unit
from inspections import log, permissions
from inspections.models import Finding, Restriction
from inspections.models.dials import Dials
from inspections.permissions import Refused
from inspections.rules.limits import NO_LIMITS, Limits


def restrict(
    *,
    end: CouplerEnd | None,
    unit: Unit | None,
    limits: Limits,
    why: str,
    by: User,
    now: datetime,
    uuid: UUID | None = None,
    finding: Finding | None = None,
) -> Restriction:
    """Set a person's limit on an end or a whole unit. It only tightens. The same `uuid` again sets nothing more."""
    if not permissions.may(by, "restrict"):
        raise Refused("Your role may not restrict a unit.")
    if limits == NO_LIMITS:
        raise Refused("Choose at least one limit: this would restrict nothing.")
    if not why.strip():
        raise Refused("Say why.")
    if finding and finding.unit_id != (end.unit_id if end else unit.pk):
        raise Refused("That report is on another unit.")
    with transaction.atomic(durable=True):
        log.hold()
        known = Restriction.objects.filter(uuid=uuid).first() if uuid else None
        if known and (known.end, known.unit, known.limits, known.why) != (end, unit, limits, why):
            raise Refused(
                "This form was sent before, and set another restriction. See what is in force, then send it."
            )
        if known:
            return known
        restriction = Restriction.objects.create(
            uuid=uuid or uuid4(),
            end=end,
            unit=unit,
            finding=finding,
            why=why,
            by=by,
            since=now,
            **Dials.columns(limits),
        )
        log.write(
            subject=subject_of(restriction),
            kind="restricted",
            actor=by.pk,
            happened=now,
            written=now,
            restriction=restriction.pk,
            finding=finding.ref if finding else "",
            end=end.letter if end else "",
            why=why,
            limits=Dials.columns(limits),
        )
        return restriction


def subject_of(row) -> str:
    """What the log calls the thing a row stands on: its unit, or the vehicle of an end that is in none just now."""
    unit = row.end.unit if row.end_id else row.unit
    return f"unit:{unit.number}" if unit else f"vehicle:{row.end.vehicle}"


def lift(restriction: Restriction, *, by: User, now: datetime, why: str) -> Restriction:
    """Lift one restriction; the others stay."""
    if not permissions.may(by, "lift"):
        raise Refused("Your role may not lift a restriction.")
    if not why.strip():
        raise Refused("Say why it is lifted.")
    with transaction.atomic(durable=True):
        if not lift_row(restriction, by=by, now=now, why=why):
            raise Refused("This restriction was lifted already.")
        return Restriction.objects.get(pk=restriction.pk)


def lift_row(restriction: Restriction, *, by: User, now: datetime, why: str) -> bool:
    """Lift and log inside the caller's transaction; False where somebody was first."""
    log.hold()
    standing_still = Restriction.objects.filter(pk=restriction.pk, lifted__isnull=True)
    if not standing_still.update(lifted=now, lifted_by=by, lifted_why=why):
        return False
    log.write(
        subject=subject_of(restriction),
        kind="restriction lifted",
        actor=by.pk,
        happened=now,
        written=now,
        restriction=restriction.pk,
        why=why,
    )
    return True
