"""Reports that control types in for a caller, and bodies in quarantine that control works off.

Both come in by `intake`, as every report; the log also says who told it how, and what became of what was kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from uuid import UUID, uuid5

from django.contrib.auth.models import User
from django.db import transaction

from inspections import bodies, intake, log, permissions
from inspections.models import LogEntry, Submission
from inspections.models.reports import KEPT, WORKED_OFF
from inspections.permissions import Refused

TYPED = "typed in"
NAMESPACE = UUID("6f0c3d52-7d7e-4b0b-9a55-0d8a5f6f2f10")


def receive(*, raw: bytes, call: Mapping[str, object], by: User, now: datetime) -> intake.Receipt:
    """Take in a report that was typed for somebody; `call` is what the log says of how it was told, without names.

    The same again is answered the same and logged once.
    """
    receipt = intake.receive(raw=raw, submitted_by=by, channel=Submission.Channel.TYPED, received=now)
    if receipt.state == Submission.Status.STORED:
        subject = f"report:{receipt.id}"
        with transaction.atomic():
            log.hold()
            if not LogEntry.objects.filter(subject=subject, kind=TYPED).exists():
                log.write(subject=subject, kind=TYPED, actor=by.pk, happened=now, written=now, **call)
    return receipt


def call_of(submission: Submission) -> dict[str, object]:
    """How a typed-in report was told, the name as given among it; empty for any other report. Reads the body."""
    if submission.channel != Submission.Channel.TYPED:
        return {}
    told = bodies.read_json(bytes(submission.body)).get("call")
    return told | {"at": bodies.instant(told.get("called"))[0]} if isinstance(told, dict) else {}


# ---- quarantine


def subject_of(row: Submission) -> str:
    """The log's subject for one body in quarantine."""
    return f"{KEPT}{row.pk}"


def filed_id(row: Submission) -> UUID:
    """The id under which what a body tells is filed: of two who file it at once, one does."""
    return uuid5(NAMESPACE, f"{row.uuid} {row.sha256}")


def worked_off(row: Submission) -> LogEntry | None:
    """What became of a body in quarantine; None while it waits."""
    entries = LogEntry.objects.filter(subject=subject_of(row), kind=WORKED_OFF)
    return entries.select_related("actor").first()


def work_off(row: Submission, *, by: User, now: datetime, why: str = "", filed: UUID | None = None) -> LogEntry:
    """Take a body off control's list: filed under another id, or dealt with otherwise and why. The body stays.

    Refused where somebody did so already; the same person's same act again is no second entry.
    """
    if not permissions.may(by, "load"):
        raise Refused("Your role may not work off what was kept.")
    if row.status != Submission.Status.QUARANTINED:
        raise Refused("This report is filed: there is nothing to work off.")
    why, filed = why.strip(), str(filed or "")
    if not (why or filed):
        raise Refused("Say how it was dealt with.")
    with transaction.atomic():
        log.hold()
        known = worked_off(row)
        if known and known.actor_id == by.pk and (known.data["why"], known.data["filed"]) == (why, filed):
            return known
        if known:
            raise Refused("Somebody has worked this off already. See below what became of it.")
        told = {"report": row.uuid, "sha256": row.sha256, "why": why, "filed": filed}
        return log.write(subject=subject_of(row), kind=WORKED_OFF, actor=by.pk, happened=now, written=now, **told)
