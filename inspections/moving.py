"""Wrong unit, wrong end or wrong part: one act puts a finding where it belongs and says who must be told.

Limits, what control restricted because of it, asked looks at mates and figures go along; both ends are stated anew.
A correction by control only adds to what the fault may be; a fitter's correction is better evidence.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID, uuid4

from django.contrib.auth.models import User
from django.db import transaction

from fleet.models import Coupler, CouplerEnd, Unit
from inspections import grading, intake, log, mates, standing, workflow
from inspections.models import Finding, Grade, Inspection, Label, LogEntry, Observation, Restriction
from inspections.models.dials import Dials
from inspections.permissions import FITTER, Refused, groups_of


@dataclass(frozen=True, slots=True)
class Moved:
    """A finding in its right place; the ends it left and came to, stated anew; who must be told, in sentences."""

    finding: Finding
    standings: tuple[standing.EndStanding, ...]
    tell: tuple[str, ...]


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
) -> Moved:
    """Put a finding at this unit, end and part. `symptom` is needed where the part is another one."""
    rules = grading.ruleset(now)
    before = Finding.objects.select_related("end__pattern", "unit").get(pk=finding.pk)
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
            before={"unit": number(before.unit), "end": letter(before.end), "part": before.slot},
            after={"unit": number(unit), "end": letter(end), "part": part},
        )
        correct(changed, part, symptom, by, now, why, uuid)
        grading.regrade(changed, cause=Grade.Cause.OBSERVATION, now=now, actor=by.pk, always=True)
        for place in (before, changed):
            for other in beside(place, changed):
                grading.regrade(other, cause=Grade.Cause.SIBLING, now=now, actor=by.pk)
        take_along(before, changed, by, now)
        mates.withdraw(changed, now)
        mates.ask(changed, now)
    ends = [one for one in (before.end, changed.end) if one]
    ends = list(CouplerEnd.objects.filter(pk__in=[one.pk for one in ends]).select_related("unit", "pattern"))
    stated = standing.of_ends(ends, now)
    return Moved(changed, tuple(stated[one.pk] for one in ends), tuple(who_to_tell(before, changed, now)))


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
    if part != before.slot and (symptom not in rules.symptoms or part not in rules.symptoms[symptom].parts):
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
        "repeat_of": intake.repeat_of(end, component, before.first_seen),
        "gap_days": (before.first_seen - last.first_seen).days if last else None,
    }
    if unit and unit.pk == before.unit_id:
        return told
    # A visit is the unit's: on another unit it has to be planned again.
    back = {"state": Finding.State.ACKNOWLEDGED} if before.state == Finding.State.PLANNED else {}
    return told | {"visit": None} | back


def correct(changed: Finding, part: str, symptom: str, by: User, now: datetime, why: str, uuid: UUID | None) -> None:
    """The correction is an observation: a fitter's is an examination, control's only adds."""
    examined = FITTER in groups_of(by)
    Observation.objects.create(
        uuid=uuid or uuid4(),
        finding=changed,
        kind="corrected",
        slot=part,
        symptom=symptom or changed.symptom,
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
    if (before.end_id, before.unit_id) == (changed.end_id, changed.unit_id):
        return
    target = {"end": changed.end} if changed.end_id else {"unit": changed.unit}
    if target == {"unit": None}:
        return
    for row in Restriction.objects.in_force(now).filter(finding=before):
        if not workflow.lift_row(row, by=by, now=now, why=f"Moved with {changed.spoken_ref}"):
            continue
        new = Restriction.objects.create(
            **target, finding=changed, why=row.why, by=by, since=now, **Dials.columns(row.limits)
        )
        Label.objects.filter(restriction=row, off__isnull=True).update(restriction=new)
        log.write(
            subject=f"unit:{changed.unit.number}",
            kind="restricted",
            actor=by.pk,
            happened=now,
            written=now,
            restriction=new.pk,
            finding=changed.ref,
            end=letter(changed.end) if changed.end_id else "",
            why=row.why,
            limits=Dials.columns(row.limits),
        )


def who_to_tell(before: Finding, changed: Finding, now: datetime) -> list[str]:
    """Who relies on what was said before: the reporters, those told, the depot, whoever has a label to move."""
    told = []
    people = {row.by for row in changed.observations.exclude(kind="corrected").select_related("by")}
    told += [
        f"{person.get_full_name() or person.get_username()}, who reported it" for person in sorted(people, key=str)
    ]
    entries = LogEntry.objects.filter(subject=f"finding:{before.ref}", kind="told").order_by("seq")
    told += [f"{entry.data['whom']}, told before" for entry in entries]
    if before.visit_id:
        told.append(f"{before.visit.depot}, where work is planned")
    for label in Label.objects.in_force(now).filter(restriction__finding=changed).select_related("end__unit"):
        if label.end_id != changed.end_id:
            told.append(f"Whoever can move label {label.number}: it still hangs at {label.end or label.unit}")
    if before.end_id:
        looks = Inspection.objects.filter(unit=before.unit_id, seen__gte=before.first_seen).select_related("person")
        since = {look.person for look in looks} - people
        told += [
            f"{person.get_full_name() or person.get_username()}, who has looked at {before.unit.number} since"
            for person in sorted(since, key=str)
        ]
    return list(dict.fromkeys(told))
