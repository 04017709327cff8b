"""What one controller hands to the next: calls not answered, what was promised, what ends soon. Reads only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.contrib.auth.models import User
from django.db.models import Q
from django.utils import timezone

from fleet.models import Place, WeatherAlert
from inspections import alerts, asked, assistance, deferring, expiry, grading, hoods, words, working
from inspections.forms.acts import SHIFT_STARTS
from inspections.models import Deferral, Finding, LogEntry, Seal, Submission, Visit
from inspections.models.findings import OPEN
from inspections.unlooked import INTOLERABLE

SOON = timedelta(hours=8)
PROMISES = ("told", "planned")
SHOWN = 50  # of each list; what is left out is counted
EARLIER = 3  # shifts before this one that the page leads to


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift of the railway's working day, from `begins` until just before `ends`."""

    code: str
    day: date
    begins: datetime
    ends: datetime

    @property
    def words(self) -> str:
        """ "early shift, 24 November 2026"."""
        return f"{self.code} shift, {self.day.day} {self.day:%B %Y}"


@dataclass(frozen=True, slots=True)
class Some:
    """The first of a list, and how many more there are."""

    rows: Sequence
    more: int = 0


@dataclass(frozen=True, slots=True)
class Promise:
    """Something said or planned in the shift: the log's words, and the finding it is about."""

    happening: words.Happening
    finding: Finding | None


@dataclass(frozen=True, slots=True)
class Ends:
    """A deferral that ends soon, or has ended: at what time, and why it did."""

    line: words.Line
    at: datetime
    why: str = ""


@dataclass(frozen=True, slots=True)
class HalfDone:
    """A job put back half done, and the state it is left in."""

    line: words.Line
    left: working.Left


@dataclass(frozen=True, slots=True)
class Handover:
    """Everything the page says. `mates`, `quarantine` and `hoods` are numbers."""

    calls: Some
    promises: Some
    half_done: Some
    over: Some
    ending: Some
    due: Some
    weather: Sequence[tuple[str, WeatherAlert]]
    unassisted: Sequence[assistance.Need]
    mates: int
    quarantine: int
    hoods: int


def shift_of(code: str, day: date) -> Shift:
    """That shift of that day; a night ends on the next morning."""
    order = list(SHIFT_STARTS)
    after = order[(order.index(Visit.Shift(code)) + 1) % len(order)]
    end_day = day if after != order[0] else day + timedelta(days=1)
    return Shift(code, day, starts(code, day), starts(after, end_day))


def starts(code: str, day: date) -> datetime:
    zone = timezone.get_current_timezone()
    return datetime.combine(day, SHIFT_STARTS[Visit.Shift(code)]).replace(tzinfo=zone)


def shift_at(at: datetime) -> Shift:
    """The shift that is on at this time."""
    day = timezone.localdate(at)
    on = [shift_of(code, day + timedelta(days=n)) for n in (-1, 0) for code in SHIFT_STARTS]
    return next(shift for shift in on if shift.begins <= at < shift.ends)


def before(shift: Shift) -> Shift:
    """The shift before this one."""
    return shift_at(shift.begins - timedelta(minutes=1))


def handover(shift: Shift, *, reader: User, now: datetime) -> Handover:
    """What is to be said at the end of `shift`, as known `now`. A fixed number of queries."""
    rules = grading.ruleset(now)
    alerted = WeatherAlert.objects.filter(until__gt=now, until__lte=now + SOON).select_related("place")
    names = alerts.classes(rules)
    return Handover(
        calls=calls(rules, now),
        promises=promises(shift, reader),
        half_done=half_done(rules, now),
        over=over(rules, now),
        ending=ending(rules, now),
        due=due(rules, now),
        weather=[(names.get(row.weather, row.weather).capitalize(), row) for row in alerted.order_by("until")],
        unassisted=[need for need in assistance.wanted(now) if need.missing],
        mates=asked.ends_waiting().count(),
        quarantine=Submission.objects.quarantined().count(),
        hoods=sum(one.confirmed is None for one in hoods.exposed(now)),
    )


def some(lines: Sequence, count: int) -> Some:
    return Some(lines, max(0, count - len(lines)))


def calls(rules, now: datetime) -> Some:
    """Intolerable reports that control has not looked at, the longest waiting first."""
    rows = Finding.objects.not_looked_at().filter(Q(worst=INTOLERABLE) | Q(worst=None))
    found = rows.for_list().order_by("first_seen", "pk")
    return some(words.lines(found[:SHOWN], rules, now), rows.count())


def promises(shift: Shift, reader: User) -> Some:
    """Who was told, and what was planned, in the shift, in the order in which it happened."""
    # The seal of the day before tells where in the log to begin: it has no order by time.
    sealed = Seal.objects.filter(day__lt=timezone.localdate(shift.begins)).order_by("-day").first()
    entries = LogEntry.objects.filter(kind__in=PROMISES, happened__gte=shift.begins, happened__lt=shift.ends)
    entries = entries.filter(seq__gt=sealed.last_seq if sealed else 0).select_related("actor")
    rows = list(entries.order_by("happened", "seq"))
    refs = {row.subject.removeprefix("finding:") for row in rows[-SHOWN:]}
    findings = Finding.objects.filter(ref__in=refs).select_related("unit", "end").in_bulk(field_name="ref")
    places = dict(Place.objects.depots().values_list("code", "name"))
    told = [
        Promise(
            words.happening(row, places=places, reader=reader, named=True),
            findings.get(row.subject.removeprefix("finding:")),
        )
        for row in rows[-SHOWN:]
    ]
    return some(told, len(rows))


def half_done(rules, now: datetime) -> Some:
    """Jobs put back half done, with the state each is left in."""
    found = list(working.half_done().for_list())
    left = working.left_in(found[:SHOWN])
    rows = [HalfDone(line, left[line.finding.pk]) for line in words.lines(found[:SHOWN], rules, now)]
    return some(rows, len(found))


def over(rules, now: datetime) -> Some:
    """Deferrals that have run out, the latest first."""
    found = sorted(expiry.ran_out(now), key=lambda end: end.at, reverse=True)
    findings = Finding.objects.for_list().in_bulk([end.deferral.finding_id for end in found[:SHOWN]])
    lines = {line.finding.pk: line for line in words.lines(findings.values(), rules, now)}
    rows = [Ends(lines[end.deferral.finding_id], end.at, end.why) for end in found[:SHOWN]]
    return some(rows, len(found))


def ending(rules, now: datetime) -> Some:
    """Deferrals whose time comes within hours, the soonest first."""
    rows = Deferral.objects.last(now).filter(finding__state__in=OPEN, until__gt=now, until__lte=now + SOON)
    soon = list(rows.order_by("until", "pk").values_list("finding", "until")[:SHOWN])
    findings = Finding.objects.for_list().in_bulk([pk for pk, _ in soon])
    lines = {line.finding.pk: line for line in words.lines(findings.values(), rules, now)}
    return some([Ends(lines[pk], until) for pk, until in soon], rows.count())


def due(rules, now: datetime) -> Some:
    """Findings to be examined within hours by their grade and not left to wait, the soonest first.

    One query for the hours there are.
    """
    rows = Finding.objects.open().filter(current_grade__hours__gt=0)
    hours = rows.order_by().values_list("current_grade__hours", flat=True).distinct()
    soon = Q(pk__in=[])
    for allowed in hours:
        seen = now - timedelta(hours=float(allowed))
        soon |= Q(current_grade__hours=allowed, first_seen__gt=seen, first_seen__lte=seen + SOON)
    left = Finding.objects.filter(soon, deferrals__in=Deferral.objects.last(now)).select_related("end")
    found = rows.filter(soon).exclude(pk__in=deferring.lets_wait(left, now))
    lines = words.lines(found.for_list().order_by("first_seen", "pk")[:SHOWN], rules, now)
    return some(sorted(lines, key=lambda line: line.deadline.at), found.count())
