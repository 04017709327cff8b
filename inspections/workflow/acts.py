"""What control and fitters do with one finding: look, tell, raise, plan, take, withdraw, decide."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID, uuid4

from django.contrib.auth.models import User
from django.db import transaction

from fleet.models import Place
from inspections import grading, mates
from inspections.models import Finding, Grade, Observation, Visit
from inspections.permissions import Refused
from inspections.rules.facts import CATEGORIES
from inspections.workflow.steps import State, advance


def look(finding: Finding, *, version: int, by: User, now: datetime) -> Finding:
    """Control has looked: reported → acknowledged."""
    with transaction.atomic(durable=True):
        return advance(
            finding,
            act="look",
            version=version,
            by=by,
            now=now,
            kind="looked at",
            changes={"state": State.ACKNOWLEDGED},
        )


def tell(
    finding: Finding, *, version: int, by: User, now: datetime, whom: str, how: str, happened: datetime | None = None
) -> Finding:
    """Record who was told, how and when. It changes no state."""
    if not whom.strip():
        raise Refused("Say who was told.")
    with transaction.atomic(durable=True):
        return advance(
            finding,
            act="tell",
            version=version,
            by=by,
            now=now,
            kind="told",
            changes={},
            whom=whom,
            how=how,
            happened=happened or now,
        )


def raise_category(
    finding: Finding, *, version: int, by: User, now: datetime, to: int, why: str, uuid: UUID | None = None
) -> Finding:
    """Raise the category to `to` (0..3): an observation, never a lowering. Regrades the finding."""
    if not why.strip():
        raise Refused("Say why you raise it.")
    if finding.worst is not None and to < finding.worst:
        raise Refused(f"It is {CATEGORIES[finding.worst]} already; a category can be raised here, never lowered.")
    with transaction.atomic(durable=True):
        changed = advance(
            finding,
            act="raise",
            version=version,
            by=by,
            now=now,
            kind="raised",
            changes={},
            to=CATEGORIES[to],
            why=why,
        )
        Observation.objects.create(
            uuid=uuid or uuid4(),
            finding=changed,
            kind="raised",
            slot=changed.slot,
            symptom=changed.symptom,
            mode=changed.mode,
            raised_to=to,
            note=why,
            by=by,
            seen=now,
            received=now,
        )
        grading.regrade(changed, cause=Grade.Cause.OBSERVATION, now=now, actor=by.pk, always=True)
        return changed


def plan(
    finding: Finding,
    *,
    version: int,
    by: User,
    now: datetime,
    depot: Place,
    since: datetime,
    shift: str,
    road: str = "",
) -> Finding:
    """Plan a visit: an existing one of this unit at this depot and shift, or a new one. A road given is its road."""
    if depot.kind != Place.Kind.DEPOT:
        raise Refused(f"{depot} is no depot.")
    if finding.unit_id is None:
        raise Refused("The unit is not on the list yet: say which unit it is first.")
    with transaction.atomic(durable=True):
        visit, _ = Visit.objects.get_or_create(
            unit=finding.unit, depot=depot, since=since, shift=shift, defaults={"road": road}
        )
        if road and visit.road != road:
            visit.road = road
            visit.save(update_fields=["road"])
        return advance(
            finding,
            act="plan",
            version=version,
            by=by,
            now=now,
            kind="planned",
            changes={"state": State.PLANNED, "visit": visit},
            visit=visit.pk,
            depot=depot.code,
            since=since,
            shift=shift,
            road=visit.road,
        )


def take(finding: Finding, *, version: int, by: User, now: datetime) -> Finding:
    """A fitter takes the job: → in work."""
    with transaction.atomic(durable=True):
        return advance(
            finding,
            act="take",
            version=version,
            by=by,
            now=now,
            kind="taken",
            changes={"state": State.IN_WORK},
        )


def withdraw(finding: Finding, *, version: int, by: User, now: datetime, why: str) -> Finding:
    """A report made in error: it stays readable, and no longer counts."""
    if not why.strip():
        raise Refused("Say why it is withdrawn.")
    with transaction.atomic(durable=True):
        changed = advance(
            finding,
            act="withdraw",
            version=version,
            by=by,
            now=now,
            kind="withdrawn",
            changes={"state": State.WITHDRAWN, "closed": now},
            why=why,
        )
        mates.withdraw(changed, now)
        grading.regrade_siblings(changed, now=now, actor=by.pk)
        return changed


def decide_occurrence(
    finding: Finding, *, version: int, by: User, now: datetime, reportable: bool, reference: str, why: str
) -> Finding:
    """Record whether this is reportable as an occurrence, and under which reference. Nothing is sent."""
    if reportable and not reference.strip():
        raise Refused("Give the reference under which it was reported, or say where it will be.")
    if not reportable and not why.strip():
        raise Refused("Say why it is not reportable.")
    with transaction.atomic(durable=True):
        return advance(
            finding,
            act="decide occurrence",
            version=version,
            by=by,
            now=now,
            kind="occurrence decided",
            changes={},
            reportable=reportable,
            reference=reference.strip(),
            why=why.strip(),
        )
