"""The work on one finding between taking it and signing: examined, made safe, put back half done.

Acts as those of `workflow`: the whole act and its log entry in one transaction, or `Refused` / `Stale` and nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from uuid import UUID, uuid4

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet, Value
from django.db.models.functions import Concat

from inspections import grading, labels, log, mates
from inspections.models import Finding, Grade, Isolation, LogEntry, Observation
from inspections.permissions import Refused
from inspections.rules.facts import QUALITIES
from inspections.workflow.steps import State, advance

NOT_CONFIRMED, _, EXAMINED, MEASURED = QUALITIES
# Facts of the ruleset that an act states by itself.
LOOKED_AT, SECURED = "looked-at", "secured"
PUT_BACK = "put back"


@dataclass(frozen=True, slots=True)
class Examination:
    """What a fitter found. `mode`: the failure mode it is, "" where that is not known yet.

    `seen` False: the fault could not be found; that is kept as "not confirmed" and lowers nothing. `facts`: fact
    code → word, or number in its unit, as text.
    """

    mode: str = ""
    seen: bool = True
    facts: Mapping[str, str] = field(default_factory=dict)
    note: str = ""


@dataclass(frozen=True, slots=True)
class Shut:
    """Something shut or cut out to make it safe: its kind in the ruleset, where, and who holds the key."""

    kind: str
    where: str
    key: str = ""


@dataclass(frozen=True, slots=True)
class Left:
    """The state a half-done job was left in: when, by whom, and that in sentences."""

    at: datetime
    by: User
    sentences: tuple[str, ...]


def examine(
    finding: Finding, *, version: int, by: User, now: datetime, work: Examination, uuid: UUID | None = None
) -> Finding:
    """Record an examination: an observation that regrades. Better evidence may lower the grade.

    The same `uuid` again records nothing more.
    """
    refuse_unless_known(finding, work, now)
    with transaction.atomic(durable=True):
        if recorded(finding, uuid, by, work.note.strip(), work.mode):
            return Finding.objects.get(pk=finding.pk)
        return examined(finding, version=version, by=by, now=now, work=work, uuid=uuid)


def examined(
    finding: Finding, *, version: int, by: User, now: datetime, work: Examination, uuid: UUID | None = None
) -> Finding:
    """The same inside the caller's transaction."""
    kind, quality = quality_of(work, now)
    row = observation(finding, kind, quality, by=by, now=now, mode=work.mode, facts=stated(work, quality), uuid=uuid)
    row.note = work.note.strip()
    changed = advance(
        finding,
        act="examine",
        version=version,
        by=by,
        now=now,
        kind="examined",
        changes={"mode": work.mode} if work.mode else {},
        observation=row.uuid,
        mode=work.mode,
        quality=quality,
    )
    return take_up(changed, row, by, now)


def recorded(finding: Finding, uuid: UUID | None, by: User, note: str, mode: str) -> bool:
    """True where this very form was saved before by the same person, word for word. Inside the transaction.

    Raises Refused where it was saved with other words: they must not be lost.
    """
    log.hold()
    row = Observation.objects.filter(uuid=uuid).first() if uuid else None
    if row and (row.finding_id, row.by_id) != (finding.pk, by.pk):
        raise Refused("This page was used for something else. Open it again.")
    if row and (row.note, row.mode) != (note, mode):
        raise Refused("This page was saved before with other words. Open it anew from the report to add to them.")
    return row is not None


def take_up(finding: Finding, row: Observation, by: User, now: datetime) -> Finding:
    """Store an observation and grade the finding with it, then the others of its end."""
    row.save(force_insert=True)
    grading.regrade(finding, cause=Grade.Cause.OBSERVATION, now=now, actor=by.pk, always=True)
    grading.regrade_siblings(finding, now=now, actor=by.pk)
    mates.ask(finding, now)
    return finding


def observation(finding: Finding, kind, quality, *, by, now, mode="", facts=None, uuid=None) -> Observation:
    """An unsaved observation of a finding by whoever works on it."""
    return Observation(
        uuid=uuid or uuid4(),
        finding=finding,
        kind=kind,
        slot=finding.slot,
        mode=mode,
        quality=quality,
        facts=dict(facts or {}),
        by=by,
        seen=now,
        received=now,
    )


def quality_of(work: Examination, now: datetime) -> tuple[str, str]:
    """(kind, quality) of an examination: measured where a number was measured."""
    if not work.seen:
        return EXAMINED, NOT_CONFIRMED
    rules = grading.ruleset(now)
    measured = any(rules.facts[code].kind == "number" for code in work.facts)
    return (MEASURED, MEASURED) if measured else (EXAMINED, EXAMINED)


def stated(work: Examination, quality: str) -> dict[str, str]:
    """The facts with the one that any examination states: that a fitter looked, or measured."""
    looked = {EXAMINED: {LOOKED_AT: "yes"}, MEASURED: {LOOKED_AT: "measured"}}
    return {**looked.get(quality, {}), **work.facts}


def refuse_unless_known(finding: Finding, work: Examination, now: datetime) -> None:
    """Raise Refused where an examination says nothing, or what the ruleset does not know."""
    rules = grading.ruleset(now)
    if work.mode and work.mode not in rules.modes:
        raise Refused("Choose what you found: that fault is not in the rules.")
    unknown = [code for code in work.facts if code not in rules.facts]
    if unknown:
        raise Refused(f"“{unknown[0]}” is nothing the rules ask.")
    if not work.seen and work.mode:
        raise Refused("Choose one: the fault you found, or that you found none.")
    if not (work.mode or work.facts or work.note.strip()):
        raise Refused("Write what you saw: without it the examination says nothing.")


def make_safe(
    finding: Finding,
    *,
    version: int,
    by: User,
    now: datetime,
    done: str,
    secured: bool = False,
    shut: Sequence[Shut] = (),
    uuid: UUID | None = None,
) -> Finding:
    """Record that it was made safe. The finding stays open. The same `uuid` again records nothing more.

    Its limits come from the ruleset: from what is said to be secured, by regrading, and from each isolation recorded.
    """
    if not done.strip():
        raise Refused("Say what was done to make it safe.")
    if not secured and not shut:
        raise Refused("Say that it is secured or off, or what was isolated: nothing else makes it safe here.")
    refuse_isolations(finding, shut, now)
    with transaction.atomic(durable=True):
        if recorded(finding, uuid, by, done.strip(), ""):
            return Finding.objects.get(pk=finding.pk)
        facts = {LOOKED_AT: "yes", **({SECURED: "yes"} if secured else {})}
        row = observation(finding, "made safe", EXAMINED, by=by, now=now, facts=facts, uuid=uuid)
        row.note = done.strip()
        changed = advance(
            finding,
            act="make safe",
            version=version,
            by=by,
            now=now,
            kind="made safe",
            changes={},
            observation=row.uuid,
            secured=secured,
            isolated=[one.kind for one in shut],
            done=done.strip(),
        )
        for one in shut:
            isolate(changed, one, by, now)
        return take_up(changed, row, by, now)


def refuse_isolations(finding: Finding, shut: Sequence[Shut], now: datetime) -> None:
    """Raise Refused for an isolation that cannot be recorded."""
    rules = grading.ruleset(now)
    if shut and finding.unit_id is None:
        raise Refused("The unit is not on the list yet, so no isolation can be recorded: say which unit it is first.")
    for one in shut:
        if one.kind not in rules.isolations:
            raise Refused("Choose what was isolated.")
        if not one.where.strip():
            raise Refused(f"Say where: {rules.isolations[one.kind].name}.")


def isolate(finding: Finding, one: Shut, by: User, now: datetime) -> Isolation:
    """One isolation because of this finding, with the entry that `labels.isolate` writes."""
    place = {"end": finding.end} if finding.end_id else {"unit": finding.unit}
    said = {"kind": one.kind, "where": one.where.strip(), "key": one.key.strip()}
    row = Isolation.objects.create(**place, **said, by=by, since=now, finding=finding)
    about = {"isolation": row.pk, "what": row.kind, "where": row.where, "key": row.key, "finding": finding.ref}
    labels.note("isolated", row, by, now, **about)
    return row


def put_back(
    finding: Finding,
    *,
    version: int,
    by: User,
    now: datetime,
    parts_off: str = "",
    isolated: str = "",
    key: str = "",
    note: str = "",
) -> Finding:
    """A job is put back half done: planned again, or waiting for a plan where it has no visit.

    Somebody else may take it; what state it is left in is in the log, see `left_in`.
    """
    left = {"parts_off": parts_off, "isolated": isolated, "key": key, "note": note}
    left = {name: text.strip() for name, text in left.items()}
    if not (left["parts_off"] or left["isolated"] or left["note"]):
        raise Refused("Say in what state it is left. Where nothing was touched, write that.")
    if left["isolated"] and not left["key"]:
        raise Refused("Say who holds the key of what is isolated; “no key” where there is none.")
    with transaction.atomic(durable=True):
        return advance(
            finding,
            act=PUT_BACK,
            version=version,
            by=by,
            now=now,
            kind=PUT_BACK,
            changes={"state": State.PLANNED if finding.visit_id else State.ACKNOWLEDGED},
            **left,
        )


SAID = (("parts_off", "Parts off: {}"), ("isolated", "Isolated: {}"), ("key", "Key: {}"), ("note", "{}"))


def left_words(data: Mapping[str, str]) -> tuple[str, ...]:
    """The sentences of a "put back" entry's payload."""
    said = [shape.format(data[name]) for name, shape in SAID if data.get(name)]
    return tuple(text if text.endswith((".", "!", "?")) else f"{text}." for text in said)


def left_in(findings: Iterable[Finding]) -> dict[int, Left]:
    """Finding id → the state it was last left in, for those put back and still open. One query."""
    open_here = {f"finding:{found.ref}": found.pk for found in findings if found.is_open}
    entries = LogEntry.objects.filter(subject__in=open_here, kind=PUT_BACK).select_related("actor").order_by("seq")
    return {open_here[e.subject]: Left(e.happened, e.actor, left_words(e.data)) for e in entries}


def half_done() -> QuerySet[Finding]:
    """Open findings that were put back half done, at any time, by state and then the longest waiting."""
    entries = LogEntry.objects.filter(subject=Concat(Value("finding:"), OuterRef("ref")), kind=PUT_BACK)
    worked_on = (State.ACKNOWLEDGED, State.PLANNED, State.IN_WORK)
    return Finding.objects.filter(Exists(entries), state__in=worked_on).order_by("state", "first_seen", "pk")
