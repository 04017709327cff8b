"""A report as its sender sees it: what the logbook has of it and what became of it. Reads, writes nothing.

Kept apart in every sentence: the logbook has it, control has looked, a fitter has repaired.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.contrib.auth.models import User
from django.db.models import Prefetch, Q, QuerySet

from fleet.models import Coupling
from inspections import deferring, intake, unlooked, watching, words
from inspections.models import CloseOut, Finding, Inspection, LogEntry, Observation, Submission
from inspections.permissions import may
from inspections.rules.facts import SITUATION_WORDS, SITUATIONS

State = Finding.State
NOT_SAID = ("not said", "")
HAS_IT = "The logbook has it."


@dataclass(frozen=True, slots=True)
class Item:
    """One fault of a report: its finding as a line, and its state in words."""

    observation: Observation
    line: words.Line
    state: str

    @property
    def finding(self) -> Finding:
        return self.line.finding


@dataclass(frozen=True, slots=True)
class Sent:
    """One report. `items` is empty for a look that found nothing, for a coupling and for one in quarantine.

    `coupled`: the couplings it tells of, in words; "" where it tells of none.
    """

    submission: Submission
    unit: str
    listed: bool
    ends: str
    items: tuple[Item, ...]
    state: str
    coupled: str = ""

    @property
    def call(self) -> bool:
        """True where the call is the report: something Intolerable that control has not looked at."""
        return any(item.line.category == "intolerable" and item.line.unlooked for item in self.items)


def fetch() -> QuerySet[Submission]:
    """Submissions with all that a list or a receipt shows, in a fixed number of queries."""
    findings = Finding.objects.for_list().select_related(
        "unit", "end", "visit__depot", "current_grade", "merged_into", "repeat_of"
    )
    findings = findings.prefetch_related(
        Prefetch("close_outs", CloseOut.objects.filter(voided__isnull=True), to_attr="in_force")
    )
    return (
        Submission.objects.defer("body")
        .select_related("inspection__unit", "inspection__place", "inspection__person", "author", "submitted_by")
        .prefetch_related(
            "inspection__ends",
            Prefetch("inspection__observations", Observation.objects.select_related("by").order_by("pk")),
            Prefetch("inspection__observations__finding", findings),
        )
    )


def of_person(person: User) -> QuerySet[Submission]:
    """The person's own reports, newest first, those in quarantine among them."""
    return fetch().filter(Q(author=person) | Q(author__isnull=True, submitted_by=person)).order_by("-received", "-pk")


def visible(uuid: UUID, reader: User) -> Submission | None:
    """The report under this id that the reader may see, the stored one first; None like one that is not there."""
    rows = sorted(fetch().filter(uuid=uuid), key=lambda row: row.status != Submission.Status.STORED)
    return next((row for row in rows if is_own(row, reader) or may(reader, "see words")), None)


def is_own(submission: Submission, person: User) -> bool:
    """True for its author, and for who sent it in."""
    return person.pk in (submission.author_id, submission.submitted_by_id)


def sent(submissions: Iterable[Submission], rules, now: datetime) -> list[Sent]:
    """Reports fetched with `fetch()`, in words. A fixed number of queries."""
    submissions = list(submissions)
    findings = [row.finding for submission in submissions for row in observations(submission)]
    looked = looked_at(findings)
    left = deferring.lets_wait(findings, now)
    return [one(submission, rules, now, looked, left) for submission in submissions]


def for_phone(uuids: Iterable[UUID], person: User, rules, now: datetime) -> dict[str, dict[str, object]]:
    """Uuid → what became of a report of the person's own, as JSON; nothing of what the logbook does not have.

    `seen` is when control had looked at all of it, None before. A fixed number of queries.
    """
    rows = [row for row in fetch().filter(uuid__in=list(uuids)) if is_own(row, person)]
    rows.sort(key=lambda row: row.status == Submission.Status.STORED)
    findings = [row.finding for submission in rows for row in observations(submission)]
    looked = looked_at(findings)
    missing = intake.missing_photos([row for submission in rows for row in observations(submission)])
    return {str(row.uuid): became(row, rules, now, looked, missing) for row in rows}


def became(submission: Submission, rules, now: datetime, looked: dict[str, datetime], missing: set[UUID]) -> dict:
    """One report for the phone."""
    rows = observations(submission)
    seen = [looked.get(row.finding.ref) for row in rows]
    told = one(submission, rules, now, looked)
    return {
        "state": submission.status,
        "refs": [row.finding.ref for row in rows],
        "seen": max(seen).isoformat() if seen and all(seen) else None,
        "missing": [photo for row in rows for photo in row.photos if UUID(photo) in missing],
        "words": [item.state for item in told.items] or [told.state],
    }


def observations(submission: Submission) -> list[Observation]:
    """What a report says it saw; nothing in quarantine."""
    return list(submission.inspection.observations.all()) if hasattr(submission, "inspection") else []


def looked_at(findings: Sequence[Finding]) -> dict[str, datetime]:
    """Reference → when control first looked."""
    refs = {found.merged_into.ref if found.merged_into_id else found.ref for found in findings}
    entries = LogEntry.objects.filter(subject__in=[f"finding:{ref}" for ref in refs], kind="looked at")
    times = entries.order_by("-seq").values_list("subject", "happened")
    return {subject.removeprefix("finding:"): at for subject, at in times}


def one(submission: Submission, rules, now: datetime, looked: dict[str, datetime], left=words.NOTHING_LEFT) -> Sent:
    """One report in words. `left`: see `words.lines`."""
    if not hasattr(submission, "inspection"):
        return Sent(submission, "", True, "", (), intake.quarantine_words(submission.why))
    inspection = submission.inspection
    rows = observations(submission)
    lines = words.lines([row.finding for row in rows], rules, now, left=left)
    items = [
        Item(row, line, with_repeat(row, state(row.finding, looked, now, min(row.seen, row.received))))
        for row, line in zip(rows, lines, strict=True)
    ]
    coupled = ". ".join(coupling_words(inspection, end) for end in inspection.ends.all() if end.extent == "coupling")
    nothing = f"{coupled}. {HAS_IT}" if coupled else f"Nothing was found. {HAS_IT}"
    return Sent(
        submission=submission,
        unit=inspection.unit.number if inspection.unit_id else inspection.unit_given,
        listed=inspection.unit_id is not None,
        ends=words.listed(end_words(end.end_given) for end in inspection.ends.all()),
        items=tuple(items),
        state=items[0].state if len(items) == 1 else "" if items else nothing,
        coupled=coupled,
    )


def with_repeat(row: Observation, said: str) -> str:
    """What became of a fault, and first, for whoever reported it anew, that it had been repaired and came back."""
    back = watching.came_back(row.finding) if row.kind == "first report" else ""
    return f"{back} {said}".strip()


def coupling_words(inspection, end) -> str:
    """ "Coupled to 305 B", "Parted from 305 B", "Could not couple to 305 B"."""
    mate = end.mate_given or "a unit not said"
    if inspection.occasion == Inspection.Occasion.UNCOUPLING:
        return f"Parted from {mate}"
    return f"Coupled to {mate}" if end.situation == "R" else f"Could not couple to {mate}"


def end_words(letter: str) -> str:
    return f"{letter} end" if letter in ("A", "B") else "end not known"


def state(finding: Finding, looked: dict[str, datetime], now: datetime, since: datetime) -> str:
    """What became of a finding, for the person who reported it and waits since then. No names."""
    if finding.state == State.MERGED:
        joined = state_of_open(finding.merged_into, looked, now, since)
        return f"Joined with {finding.merged_into}, the same fault. {joined}"
    return state_of_open(finding, looked, now, since)


def state_of_open(finding: Finding, looked: dict[str, datetime], now: datetime, since: datetime) -> str:
    seen = looked.get(finding.ref)
    by_control = f"Seen by control {words.moment(seen, now)}." if seen else "Seen by control."
    if finding.state in AFTER_LOOK:
        return f"{by_control} {AFTER_LOOK[finding.state](finding, now)}".strip()
    if finding.state == State.CLOSED:
        return closed(finding, now)
    if finding.state == State.WITHDRAWN:
        return "Withdrawn: it no longer counts."
    urgent = words.category(finding) == "intolerable"
    return f"{HAS_IT} {unlooked.not_looked_words(since, now, urgent=urgent)}"


def planned(finding: Finding, now: datetime) -> str:
    visit = finding.visit
    if visit is None:
        return "Work is planned."
    return f"Work is planned at {visit.depot} {words.day(visit.since, now)}, {visit.shift} shift."


def closed(finding: Finding, now: datetime) -> str:
    """The outcome in words. A merged finding's own close-out is not fetched: then only the time is said."""
    when = words.moment(finding.closed, now)
    outcome = next((close.outcome for close in getattr(finding, "in_force", [])), "")
    return CLOSED.get(outcome, "Closed {when}.").format(when=when)


AFTER_LOOK = {
    State.ACKNOWLEDGED: lambda finding, now: "",
    State.PLANNED: planned,
    State.IN_WORK: lambda finding, now: "A fitter is working on it.",
    State.AWAITING_CHECK: lambda finding, now: "Work is signed; a second person has still to check it.",
}
CLOSED = {
    CloseOut.Outcome.REPAIRED: "Repaired and tested {when}. Thank you for reporting it.",
    CloseOut.Outcome.RELEASED: "Released with limits {when}. Thank you for reporting it.",
    CloseOut.Outcome.NOT_FOUND: "A fitter examined it and found no fault, {when}. Thank you for reporting it.",
}


def joined(submission: Submission) -> list[str]:
    """What the ends were joined to and how far it came, where that was said."""
    stages = dict(Coupling.Stage.choices)
    rows = [
        (end.mate_given or "not said", stages.get(end.stage, end.stage), end.situation)
        for end in submission.inspection.ends.all()
    ]
    return [
        ("about to couple to " if situation == "C" else "")
        + mate
        + (f", {stage[0].lower()}{stage[1:]}" if stage else "")
        for mate, stage, situation in rows
        if (mate, stage) != NOT_SAID
    ]


def told(submission: Submission, rules) -> list[dict]:
    """The standing the sender was told, end by end, as `_standing.html` takes it; only ends that were looked at.

    Both ends where the end was not known.
    """
    inspection = submission.inspection
    letters = {end.end_given for end in inspection.ends.all()}
    unit = inspection.unit.number if inspection.unit_id else inspection.unit_given
    return [
        told_end(f"What the {letter} end of {unit} may still do", said, rules)
        for letter, said in sorted(inspection.standing_told.items())
        if letter in letters or "?" in letters
    ]


def told_end(title: str, said: dict, rules) -> dict:
    order = [said["now"], *(code for code in SITUATIONS if code != said["now"])]
    weather = rules.weather_words.get(said["weather"])
    return {
        "title": title,
        "situations": [
            {"words": SITUATION_WORDS[code].capitalize(), "limits": said[code]["words"], "now": code == said["now"]}
            for code in order
        ],
        "known_at": datetime.fromisoformat(said["at"]),
        "weather": weather.name if weather else said["weather"],
    }
