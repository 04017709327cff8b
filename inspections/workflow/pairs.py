"""Two findings that belong together: one fault reported twice, a fault that came back."""

from __future__ import annotations

from datetime import datetime

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import F

from inspections import grading, log, mates
from inspections.models import Deferral, Finding, Grade
from inspections.permissions import Refused
from inspections.workflow.steps import State, advance


def merge(finding: Finding, *, into: Finding, version: int, by: User, now: datetime, why: str = "") -> Finding:
    """Two reports of one fault become one, graded from the observations of both; both references work."""
    with transaction.atomic(durable=True):
        log.hold()
        target = Finding.objects.select_related("end__pattern", "unit").get(pk=into.pk)
        refuse_merge(finding, target)
        changed = advance(
            finding,
            act="merge",
            version=version,
            by=by,
            now=now,
            kind="merged",
            changes={"state": State.MERGED, "closed": now, "merged_into": target, "visit": None},
            into=target.ref,
            why=why,
        )
        # What was merged into this one before leads on to the same finding: never a chain of references.
        Finding.objects.filter(merged_into=changed).update(merged_into=target)
        # Left is left, whichever report was first: what has run out must go on limiting.
        Deferral.objects.filter(finding=changed).update(finding=target)
        Finding.objects.filter(pk=target.pk).update(version=F("version") + 1)
        target.refresh_from_db()
        log.write(
            subject=f"finding:{target.ref}",
            kind="took in",
            actor=by.pk,
            happened=now,
            written=now,
            version=target.version,
            state=target.state,
            taken=changed.ref,
        )
        grading.regrade(target, cause=Grade.Cause.OBSERVATION, now=now, actor=by.pk, always=True)
        mates.withdraw(changed, now)
        mates.ask(target, now)
        grading.regrade_siblings(target, now=now, actor=by.pk)
        return changed


def refuse_merge(finding: Finding, into: Finding) -> None:
    """Raise Refused unless these two may be one fault."""
    if finding.pk == into.pk:
        raise Refused("That is the same report. Choose the other one.")
    if not into.is_open:
        raise Refused(f"{into.spoken_ref} is {into.state}. A fault that came back is a report of its own, a repeat.")
    if finding.unit_id != into.unit_id:
        raise Refused("The two are on different units. Name the right unit first.")
    if finding.end_id and into.end_id and finding.end_id != into.end_id:
        raise Refused("The two are at different ends. Move one to the right end first.")
    if finding.component != into.component:
        raise Refused("The two are about different parts. Move one to the right part first.")


def name_repeat(finding: Finding, *, of: Finding | None, version: int, by: User, now: datetime, why: str) -> Finding:
    """Say that this is a closed fault come back, or (with None) that it is not."""
    if not why.strip():
        raise Refused("Say why.")
    if of and (of.pk == finding.pk or of.state != State.CLOSED or of.closed > finding.first_seen):
        raise Refused("Only a fault that was closed before this one was seen can have come back.")
    if of and not may_repeat(finding, of):
        raise Refused("That was another part, or another end and another coupler. It is no repeat of this one.")
    with transaction.atomic(durable=True):
        changed = advance(
            finding,
            act="name repeat",
            version=version,
            by=by,
            now=now,
            kind="repeat named",
            changes={"repeat_of": of},
            of=of.ref if of else "",
            why=why,
        )
        grading.regrade(changed, cause=Grade.Cause.OBSERVATION, now=now, actor=by.pk)
        return changed


def may_repeat(finding: Finding, of: Finding) -> bool:
    """True for the same component of the same end, or of the same coupler (`design.md`, definition 10)."""
    same_end = finding.end_id is not None and finding.end_id == of.end_id
    same_coupler = finding.coupler_id is not None and finding.coupler_id == of.coupler_id
    return finding.component == of.component and (same_end or same_coupler)
