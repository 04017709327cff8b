"""What a report becomes: unsaved rows, and what the log says of them. Reads nothing, writes nothing.

Intake makes one report's rows with these and saves them; whoever writes reports by the thousand does the same.
"""

from __future__ import annotations

from datetime import datetime

from django.contrib.auth.models import User
from django.utils import timezone

from fleet.models import Coupler, CouplerEnd, Place, Unit
from inspections import bodies, references
from inspections.models import Finding, InspectedEnd, Inspection, Observation, Submission


def submission_row(uuid, raw, digest, body, author, submitted_by, channel, received, why="") -> Submission:
    """The unsaved row of one body: stored where it could be read as a report, quarantined where not."""
    return Submission(
        uuid=uuid,
        sha256=digest,
        body=raw,
        author=author,
        submitted_by=submitted_by,
        channel=channel,
        device_sent=body.sent if body else None,
        received=received,
        status=Submission.Status.STORED if body else Submission.Status.QUARANTINED,
        why=why,
    )


def report_entry(submission: Submission, body: bodies.Body | None) -> dict[str, object]:
    """What the log says of a report, as the arguments of `log.write`."""
    return {
        "subject": f"report:{submission.uuid}",
        "kind": f"report {submission.status}",
        "actor": submission.submitted_by_id,
        "happened": (body.seen if body else None) or submission.received,
        "written": submission.received,
        "sha256": submission.sha256,
        "channel": submission.channel,
        "author": submission.author_id,
        "why": submission.why,
    }


def inspection_row(submission, body: bodies.Body, author: User, unit: Unit | None, place: Place | None) -> Inspection:
    """The unsaved row of one look; unit and place are kept as given beside what they were found to be."""
    return Inspection(
        submission=submission,
        person=author,
        occasion=body.occasion,
        unit=unit,
        unit_given=body.unit,
        seen=body.seen or submission.received,
        seen_offset_min=body.seen_offset_min,
        doubtful=bodies.why_doubtful(body, submission.received),
        place=place,
        place_given=body.place,
        weather=body.weather,
        note=body.note,
    )


def inspected(
    inspection: Inspection, end: bodies.End, ends: dict[str, CouplerEnd], mate: CouplerEnd | None
) -> InspectedEnd:
    """The unsaved row of one end that was looked at; its mate is kept as given when it is not on the list."""
    return InspectedEnd(
        inspection=inspection,
        end=ends.get(end.end),
        end_given=end.end,
        situation=end.situation,
        extent="coupling" if end.coupled else "looked",
        clean=end.clean and not end.coupled,
        mate=mate,
        mate_given=end.mate,
        stage=end.stage,
    )


def beside(inspection: Inspection, finding: Finding) -> dict[str, str]:
    """What the logbook itself knows that the rules ask: how often the fault came back, a curve at the place."""
    told = {}
    if finding.repeat_of_id:
        told["repeats"] = "2" if finding.repeat_of.repeat_of_id else "1"
    if inspection.place_id and inspection.place.curve_radius_m:
        told["curve"] = "yes"
    return told


def observation_row(
    inspection: Inspection, fault: bodies.Fault, finding: Finding, first: bool, received: datetime
) -> Observation:
    """The unsaved row of what was seen of one fault."""
    return Observation(
        uuid=fault.id,
        finding=finding,
        inspection=inspection,
        kind="first report" if first else fault.kind if fault.kind != "first report" else "still there",
        slot=fault.part,
        symptom=fault.symptom,
        facts={**beside(inspection, finding), **fault.facts},
        note=fault.note,
        photos=[str(photo) for photo in fault.photos],
        by=inspection.person,
        seen=inspection.seen,
        seen_offset_min=inspection.seen_offset_min,
        received=received,
    )


def observed_entry(observation: Observation, inspection: Inspection, fault: bodies.Fault) -> dict[str, object]:
    """What the log says of an observation from a report, as the arguments of `log.write`."""
    return {
        "subject": f"finding:{observation.finding.ref}",
        "kind": "opened" if observation.kind == "first report" else "observed",
        "actor": observation.by_id,
        "happened": observation.seen,
        "written": observation.received,
        "report": inspection.submission.uuid,
        "observation": observation.uuid,
        "what": fault.kind,
        "version": observation.finding.version,
    }


def finding_row(
    inspection: Inspection,
    fault: bodies.Fault,
    end: CouplerEnd | None,
    *,
    number: int,
    coupler: Coupler | None,
    component: str,
    before: Finding | None,
    repeat: Finding | None,
) -> Finding:
    """The unsaved row of a new finding. `before`: the last on this end and component; `repeat`: what it repeats."""
    return Finding(
        ref=references.make(number),
        unit=inspection.unit,
        unit_given=inspection.unit_given,
        end=end,
        end_given=fault.end,
        coupler=coupler,
        component=component,
        slot=fault.part,
        symptom=fault.symptom,
        first_seen=inspection.seen,
        month=month_number(inspection.seen),
        gap_days=(inspection.seen - before.first_seen).days if before else None,
        repeat_of=repeat,
    )


def component_of(fault: bodies.Fault, rules) -> str:
    """The component the part belongs to under these rules; "other" where they do not know the part."""
    part = rules.parts.get(fault.part)
    return part.component if part else "other"


def month_number(when: datetime) -> int:
    """Local year × 12 + month − 1: what counts by month are grouped by."""
    local = timezone.localtime(when)
    return local.year * 12 + local.month - 1
