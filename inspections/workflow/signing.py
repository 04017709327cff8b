"""Work signed by who did it, and by a second person where it matters."""

from __future__ import annotations

from datetime import datetime
from hashlib import sha256
from uuid import NAMESPACE_OID, uuid5

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from inspections import closing, grading, log, lowering, parts
from inspections.models import CloseOut, Finding, Restriction, TestResult
from inspections.models.dials import Dials
from inspections.permissions import Refused
from inspections.workflow.steps import State, advance

OWN_EXAMINATION = "Your examination lowered the grade of this fault: the check must be somebody else’s."


def close_out(
    finding: Finding, *, version: int, by: User, now: datetime, password: str, work: closing.Work
) -> CloseOut:
    """Sign the work: → closed, or awaiting check where a second person must look. Password asked again."""
    refuse_password(by, password)
    with transaction.atomic(durable=True):
        return signed_off(finding, version=version, by=by, now=now, work=work)


def refuse_password(by: User, password: str) -> None:
    """Raise Refused for a password that is not the signer's own."""
    if not by.check_password(password):
        raise Refused("That is not your password. Nothing was signed.")


def signed_off(finding: Finding, *, version: int, by: User, now: datetime, work: closing.Work) -> CloseOut:
    """The same inside the caller's transaction, for whoever asked for the password already."""
    log.hold()
    rows = closing.test_rows(finding, work, tried=closing.attempts(finding), on=timezone.localdate(now))
    closing.refuse_unless_sound(finding, work, rows)
    parts.refuse_unless_sound(finding, work.parts, work.swap, grading.ruleset(now), now)
    second = closing.second_person(finding, work, by, lowering.last_by(finding))
    text = closing.signed_text(finding, work, rows, by, now)
    changed_parts = parts.as_signed(finding, work.parts, work.swap)
    state = {"state": State.AWAITING_CHECK} if second else {"state": State.CLOSED, "closed": now}
    changed = advance(
        finding,
        act="close",
        version=version,
        by=by,
        now=now,
        kind="signed",
        changes={**state, **({"mode": work.mode} if work.mode else {})},
        outcome=work.outcome,
        signed=sha256(text.encode()).hexdigest(),
    )
    close = CloseOut.objects.create(
        finding=changed,
        seen_version=version,
        confirmed=work.confirmed,
        cause=work.cause,
        action=work.action,
        found=work.found,
        outcome=work.outcome,
        by=by,
        parts=changed_parts,
        signed=now,
        signed_text=text,
        signed_sha256=sha256(text.encode()).hexdigest(),
        check_needed=second,
    )
    for row in rows:
        row.close_out = close
    TestResult.objects.bulk_create(rows)
    parts.fit(changed, work.parts, work.swap, by=by, now=now)
    if work.outcome == CloseOut.Outcome.RELEASED:
        leave_limits(changed, close, work, by, now)
    if not second:
        grading.regrade_siblings(changed, now=now, actor=by.pk)
    return close


def leave_limits(finding: Finding, close: CloseOut, work: closing.Work, by: User, now: datetime) -> Restriction:
    """ "Released with limits" writes a restriction."""
    target = {"end": finding.end} if finding.end_id else {"unit": finding.unit}
    restriction = Restriction.objects.create(
        uuid=uuid5(NAMESPACE_OID, close.signed_sha256),
        **target,
        why=work.limits_why,
        by=by,
        since=now,
        close_out=close,
        finding=finding,
        **Dials.columns(work.limits),
    )
    log.write(
        subject=f"unit:{finding.unit.number}",
        kind="restricted",
        actor=by.pk,
        happened=now,
        written=now,
        restriction=restriction.pk,
        finding=finding.ref,
        why=work.limits_why,
        limits=Dials.columns(work.limits),
    )
    return restriction


def check(finding: Finding, *, version: int, by: User, now: datetime, password: str) -> CloseOut:
    """The second person signs: awaiting check → closed. Never the one who did the work."""
    refuse_password(by, password)
    close = finding.close_outs.filter(voided__isnull=True).select_related("by").first()
    if close is None:
        raise Refused("There is no signed work to check.")
    if close.by_id == by.pk:
        raise Refused("You did this work: the check must be somebody else's.")
    if lowering.last_by(finding) == by.pk:
        raise Refused(OWN_EXAMINATION)
    with transaction.atomic(durable=True):
        changed = advance(
            finding,
            act="check",
            version=version,
            by=by,
            now=now,
            kind="checked",
            changes={"state": State.CLOSED, "closed": now},
            signed=close.signed_sha256,
        )
        CloseOut.objects.filter(pk=close.pk).update(checker=by, checked=now)
        grading.regrade_siblings(changed, now=now, actor=by.pk)
        return CloseOut.objects.get(pk=close.pk)
