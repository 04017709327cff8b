"""Found and repaired in one visit: report, examination and close-out in one transaction, or nothing of it.

It is the same report by the same door, the same observation and the same signature as three acts would leave.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID, uuid5

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from fleet.models import CouplerEnd, Unit
from inspections import bodies, closing, intake, log, permissions, working
from inspections.models import CloseOut, Finding, Inspection, Submission
from inspections.permissions import Refused
from inspections.workflow.signing import refuse_password, signed_off
from inspections.workflow.steps import State, advance

ACT = "repair at once"


@dataclass(frozen=True, slots=True)
class Fault:
    """What was found: at which end of a unit and how that was (U, C, R), which part, what was seen.

    `uuid` is that of its report.
    """

    uuid: UUID
    unit: Unit
    end: CouplerEnd
    situation: str
    part: str
    symptom: str


def found_and_repaired(fault: Fault, *, by: User, now: datetime, password: str, work: closing.Work) -> CloseOut:
    """Take the report in, record what was found, sign the work. The same uuid again gives the same close-out.

    Raises Refused with nothing changed: not a fitter, a wrong password, unsound work, a fault not confirmed.
    """
    if not permissions.may(by, ACT):
        raise Refused("Your role may not sign a repair.")
    refuse_password(by, password)
    if not (work.confirmed and work.mode):
        raise Refused("Choose which fault it was: without one there is nothing to sign.")
    with transaction.atomic(durable=True):
        log.hold()
        known = Submission.objects.filter(uuid=fault.uuid).first()
        if known:
            return signed_before(known, by)
        finding = begin(reported(fault, work, by, now), by=by, now=now)
        found = working.Examination(mode=work.mode, note=work.found)
        finding = working.examined(finding, version=finding.version, by=by, now=now, work=found)
        return signed_off(finding, version=finding.version, by=by, now=now, work=work)


def reported(fault: Fault, work: closing.Work, by: User, now: datetime) -> Finding:
    """The finding that the report opens, by the one way a report enters."""
    page = Submission.Channel.PAGE
    submission = intake.enter(raw=body_of(fault, work, by, now), submitted_by=by, channel=page, received=now)
    if submission.status != Submission.Status.STORED:
        raise Refused(f"This could not be filed as a report: {submission.why}.")
    return submission.inspection.observations.select_related("finding").get().finding


def body_of(fault: Fault, work: closing.Work, by: User, now: datetime) -> bytes:
    """The report as the report page would send it."""
    seen = timezone.localtime(now).isoformat()
    row = {"id": str(uuid5(fault.uuid, "fault")), "end": fault.end.letter, "part": fault.part}
    body = {
        "v": 1,
        "id": str(fault.uuid),
        "author": by.pk,
        "unit": fault.unit.number,
        "sent": seen,
        "seen": seen,
        "occasion": Inspection.Occasion.DEPOT,
        "ends": [{"end": fault.end.letter, "situation": fault.situation}],
        "faults": [{**row, "symptom": fault.symptom, "note": bodies.clean_text(work.found)}],
    }
    return json.dumps(body).encode()


def begin(finding: Finding, *, by: User, now: datetime) -> Finding:
    """Whoever found it works on it at once: reported → in work. Inside the caller's transaction."""
    return advance(
        finding,
        act=ACT,
        version=finding.version,
        by=by,
        now=now,
        kind="taken",
        changes={"state": State.IN_WORK},
        at_once=True,
    )


def signed_before(submission: Submission, by: User) -> CloseOut:
    """What the same form signed when it was sent before."""
    rows = CloseOut.objects.filter(finding__observations__inspection__submission=submission, by=by)
    close = rows.order_by("pk").first()
    if close is None:
        raise Refused("This page was used before for another report. Open it again.")
    return close
