"""A depot's shift pack: which jobs are in it, what its first page says, and the log of its printing."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from fleet.models import Place
from inspections import grading, log, words, working
from inspections.cards import prints
from inspections.cards.made import LETTERS, Key, Made, cards_of, letters_of
from inspections.cards.past import left_words
from inspections.cards.there import clock, near_day, short
from inspections.handover import Shift, shift_at, shift_of
from inspections.models import Finding, LogEntry, Visit
from inspections.reports.shift_pack import Pack, PackCount, PackJob, Unfinished, shift_pack
from inspections.rules.facts import CATEGORIES

PRINTED = "pack printed"
NOT_GRADED = "not graded"
DUE_IN = timedelta(hours=24)  # from the start of the shift: units that come within this time are named
BANDS = (NOT_GRADED, *reversed(CATEGORIES))


@dataclass(frozen=True, slots=True)
class PackPrinted:
    """A pack that was logged. `steps` makes it: it gives how many of `total` steps are done, and returns the PDF."""

    pack: Pack
    steps: Generator[int, None, bytes]
    total: int


def jobs_of(depot: Place, shift: Shift) -> list[Finding]:
    """Open findings planned at the depot for this shift or an earlier one, worst first. One query."""
    rows = Finding.objects.open().at_depot(depot).filter(visit__since__lt=shift.ends).worst_first().for_list()
    return list(rows.select_related("unit", "end__unit", "visit__depot", "visit__unit", "current_grade"))


def shifts_of(depot: Place, now: datetime) -> list[Shift]:
    """The shift that is on, then each later one for which something open is planned at the depot. One query."""
    on = shift_at(now)
    visits = Visit.objects.filter(depot=depot, since__gte=on.ends, findings__in=Finding.objects.open()).distinct()
    later = {(timezone.localdate(since), code) for since, code in visits.values_list("since", "shift")}
    return [on, *sorted((shift_of(code, day) for day, code in later), key=lambda shift: shift.begins)]


def cards_in(jobs: Sequence[Finding]) -> list[tuple[Visit, str]]:
    """The cards these jobs stand on, by unit, visit and end."""
    found: dict[Key, Visit] = {}
    for job in jobs:
        found |= {(job.visit_id, letter): job.visit for letter in letters_of(job)}
    return [(found[key], key[1]) for key in sorted(found, key=lambda key: (found[key].unit.number, *key))]


def pack_of(depot: Place, shift: Shift, *, now: datetime, host: str) -> tuple[Pack, list[Made]]:
    """What the pack says, and the cards in it as made. A fixed number of queries."""
    rules = grading.ruleset(now)
    jobs = sorted(jobs_of(depot, shift), key=lambda job: not comes_first(job, now))
    made = cards_of(cards_in(jobs), now=now, host=host)
    at = {one.key: n for n, one in reversed(list(enumerate(made)))}
    rows = {job.pk: job_of(job, shift, at, rules, now) for job in jobs}
    bands = Counter(band_of(job) for job in jobs)
    last = last_pack(depot)
    left = working.left_in(jobs)
    pack = Pack(
        depot=depot.name,
        shift=shift.words,
        printed=timezone.localtime(now),
        before=clock(last.happened) if last else "",
        counts=tuple(count_of(band, bands, last) for band in BANDS),
        first=tuple(rows[job.pk] for job in jobs if comes_first(job, now)),
        unfinished=tuple(
            Unfinished(rows[job.pk], state_of(job, left.get(job.pk)))
            for job in jobs
            if job.pk in left or job.state == Finding.State.IN_WORK
        ),
        due_in=tuple(due_in(depot, shift)),
        jobs=tuple(rows[job.pk] for job in jobs),
        cards=tuple(one.card for one in made),
    )
    return pack, made


def comes_first(job: Finding, now: datetime) -> bool:
    """True for what is not graded or overdue: it stands first, whatever its band."""
    return job.worst is None or words.deadline(job, now).over


def band_of(job: Finding) -> str:
    return NOT_GRADED if job.worst is None else CATEGORIES[job.worst]


def count_of(band: str, bands: Mapping[str, int], last: LogEntry | None) -> PackCount:
    """How many jobs a band has now, against the last pack."""
    change = bands[band] - last.data["bands"].get(band, 0) if last else None
    return PackCount(band.capitalize(), bands[band], change)


def job_of(job: Finding, shift: Shift, at: Mapping[Key, int], rules, now: datetime) -> PackJob:
    """One line of the job list."""
    due = words.deadline(job, now)
    by = (
        f"{'overdue since' if due.over else 'by'} {short(due.at)}"
        if due.at
        else due.words[:1].lower() + due.words[1:]
    )
    cards = [
        at[key] for key in ((job.visit_id, letter) for letter in LETTERS if letter in letters_of(job)) if key in at
    ]
    return PackJob(
        reference=job.ref,
        unit=words.unit(job),
        end=job.end.letter if job.end_id else "?",
        road=job.visit.road,
        part=words.part(rules, job),
        fault=words.fault(rules, job),
        category="" if job.worst is None else CATEGORIES[job.worst].capitalize(),
        due=by,
        state="" if job.state == Finding.State.PLANNED else job.state,
        since="" if job.visit.since >= shift.begins else f"planned {near_day(job.visit.since)}, {job.visit.shift}",
        card=min(cards, default=-1),
    )


def state_of(job: Finding, left: working.Left | None) -> str:
    """Whether somebody has it, and the state it was last left in."""
    said = ["In work"] if job.state == Finding.State.IN_WORK else []
    text = left_words(left)
    return ". ".join([*said, *([f"{text[:1].upper()}{text[1:]}"] if text else [])]) + "."


def due_in(depot: Place, shift: Shift) -> list[str]:
    """A sentence for each unit that comes within a day of the shift's start, with what is open on it. Two queries."""
    visits = Visit.objects.filter(depot=depot, since__gte=shift.begins, since__lt=shift.begins + DUE_IN)
    visits = list(visits.current(shift.begins).select_related("unit").order_by("since", "unit__number"))
    open_on = defaultdict(list)
    here = {visit.unit_id for visit in visits}
    for finding in Finding.objects.open().filter(unit__in=here).select_related("visit"):
        open_on[finding.unit_id].append(finding)
    return [due_words(visit, open_on[visit.unit_id]) for visit in visits if open_on[visit.unit_id]]


def due_words(visit: Visit, findings: Sequence[Finding]) -> str:
    """ "205, 24 Nov 14:00, road 3: 2 open, 1 of them not planned here, worst undesirable."."""
    road = f", road {visit.road}" if visit.road else ""
    elsewhere = sum(finding.visit_id is None or finding.visit.depot_id != visit.depot_id for finding in findings)
    apart = f", {elsewhere} of them not planned here" if elsewhere else ""
    graded = [finding.worst for finding in findings if finding.worst is not None]
    worst = f", worst {CATEGORIES[max(graded)]}" if graded else ", not graded"
    return f"{visit.unit}, {short(visit.since)}{road}: {len(findings)} open{apart}{worst}."


def last_pack(depot: Place) -> LogEntry | None:
    """The last pack printed for the depot."""
    return LogEntry.objects.filter(subject=f"depot:{depot.code}", kind=PRINTED).order_by("-seq").first()


def print_pack(depot: Place, shift: Shift, *, by: User, now: datetime, host: str) -> PackPrinted:
    """Log the pack and each of its cards as printed; `steps` of the answer then makes the PDF."""
    pack, made = pack_of(depot, shift, now=now, host=host)
    with transaction.atomic(durable=True):
        log.hold()
        cards = prints.record(made, by=by, now=now)
        log.write(
            subject=f"depot:{depot.code}",
            kind=PRINTED,
            actor=by.pk,
            happened=now,
            written=now,
            day=shift.day.isoformat(),
            shift=shift.code,
            jobs=len(pack.jobs),
            cards=len(cards),
            bands={band: one.count for band, one in zip(BANDS, pack.counts, strict=True) if one.count},
        )
    pack = replace(pack, cards=tuple(cards))
    return PackPrinted(pack, shift_pack(pack), 2 * len(cards))


def finished(printed: PackPrinted) -> bytes:
    """The PDF, all steps made at once."""
    steps = printed.steps
    while True:
        try:
            next(steps)
        except StopIteration as end:
            return end.value
