"""What control and fitters did to findings in the past: the acts of `workflow`, as rows written in bulk.

The kinds and contents of the log entries are those of `workflow`; a test compares them with entries made there.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from hashlib import sha256
from uuid import NAMESPACE_OID, uuid5

from django.contrib.auth.models import User
from django.utils import timezone

from fleet.railway import DEPOTS, uuid_from
from inspections import closing
from inspections.demonstration.course import VISIT_LASTS
from inspections.demonstration.filing import Life
from inspections.demonstration.measuring import due_then, leaks, measured
from inspections.demonstration.results import work_on
from inspections.demonstration.truths import SEALS
from inspections.demonstration.world import World, grade, grade_siblings
from inspections.models import CloseOut, Finding, Observation, Restriction
from inspections.models.dials import Dials
from inspections.rules.facts import CATEGORIES

State = Finding.State
WHOM = ("Signaller", "Depot shift leader", "Driver of the unit", "Duty engineer")
ERRORS = (
    "Reported on the wrong unit; the driver has said so.",
    "Entered twice by the same person.",
    "A shadow in poor light: the driver looked again.",
)


def advance(world: World, life: Life, at: datetime, by: User, kind: str, changes: dict, **payload: object) -> None:
    """One version on, with what changes and its entry in the log."""
    life.become({**changes, "version": life.row.version + 1})
    world.ledger.write(
        subject=f"finding:{life.row.ref}",
        kind=kind,
        actor=by.pk,
        happened=payload.pop("happened", at),
        written=at,
        version=life.row.version,
        state=life.row.state,
        **payload,
    )


def end_life(world: World, at: datetime, life: Life, by: User) -> None:
    """It is closed, merged or withdrawn: the others at its end are graded without it."""
    world.known.open[life.row.end_id].remove(life)
    grade_siblings(world, life, at, by.pk)


def look(world: World, at: datetime, life: Life) -> None:
    """Control has looked, and sets the rest going."""
    by = world.random.choice(world.cast.controllers)
    advance(world, life, at, by, "looked at", {"state": State.ACKNOWLEDGED})
    course = life.course
    if life.error:
        world.at(course.told, withdraw, life, by)
        return
    if world.random.random() < world.rates.raised and life.row.worst < len(CATEGORIES) - 1:
        world.at(at + timedelta(minutes=1), raise_category, life, by)
    if life.row.worst >= 2 or world.random.random() < 0.3:
        world.at(course.told, tell, life, by)
    if course.visit:
        world.at(course.planned, plan, life, by)
    world.at(course.taken, take, life)


def tell(world: World, at: datetime, life: Life, by: User) -> None:
    """Who was told, and how."""
    whom, how = world.random.choice(WHOM), world.random.choice(("phone", "radio"))
    advance(world, life, at, by, "told", {}, whom=whom, how=how, happened=at)


def withdraw(world: World, at: datetime, life: Life, by: User) -> None:
    """A report made in error."""
    why = world.random.choice(ERRORS)
    advance(world, life, at, by, "withdrawn", {"state": State.WITHDRAWN, "closed": at}, why=why)
    end_life(world, at, life, by)


def raise_category(world: World, at: datetime, life: Life, by: User) -> None:
    """One category up: an observation."""
    row, to, why = life.row, life.row.worst + 1, "The driver describes it as worse than the answers say."
    advance(world, life, at, by, "raised", {}, to=CATEGORIES[to], why=why)
    observation = Observation(
        uuid=uuid_from(world.random),
        finding=row,
        kind="raised",
        slot=row.slot,
        symptom=row.symptom,
        mode=row.mode,
        raised_to=to,
        note=why,
        by=by,
        seen=at,
        received=at,
    )
    life.observations.append(world.ledger.add(observation))
    grade(world, life, "observation", at, by.pk, always=True)


def merge(world: World, at: datetime, life: Life, into: Life) -> None:
    """Two drivers, one fault: the second finding goes into the first, which is graded on what both saw."""
    by = world.random.choice(world.cast.controllers)
    changes = {"state": State.MERGED, "closed": at, "merged_into": into.row}
    advance(world, life, at, by, "merged", changes, into=into.row.ref)
    into.observations.extend(life.observations)
    end_life(world, at, life, by)
    grade(world, into, "observation", at, by.pk)


def plan(world: World, at: datetime, life: Life, by: User) -> None:
    """A visit that night, mostly at home."""
    unit, since = life.row.unit, life.course.visit
    away = world.random.random() < world.rates.away
    code = next(code for code in DEPOTS if (code == unit.home.code) != away)
    visit = world.visit(unit, world.railway.places[code], since, since + VISIT_LASTS)
    changes = {"state": State.PLANNED, "visit": visit}
    where = {"depot": code, "since": since, "shift": visit.shift, "road": visit.road}
    advance(world, life, at, by, "planned", changes, visit=visit.pk, **where)


def take(world: World, at: datetime, life: Life) -> None:
    """A fitter takes it; who found it takes it himself."""
    first = life.observations[0].by
    by = first if life.course.visit is None else world.random.choice(world.cast.fitters)
    advance(world, life, at, by, "taken", {"state": State.IN_WORK})
    world.at(life.course.signed, sign, life, by)


def sign(world: World, at: datetime, life: Life, by: User) -> None:
    """The work is signed: closed, or waiting for its check."""
    renew = True if life.worn else False if life.row.slot in SEALS or life.row.repeat_of_id else None
    work = work_on(life.row, world.rules, world.rates, world.random, renew=renew, planted=life.planted)
    on = timezone.localdate(at)
    work = replace(work, results=measured(world, life, work, on))
    tried = leaks(world, at, life, work, by)
    rows = closing.test_rows(life.row, work, world.rules, tried, on)
    for row in rows:
        row.gauge_due = due_then(row.gauge, on) if row.gauge else None
    closing.refuse_unless_sound(life.row, work, rows)
    parts = world.wear.renewed(life, work, at)
    text = closing.signed_text(life.row, work, rows, by, at, parts)
    digest = sha256(text.encode()).hexdigest()
    second = work.outcome != CloseOut.Outcome.NOT_FOUND and closing.check_needed(life.row, work.mode, world.rules)
    changes = {"state": State.AWAITING_CHECK} if second else {"state": State.CLOSED, "closed": at}
    changes |= {"mode": work.mode} if work.mode else {}
    version = life.row.version
    advance(world, life, at, by, "signed", changes, outcome=work.outcome, signed=digest)
    close = CloseOut(
        finding=life.row,
        seen_version=version,
        confirmed=work.confirmed,
        cause=work.cause,
        action=work.action,
        found=work.found,
        outcome=work.outcome,
        by=by,
        parts=parts,
        signed=at,
        signed_text=text,
        signed_sha256=digest,
        check_needed=second,
    )
    world.ledger.add(close)
    for row in rows:
        row.close_out = close
        world.ledger.add(row)
    if work.outcome == CloseOut.Outcome.RELEASED:
        leave_limits(world, at, life, close, work)
    if second:
        world.at(life.course.checked, check, life, close)
    else:
        closed(world, at, life, close, by)


def check(world: World, at: datetime, life: Life, close: CloseOut) -> None:
    """The second person signs."""
    by = world.random.choice([user for user in world.cast.checkers if user != close.by])
    changes = {"state": State.CLOSED, "closed": at}
    advance(world, life, at, by, "checked", changes, signed=close.signed_sha256)
    close.checker, close.checked = by, at
    closed(world, at, life, close, by)


def closed(world: World, at: datetime, life: Life, close: CloseOut, by: User) -> None:
    """The end of a repair; `past` looks here for what it repeats."""
    world.last_closed[life.place] = life.row
    end_life(world, at, life, by)
    depot = life.row.visit.depot if life.row.visit else life.row.unit.home
    if world.random.random() < world.rates.comes_back(life.row.component, close.action, depot.code):
        world.returned(at, life.row)


def leave_limits(world: World, at: datetime, life: Life, close: CloseOut, work: closing.Work) -> None:
    """Released with limits: a restriction, lifted some weeks later."""
    columns = Dials.columns(work.limits)
    restriction = Restriction(
        uuid=uuid5(NAMESPACE_OID, close.signed_sha256),
        end=life.row.end,
        finding=life.row,
        why=work.limits_why,
        by=close.by,
        since=at,
        close_out=close,
        **columns,
    )
    world.ledger.add(restriction)
    world.known.restrictions[life.row.end_id].append(restriction)
    world.ledger.write(
        subject=f"unit:{life.row.unit.number}",
        kind="restricted",
        actor=close.by.pk,
        happened=at,
        written=at,
        restriction=restriction.pk,
        finding=life.row.ref,
        why=work.limits_why,
        limits=columns,
    )
    lifted = at + timedelta(days=world.random.randint(3, 40), minutes=world.random.randint(0, 600))
    if lifted <= world.until:
        world.at(lifted, lift, restriction)


def lift(world: World, at: datetime, restriction: Restriction) -> None:
    """The part came, or the engineer agreed: the limit goes."""
    by = world.random.choice(world.cast.controllers)
    why = world.random.choice(("Part fitted at exam, tests signed.", "Measured again at exam, within limit."))
    restriction.lifted, restriction.lifted_by, restriction.lifted_why = at, by, why
    world.known.restrictions[restriction.end_id].remove(restriction)
    world.ledger.write(
        subject=f"unit:{restriction.end.unit.number}",
        kind="restriction lifted",
        actor=by.pk,
        happened=at,
        written=at,
        restriction=restriction.pk,
        why=why,
    )
