"""How facts read on a page: ages, deadlines, parts and faults, what the log says happened. No queries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from types import MappingProxyType

from django.contrib.auth.models import User
from django.utils import timezone

from inspections.models import Finding, LogEntry
from inspections.rules.facts import CATEGORIES

BOLDER = (timedelta(minutes=10), timedelta(minutes=30))  # the classes in which an age grows bolder
NOBODY: Mapping[str, User] = MappingProxyType({})
LATE = timedelta(minutes=1)  # an entry written later than this after the event shows both times


def clock(at: datetime) -> str:
    """Local clock time, "05:50"; with its zone, "01:30 GMT", in the hour that comes twice."""
    local = timezone.localtime(at)
    twice = local.replace(fold=0).utcoffset() > local.replace(fold=1).utcoffset()
    return f"{local:%H:%M %Z}" if twice else f"{local:%H:%M}"


def day(at: datetime, now: datetime) -> str:
    """ "today", "yesterday", "tomorrow", else "on 3 November" with the year where it is another one."""
    at, now = timezone.localtime(at), timezone.localtime(now)
    near = {0: "today", -1: "yesterday", 1: "tomorrow"}.get((at.date() - now.date()).days)
    return near or f"on {at.day} {at:%B}" + (f" {at:%Y}" if at.year != now.year else "")


def moment(at: datetime, now: datetime) -> str:
    """ "05:50 today"."""
    return f"{clock(at)} {day(at, now)}"


def dated(at: datetime) -> str:
    """ "3 November, 05:50", for what is read again on another day."""
    local = timezone.localtime(at)
    return f"{local.day} {local:%B}, {clock(at)}"


def end(row) -> str:
    """ "A end of 201"; "end of vehicle 201A" for one in no unit."""
    return f"{row.letter} end of {row.unit}" if row.unit_id else f"end of {row}"


def letter(end: str) -> str:
    """ "A end", "end not known"."""
    return f"{end} end" if end in ("A", "B") else "end not known"


def spoken(ref: str) -> str:
    """A reference in its two groups."""
    return f"{ref[:4]} {ref[4:]}"


def age(since: datetime, now: datetime) -> str:
    """How long ago in its largest unit: "4 minutes", "3 hours", "2 days"; a time to come counts as now."""
    minutes = max(0, int((now - since).total_seconds() // 60))
    for size, unit in ((1440, "day"), (60, "hour"), (1, "minute")):
        if minutes >= size:
            count = minutes // size
            return f"{count} {unit}{'' if count == 1 else 's'}"
    return "under a minute"


def boldness(since: datetime, now: datetime) -> int:
    """0 under ten minutes, 1 to half an hour, 2 over it."""
    return sum(now - since >= step for step in BOLDER)


def ordinal(number: int) -> str:
    """ "1st", "2nd", "3rd", "11th"."""
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def listed(items: Iterable[str], last: str = "and") -> str:
    """ "a, b and c"."""
    items = list(items)
    return f" {last} ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


def number(value: Decimal) -> str:
    """A decimal without needless noughts: "0.2", "10"."""
    return f"{value.normalize():f}"


def limit(low: Decimal | None, high: Decimal | None, unit: str) -> str:
    """ "at most 0.2 bar", "5 to 9 mm", "" for a test that is passed or failed."""
    if low is not None and high is not None:
        return f"{number(low)} to {number(high)} {unit}".strip()
    if high is not None:
        return f"at most {number(high)} {unit}".strip()
    return f"at least {number(low)} {unit}".strip() if low is not None else ""


def part(rules, finding: Finding) -> str:
    """The part of a finding with its number on the drawing, "5 Upper air seal"."""
    return part_named(rules, finding.slot)


def part_named(rules, code: str) -> str:
    """A part's number on the drawing and name; as given where the ruleset has none."""
    found = rules.parts.get(code)
    if found is None:
        return code or "part not known"
    return f"{found.number} {found.name}" if found.number else found.name


def symptom(rules, code: str) -> str:
    """A symptom in the driver's words; as given where the ruleset has none."""
    return rules.symptoms[code].words if code in rules.symptoms else code


def mode(rules, code: str) -> str:
    """A failure mode's name; as given where the ruleset has none."""
    return rules.modes[code].name if code in rules.modes else code


def fault(rules, finding: Finding) -> str:
    """What is wrong: the mode where a fitter confirmed one, else the symptom as reported."""
    if finding.mode:
        return mode(rules, finding.mode)
    return symptom(rules, finding.symptom) or "what is wrong was not said"


def heading(rules, finding: Finding) -> str:
    """ "201, A end: 5 Upper air seal"."""
    return f"{unit(finding)}, {finding.end_words}: {part(rules, finding)}"


def unit(finding: Finding) -> str:
    """The unit's number; as given where it is not on the list."""
    return finding.unit.number if finding.unit_id else finding.unit_given


def category(finding: Finding) -> str:
    """The category's word; a finding that was never graded counts as the worst."""
    return CATEGORIES[-1 if finding.worst is None else finding.worst]


def name(person: User | None) -> str:
    """A person as the pages call them."""
    return (person.get_full_name() or person.get_username()) if person else "the logbook"


@dataclass(frozen=True, slots=True)
class Deadline:
    """When to act. `at` is None where there is no hour to wait for; `over` when waiting is over."""

    words: str
    at: datetime | None = None
    over: bool = False


def deadline(finding: Finding, now: datetime) -> Deadline:
    """The order reading's deadline: first seen plus the hours its worst cells allow. Nothing once it is not open."""
    if not finding.is_open or finding.current_grade is None:
        return Deadline("")
    hours = finding.current_grade.hours
    if hours is None:
        return Deadline("Examine at the next exam")
    if hours == 0:
        return Deadline("Not to wait", over=True)
    at = finding.first_seen + timedelta(hours=float(hours))
    if at < now:
        return Deadline(f"Overdue: examine by {moment(at, now)}", at, over=True)
    return Deadline(f"Examine by {moment(at, now)}", at)


@dataclass(frozen=True, slots=True)
class Line:
    """One finding as a line of a list."""

    finding: Finding
    unit: str
    part: str
    fault: str
    category: str
    deadline: Deadline
    age: str
    boldness: int
    unlooked: bool
    taker: str = ""


def waiting_since(finding: Finding) -> datetime:
    """The earlier of first seen and received, so that a phone's wrong clock cannot make a report look fresh."""
    received = getattr(finding, "received", None)
    return min(finding.first_seen, received) if received else finding.first_seen


def lines(findings: Iterable[Finding], rules, now: datetime, takers: Mapping[str, User] = NOBODY) -> list[Line]:
    """Findings fetched `for_list()` as lines; no query of their own. `takers`: reference → who took the job."""
    return [
        Line(
            finding=finding,
            unit=unit(finding),
            part=part(rules, finding),
            fault=fault(rules, finding),
            category=category(finding),
            deadline=deadline(finding, now),
            age=age(waiting_since(finding), now),
            boldness=boldness(waiting_since(finding), now),
            unlooked=finding.state == Finding.State.REPORTED,
            taker=name(takers[finding.ref]) if finding.ref in takers else "",
        )
        for finding in findings
    ]


@dataclass(frozen=True, slots=True)
class Happening:
    """A log entry in words. `free`: a person's own words, may be empty. `entered` is set where it was written later
    than it happened."""

    at: datetime
    words: str
    free: str
    who: str
    entered: datetime | None


def happening(entry: LogEntry, *, places: Mapping[str, str], reader: User, named: bool) -> Happening:
    """A log entry as the reader may see it: without `named`, no name but their own and nobody's free words."""
    said = SENTENCES.get(entry.kind, lambda data, places: (entry.kind.capitalize(), ""))
    words, free = said(entry.data, places)
    own = entry.actor_id == reader.pk
    return Happening(
        at=entry.happened,
        words=words,
        free=free if named or own else "",
        who="you" if own else name(entry.actor) if named else "",
        entered=entry.written if entry.written - entry.happened > LATE else None,
    )


def _graded(data, places):
    worst, before = data.get("worst"), data.get("before")
    words = f"Graded {CATEGORIES[worst]}"
    if before is not None and before != worst:
        words += f", before it was {CATEGORIES[before]}"
    why = {"sibling": "another finding of this end changed", "ruleset": "a new ruleset is in force"}
    return words + (f" ({why[data['cause']]})" if data.get("cause") in why else ""), ""


def _planned(data, places):
    depot = places.get(data.get("depot"), data.get("depot", ""))
    when = timezone.localtime(datetime.fromisoformat(data["since"]))
    road = f"road {data['road']}" if data.get("road") else ""
    return f"Planned at {depot}, {when.day} {when:%B}, {data.get('shift', '')} shift", road


def _moved(data, places):
    before, after = data.get("before", {}), data.get("after", {})
    return f"Moved from {_place(before)} to {_place(after)}", data.get("why", "")


def _place(place):
    return f"{place.get('unit') or 'a unit not on the list'}, {letter(place.get('end'))}"


def _until(data):
    return f" until {dated(datetime.fromisoformat(data['until']))}" if data.get("until") else ""


# Kind of entry → (what everybody may read, free words of a person).
SENTENCES = {
    "opened": lambda data, places: ("Reported", ""),
    "observed": lambda data, places: (f"Seen again: {data.get('what', '')}", ""),
    "graded": _graded,
    "looked at": lambda data, places: ("Control looked at it", ""),
    "told": lambda data, places: ("Told", f"{data.get('whom', '')}, {data.get('how', '')}"),
    "raised": lambda data, places: (f"Raised to {data.get('to', '')}", data.get("why", "")),
    "planned": _planned,
    "taken": lambda data, places: ("Taken in hand by a fitter", ""),
    "withdrawn": lambda data, places: ("Withdrawn", data.get("why", "")),
    "signed": lambda data, places: (f"Work signed, {data.get('outcome', '')}", ""),
    "checked": lambda data, places: ("Checked by a second person", ""),
    "card printed": lambda data, places: (f"Work card printed, version {data.get('card', '')}", ""),
    "merged": lambda data, places: (f"Merged into {spoken(data.get('into', ''))}", data.get("why", "")),
    "took in": lambda data, places: (f"Took in {spoken(data.get('taken', ''))}: the same fault", ""),
    "moved": _moved,
    "repeat named": lambda data, places: (
        f"Named a repeat of {spoken(data['of'])}" if data.get("of") else "Named no repeat",
        data.get("why", ""),
    ),
    "occurrence decided": lambda data, places: (
        "Decided: reportable as an occurrence" if data.get("reportable") else "Decided: not reportable",
        ", ".join(filter(None, (data.get("reference"), data.get("why")))),
    ),
    "deferred": lambda data, places: (f"Deferred{_until(data)}", data.get("why", "")),
    "deferral agreed": lambda data, places: ("An engineer agreed to the deferral", ""),
    "deferral extended": lambda data, places: (f"Deferral extended{_until(data)}", data.get("why", "")),
    "deferral ended": lambda data, places: ("Deferral ended early", data.get("why", "")),
    "mates asked for": lambda data, places: (f"A look is asked for at {listed(data.get('ends', ()))}", ""),
    "restricted": lambda data, places: ("A restriction was set because of it", data.get("why", "")),
    "isolated": lambda data, places: (f"Isolated because of it: {data.get('what', '')}", data.get("where", "")),
}
# Kind of entry → what its author did, for "Controller 2 looked at this at 05:50."
DID = {
    "observed": "reported on this again",
    "graded": "changed its grade",
    "looked at": "looked at this",
    "told": "recorded who was told",
    "raised": "raised this",
    "planned": "planned this",
    "taken": "took this job",
    "withdrawn": "withdrew this",
    "signed": "signed this off",
    "checked": "checked this",
    "merged": "merged this into another report",
    "took in": "merged another report into this",
    "moved": "moved this",
    "repeat named": "said of what this is a repeat",
    "occurrence decided": "decided whether this is reportable",
    "deferred": "deferred this",
    "deferral agreed": "agreed to the deferral",
    "deferral extended": "extended the deferral",
    "deferral ended": "ended the deferral",
}


def changed_since(entries: Iterable[LogEntry], reader: User) -> str:
    """ "Controller 2 looked at this at 05:50. See what changed before you save.", from the last entry."""
    last = list(entries)[-1:]
    if not last:
        return "This page does not fit what stands here now. Look at it again before you save."
    who = "You" if last[0].actor_id == reader.pk else name(last[0].actor)
    did = DID.get(last[0].kind, "changed this")
    return f"{who} {did} at {clock(last[0].written)}. See what changed before you save."
