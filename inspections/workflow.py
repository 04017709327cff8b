"""The one way a finding changes state: authority, version check, log entry, one transaction.

Every act takes the finding, the version its author saw, who acts and when. It either does the whole act and logs it,
or raises `Refused` (not allowed, in words) or `Stale` (somebody else was first) and changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from hashlib import sha256
from uuid import NAMESPACE_OID, UUID, uuid4, uuid5

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import F

from fleet.models import CouplerEnd, Place, Unit
from inspections import closing, grading, log, mates, permissions
from inspections.models import (
    CloseOut,
    Deferral,
    Finding,
    Grade,
    LogEntry,
    Observation,
    Restriction,
    TestResult,
    Visit,
)
from inspections.models.dials import Dials
from inspections.permissions import Refused
from inspections.rules.facts import CATEGORIES
from inspections.rules.limits import NO_LIMITS, Limits

State = Finding.State

# Act → the states it may start from.
FROM = {
    "look": (State.REPORTED,),
    "raise": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED, State.IN_WORK),
    "tell": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED, State.IN_WORK, State.AWAITING_CHECK),
    "plan": (State.ACKNOWLEDGED, State.PLANNED),
    "take": (State.ACKNOWLEDGED, State.PLANNED),
    "close": (State.IN_WORK,),
    "check": (State.AWAITING_CHECK,),
    "withdraw": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED),
    "merge": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED),
    "move": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED, State.IN_WORK),
    "name repeat": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED, State.IN_WORK),
    "defer": (State.ACKNOWLEDGED, State.PLANNED),
    "agree": (State.ACKNOWLEDGED, State.PLANNED),
    "extend": (State.ACKNOWLEDGED, State.PLANNED),
    "recall": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED, State.IN_WORK, State.AWAITING_CHECK),
    "decide occurrence": tuple(State),
}


class Stale(Refused):
    """Somebody acted since the page was opened. `since` holds what was logged meanwhile."""

    def __init__(self, finding: Finding, since: Sequence[LogEntry]):
        super().__init__("Somebody else acted on this since you opened it. See what changed and decide again.")
        self.finding, self.since = finding, since


def may_from(finding: Finding, act: str) -> bool:
    """True when the finding's state allows the act."""
    return finding.state in FROM[act]


def acts_open_to(user: User, finding: Finding) -> set[str]:
    """The acts this person may do on this finding now: what a page offers. No plan before the unit is named."""
    possible = {act for act in FROM if may_from(finding, act) and permissions.may(user, act)}
    return possible if finding.unit_id else possible - {"plan"}


def allow(act: str, finding: Finding, by: User) -> None:
    """Raise Refused unless this person may do this act in this state."""
    if not permissions.may(by, act):
        raise Refused(f"Your role may not do this: {act}.")
    if not may_from(finding, act):
        raise Refused(f"This finding is {finding.state}; “{act}” is not possible now.")


def advance(
    finding: Finding, *, act: str, version: int, by: User, now: datetime, kind: str, changes: Mapping, **payload
) -> Finding:
    """Change the row if its version is still `version`, and log it. Inside the caller's transaction."""
    log.hold()
    current = Finding.objects.select_related("end__pattern", "unit").get(pk=finding.pk)
    if current.version != version:
        raise Stale(current, since_version(current, version))
    allow(act, current, by)
    changed = Finding.objects.filter(pk=finding.pk, version=version).update(version=F("version") + 1, **changes)
    if not changed:
        raise Stale(current, since_version(current, version))
    log.write(
        subject=f"finding:{current.ref}",
        kind=kind,
        actor=by.pk,
        happened=payload.pop("happened", now),
        written=now,
        version=version + 1,
        state=changes.get("state", current.state),
        **payload,
    )
    return Finding.objects.select_related("end__pattern", "unit").get(pk=finding.pk)


def since_version(finding: Finding, version: int) -> list[LogEntry]:
    """What was logged on a finding after it had `version`."""
    entries = LogEntry.objects.filter(subject=f"finding:{finding.ref}").select_related("actor")
    return [entry for entry in entries if entry.data.get("version", 0) > version]


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


def close_out(
    finding: Finding, *, version: int, by: User, now: datetime, password: str, work: closing.Work
) -> CloseOut:
    """Sign the work: → closed, or awaiting check where a second person must look. Password asked again."""
    if not by.check_password(password):
        raise Refused("That is not your password. Nothing was signed.")
    rows = closing.test_rows(finding, work)
    closing.refuse_unless_sound(finding, work, rows)
    second = work.outcome != CloseOut.Outcome.NOT_FOUND and closing.check_needed(finding, work.mode)
    text = closing.signed_text(finding, work, rows, by, now)
    state = {"state": State.AWAITING_CHECK} if second else {"state": State.CLOSED, "closed": now}
    with transaction.atomic(durable=True):
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
            signed=now,
            signed_text=text,
            signed_sha256=sha256(text.encode()).hexdigest(),
            check_needed=second,
        )
        for row in rows:
            row.close_out = close
        TestResult.objects.bulk_create(rows)
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
    if not by.check_password(password):
        raise Refused("That is not your password. Nothing was signed.")
    close = finding.close_outs.filter(voided__isnull=True).select_related("by").first()
    if close is None:
        raise Refused("There is no signed work to check.")
    if close.by_id == by.pk:
        raise Refused("You did this work: the check must be somebody else's.")
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
