"""Leave not to repair yet: the acts that give it, agree to it, extend it and end it; and which ones there are now.

A deferral loosens nothing. On what terms it is given is in `delegation`, when it ends by itself in `expiry`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Q, QuerySet

from inspections import delegation, expiry, grading, standing, words, workflow
from inspections.models import Deferral, Finding
from inspections.models.findings import OPEN
from inspections.permissions import Refused
from inspections.rules.facts import CATEGORIES

RUNNING, WAITING, OVER = "running", "waiting for the engineer", "run out"


@dataclass(frozen=True, slots=True)
class Left:
    """A deferral that counts, or waits to: in which state; when and why it ran out; how often it was extended.

    One that waits has a `why` where an event has ended it before anybody agreed. `worse` says in words that what is
    known now is worse than what it was given for.
    """

    row: Deferral
    state: str
    at: datetime | None = None
    why: str = ""
    extensions: int = 0
    worse: str = ""


def all_left(at: datetime, *, of: Sequence[Finding] | None = None, coupled=()) -> list[Left]:
    """Deferrals of open findings (of these alone) that count at `at`, run out or not, or wait for the engineer.

    `coupled` holds the ids of the ends that are coupled now. A fixed number of queries.
    """
    rows = Deferral.objects.filter(Q(pk__in=Deferral.objects.last(at)) | Q(pk__in=waiting(at)))
    rows = rows.filter(finding__state__in=OPEN)
    if of is not None:
        rows = rows.filter(finding__in=[finding.pk for finding in of])
    rows = list(rows.select_related(*SHOWN).order_by("until", "pk"))
    told = expiry.happened_since(rows, at)
    read = delegation.readings([row.finding for row in rows], at, coupled) if rows else {}
    return [one_left(row, told, at, read[row.finding_id]) for row in rows]


SHOWN = ("finding__current_grade", "finding__end", "finding__unit", "by", "agreed_by", "extends__extends")


def one_left(row: Deferral, told: expiry.Happened, at: datetime, reading: delegation.Reading) -> Left:
    """One of them. Reads nothing, but where one was extended more than twice."""
    worse = ""
    if reading.category > row.category:
        worse = f"It is {CATEGORIES[reading.category]} now, in a situation that is left"
    over = expiry.ended(row, told, at)
    state = WAITING if row.agreed is None else OVER if over else RUNNING
    return Left(row, state, over and over.at, over.why if over else "", extensions_of(row), worse)


def waiting(at: datetime) -> QuerySet[Deferral]:
    """Those an engineer may still agree to."""
    return Deferral.objects.waiting().filter(until__gt=at)


def left_of(finding: Finding, at: datetime, *, coupled: bool) -> Left | None:
    """What counts of one open finding, else what waits to, the newest; None without either."""
    if not finding.is_open:
        return None
    found = all_left(at, of=[finding], coupled={finding.end_id} if coupled else ())
    return min(found, key=lambda left: (left.state == WAITING, -left.row.pk), default=None)


def lets_wait(findings: Iterable[Finding], at: datetime) -> dict[int, datetime]:
    """Finding id → until when it may wait, for those of these that a deferral in force covers as things are now.

    One that has run out, waits for the engineer or was given for something less covers nothing. One query where none
    is deferred, else a fixed number.
    """
    findings = {finding.pk: finding for finding in findings}
    left = set(Deferral.objects.last(at).filter(finding__in=list(findings)).values_list("finding", flat=True))
    if not left:
        return {}
    rows = [findings[pk] for pk in left]
    ends = [row.end for row in rows if row.end_id]
    coupled = {pk for pk, where in standing.last_known(ends, at).items() if where.situation == "R"} if ends else set()
    found: dict[int, list[Left]] = {}
    for one in all_left(at, of=rows, coupled=coupled):
        if one.state != WAITING:
            found.setdefault(one.row.finding_id, []).append(one)
    # Merged reports may bring two: while one of them has run out, it limits.
    return {
        pk: min(one.row.until for one in each)
        for pk, each in found.items()
        if all(one.state == RUNNING and not one.worse for one in each)
    }


def lines(findings: Iterable[Finding], rules, now: datetime, takers=words.NOBODY) -> list[words.Line]:
    """Findings fetched `for_list()` as lines; of what is deferred, until when. At most one fixed set of queries."""
    findings = list(findings)
    return words.lines(findings, rules, now, takers, lets_wait(findings, now))


def said_of(left: Left, rules, now: datetime) -> tuple[str, ...]:
    """What is to be said of a deferral: until when and which events, its state, extensions, what is worse since."""
    row = left.row
    events = [rules.expiry_events.get(code, code) for code in row.events]
    until = f"Until {words.moment(row.until, now)}" + (f", or {words.listed(events, 'or')}" if events else "")
    said = [until]
    if left.state == OVER:
        said = [f"Run out {words.moment(left.at, now)}: {left.why}"]
    elif left.state == WAITING:
        said.append("Waits for the engineer: it does not count yet")
        said += [f"Nobody can agree to it any more: {left.why}"] if left.why else []
    if left.extensions:
        said.append(f"Extended {times(left.extensions)}")
    return tuple(said + ([f"{left.worse}: it no longer covers this"] if left.worse else []))


def defer(
    finding: Finding,
    *,
    version: int,
    by: User,
    now: datetime,
    until: datetime,
    why: str,
    interim: str = "",
    events: Sequence[str] = (),
) -> Deferral:
    """Leave it until `until` or until one of its events. Where the rules ask, it counts once an engineer agrees."""
    with transaction.atomic(durable=True):
        changed = act(finding, "defer", "deferred", version, by, now, until=until, why=why.strip())
        on = delegation.terms(changed, now)
        if on.refusal:
            raise Refused(on.refusal)
        if Deferral.objects.last(now).filter(finding=finding).exists() or finding.deferrals.filter(
            pk__in=waiting(now)
        ):
            raise Refused("It is deferred already: extend that deferral, or end it first.")
        refuse_times(until, now, on.latest)
        refuse_unless_said(why, interim, needed=on.interim)
        known = grading.ruleset(now).expiry_events
        row = Deferral.objects.create(
            finding=changed,
            category=on.category,
            why=why.strip(),
            interim=interim.strip(),
            by=by,
            since=now,
            until=until,
            events=sorted({*on.events, *(event for event in events if event in known)}),
            agreed=None if on.engineer else now,
            agreed_by=None if on.engineer else by,
        )
        refuse_if_over(row, now)
        return row


def refuse_times(until: datetime, now: datetime, latest: datetime) -> None:
    """Raise Refused unless `until` lies between now and the latest moment allowed."""
    if latest <= now:
        raise Refused("It was left as long as the rules allow. Repair it, or restrict it; it cannot wait again.")
    if until <= now:
        raise Refused("Choose a time that is still to come.")
    if until > latest:
        raise Refused(f"The longest it may be left is until {words.moment(latest, now)}. Choose a time before that.")


def refuse_unless_said(why: str, interim: str, *, needed: bool) -> None:
    """Raise Refused unless the reason, and where needed what is done meanwhile, is said."""
    if not why.strip():
        raise Refused("Say why it can wait.")
    if needed and not interim.strip():
        raise Refused("Say what is done in the meantime.")


def refuse_if_over(row: Deferral, now: datetime) -> None:
    """A deferral that one of its events has ended before it began would limit the unit at once: say so instead."""
    over = over_already(row, now)
    if over:
        raise Refused(f"It would end at once: {over.why}.")


def over_already(row: Deferral, now: datetime) -> expiry.RanOut | None:
    """How it has run out, or None while it holds."""
    return expiry.ended(row, expiry.happened_since([row], now), now)


def act(finding: Finding, name: str, kind: str, version: int, by: User, now: datetime, **payload) -> Finding:
    """The act on the finding: authority, version, log."""
    return workflow.advance(finding, act=name, version=version, by=by, now=now, kind=kind, changes={}, **payload)


def agree(row: Deferral, *, version: int, by: User, now: datetime) -> Deferral:
    """The engineer agrees, on the terms as they are now: from now on it counts. Never the one who gave it."""
    with transaction.atomic(durable=True):
        changed = act(row.finding, "agree", "deferral agreed", version, by, now, deferral=row.pk)
        mine = waiting(now).filter(pk=row.pk)
        if not mine.exists():
            raise Refused("There is nothing to agree to any more: it was ended, agreed already, or its time is past.")
        if row.by_id == by.pk:
            raise Refused("You gave this deferral: somebody else must agree to it.")
        refuse_if_worse(row, changed, now)
        refuse_if_over(row, now)
        mine.update(agreed=now, agreed_by=by)
        return Deferral.objects.get(pk=row.pk)


def refuse_if_worse(row: Deferral, finding: Finding, now: datetime) -> None:
    """Raise Refused where it could not be given any more, or is worse than it was given for."""
    on = delegation.terms(finding, now)
    if on.refusal:
        raise Refused(on.refusal)
    if on.category > row.category:
        raise Refused(f"It is {CATEGORIES[on.category]} by now. Control must end this one and give another.")


def extend(row: Deferral, *, version: int, by: User, now: datetime, until: datetime, why: str) -> Deferral:
    """Once more, by the engineer, with a written reason; extensions are counted."""
    with transaction.atomic(durable=True):
        changed = act(
            row.finding, "extend", "deferral extended", version, by, now, deferral=row.pk, until=until, why=why
        )
        if not Deferral.objects.last(now).filter(pk=row.pk).exists():
            raise Refused("That deferral no longer counts.")
        on = delegation.terms(changed, now)
        if on.refusal:
            raise Refused(on.refusal)
        if extensions_of(row) >= on.extensions:
            raise Refused(f"It was extended {times(on.extensions)}, as often as the rules allow. Repair it.")
        refuse_times(until, now, now + on.longest)
        refuse_unless_said(why, "", needed=False)
        new = Deferral.objects.create(
            finding=changed,
            category=on.category,
            why=why.strip(),
            interim=row.interim,
            by=by,
            since=now,
            until=until,
            events=sorted({*on.events, *row.events} - ({expiry.FIRST_FROST} if on.frost else set())),
            agreed=now,
            agreed_by=by,
            extends=row,
        )
        refuse_if_over(new, now)
        return new


def times(count: int) -> str:
    """ "never", "once", "2 times"."""
    return {0: "never", 1: "once"}.get(count, f"{count} times")


def extensions_of(row: Deferral) -> int:
    """How often this deferral was extended so far."""
    count = 0
    while row.extends_id:
        row, count = row.extends, count + 1
    return count


def recall(row: Deferral, *, version: int, by: User, now: datetime, why: str) -> Deferral:
    """End a deferral early. One that has run out cannot be ended: that would take away what it then limits."""
    if not why.strip():
        raise Refused("Say why it is ended.")
    with transaction.atomic(durable=True):
        act(row.finding, "recall", "deferral ended", version, by, now, deferral=row.pk, why=why.strip())
        if row.agreed and over_already(row, now):
            raise Refused("It has run out already, and limits the unit. Repair it, or let an engineer extend it.")
        changed = Deferral.objects.filter(pk=row.pk, ended__isnull=True)
        if not changed.update(ended=now, ended_by=by, ended_why=why.strip()):
            raise Refused("This deferral was ended already.")
        return Deferral.objects.get(pk=row.pk)
