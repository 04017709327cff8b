"""Wrong unit, wrong end or wrong part: one act puts a finding where it belongs and says who must be told.

Limits, what control restricted because of it, asked looks at mates and figures go along; both ends are stated anew.
A correction by control only adds to what the fault may be; a fitter's correction is better evidence.
"""

from __future__ import annotations

from datetime import datetime
from uuid import UUID, uuid4

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Q

from fleet.models import Coupler, CouplerEnd, Unit
from inspections import grading, intake, log, mates, moved, workflow
from inspections.models import Finding, Grade, Label, Observation, Restriction
from inspections.models.dials import Dials
from inspections.permissions import FITTER, Refused, groups_of


def move(
    finding: Finding,
    *,
    unit: Unit | None,
    end: CouplerEnd | None,
    part: str,
    symptom: str = "",
    version: int,
    by: User,
    now: datetime,
    why: str,
    uuid: UUID | None = None,
) -> moved.Moved:
    """Put a finding at this unit, end and part. `symptom` is needed where the part is another one."""
    rules = grading.ruleset(now)
    before = Finding.objects.select_related("end__pattern", "unit").get(pk=finding.pk)
    if before.version != version:
        raise workflow.Stale(before, workflow.since_version(before, version))
    refuse_move(before, unit, end, part, symptom, why, rules)
    with transaction.atomic(durable=True):
        changed = workflow.advance(
            before,
            act="move",
            version=version,
            by=by,
            now=now,
            kind="moved",
            changes=changes(before, unit, end, part, symptom, rules),
            why=why.strip(),
            before={
                "unit": number(before.unit),
                "end": letter(before.end),
                "part": before.slot,
                "visit": before.visit_id,
            },
            after={"unit": number(unit), "end": letter(end), "part": part},
        )
        correct(changed, part, by, now, why, uuid, examined=part != before.slot and FITTER in groups_of(by))
        grading.regrade(changed, cause=Grade.Cause.OBSERVATION, now=now, actor=by.pk, always=True)
        for place in (before, changed):
            for other in beside(place, changed):
                grading.regrade(other, cause=Grade.Cause.SIBLING, now=now, actor=by.pk)
        take_along(before, changed, by, now)
        mates.withdraw(changed, now)
        mates.ask(changed, now)
    return moved.last_move(changed, now)


def number(unit: Unit | None) -> str:
    return unit.number if unit else ""


def letter(end: CouplerEnd | None) -> str:
    return end.letter if end else "?"


def refuse_move(before, unit, end, part, symptom, why, rules) -> None:
    """Raise Refused unless this is a place it can be moved to, and another one."""
    if not why.strip():
        raise Refused("Say why it is moved.")
    if end and (unit is None or end.unit_id != unit.pk):
        raise Refused("That end is not on that unit.")
    if part not in rules.parts:
        raise Refused("Choose the part.")
    if (unit and unit.pk, end and end.pk, part) == (before.unit_id, before.end_id, before.slot):
        raise Refused("It is there already. Change the unit, the end or the part.")
    said = symptom in rules.symptoms and part in rules.symptoms[symptom].parts
    if (symptom or part != before.slot) and not said:
        raise Refused("Choose what is wrong with that part.")


def changes(before: Finding, unit, end, part, symptom, rules) -> dict[str, object]:
    """The columns of the finding in its new place: history and figures belong to the place."""
    component = rules.parts[part].component
    last = intake.previous(end, component, before.first_seen)
    here = Coupler.objects.filter(fitments__in=end.fitments.at(before.first_seen)).first() if end else None
    told = {
        "unit": unit,
        "end": end,
        "end_given": letter(end) if end else before.end_given,
        "coupler": here,
        "component": component,
        "slot": part,
        "symptom": symptom or before.symptom,
        # What a fitter confirmed was a fault of the part it was.
        "mode": before.mode if part == before.slot else "",
        "repeat_of": intake.repeat_of(end, component, before.first_seen),
        "gap_days": (before.first_seen - last.first_seen).days if last else None,
    }
    if unit and unit.pk == before.unit_id:
        return told
    # A visit is the unit's: on another unit it has to be planned again.
    back = {"state": Finding.State.ACKNOWLEDGED} if before.state == Finding.State.PLANNED else {}
    return told | {"visit": None} | back


def correct(
    changed: Finding, part: str, by: User, now: datetime, why: str, uuid: UUID | None, *, examined: bool
) -> None:
    """The correction is an observation: a fitter who names another part examined it; any other only adds."""
    Observation.objects.create(
        uuid=uuid or uuid4(),
        finding=changed,
        kind="corrected",
        slot=part,
        symptom=changed.symptom,
        quality="examined" if examined else "seen",
        note=why.strip(),
        by=by,
        seen=now,
        received=now,
    )


def beside(place: Finding, moved: Finding) -> list[Finding]:
    """The other open findings where `place` is (or was)."""
    return [other for other in grading.siblings(place) if other.pk != moved.pk]


def take_along(before: Finding, changed: Finding, by: User, now: datetime) -> None:
    """Restrictions set because of this finding stand at the new place from now on; the old ones are lifted."""
    if changed.unit is None:
        return
    because = Q(finding=before) | Q(finding__merged_into=before)
    for row in Restriction.objects.in_force(now).filter(because).select_related("end__unit", "unit"):
        # One on the whole unit stays one on the whole unit.
        on_unit = row.unit_id or not changed.end_id
        target = {"end": None, "unit": changed.unit} if on_unit else {"end": changed.end, "unit": None}
        if (row.end, row.unit) == (target["end"], target["unit"]):
            continue
        if workflow.lift_row(row, by=by, now=now, why=f"Moved with {changed.spoken_ref}"):
            put_on(row, target, changed, by, now)


def put_on(row: Restriction, target: dict, changed: Finding, by: User, now: datetime) -> None:
    """The restriction at its new place. Its labels show the new one, though they still hang at the old place."""
    new = Restriction.objects.create(
        **target, finding=changed, why=row.why, by=by, since=now, **Dials.columns(row.limits)
    )
    Label.objects.filter(restriction=row, off__isnull=True).update(restriction=new)
    log.write(
        subject=workflow.subject_of(new),
        kind="restricted",
        actor=by.pk,
        happened=now,
        written=now,
        restriction=new.pk,
        finding=changed.ref,
        end=letter(new.end) if new.end_id else "",
        why=row.why,
        limits=Dials.columns(row.limits),
    )
