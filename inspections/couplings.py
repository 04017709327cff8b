"""Couplings that people report: coupled, parted, could not couple. They come inside a report, by the same door.

The same event told twice by both drivers is one coupling. Those of a file come by `fleet.importing`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection
from datetime import datetime
from hashlib import sha256
from io import BytesIO
from uuid import uuid5
from zoneinfo import ZoneInfo

from django.contrib.auth.models import User

from fleet.coupling_rows import Content
from fleet.importing import SAME_EVENT, Imported, import_couplings
from fleet.models import CouplerEnd, Coupling, CouplingSide
from inspections import bodies, log, mates
from inspections.models import InspectedEnd, Inspection

SOURCE = "report"
KEPT = "parted, from a coupling not known yet"


def record(inspection: Inspection, looked: InspectedEnd, told: bodies.End) -> Coupling | None:
    """Write what this end's row says of coupling; None where it says nothing new. Inside the caller's transaction."""
    if not told.coupled or looked.end is None:
        return None
    if told.coupled == "parted":
        return part(inspection, looked)
    outcome = Coupling.Outcome.COUPLED if told.coupled == "coupled" else Coupling.Outcome.NOT_COUPLED
    if same_event(looked, outcome, inspection.seen):
        return None
    stage = told.stage or (Coupling.Stage.FULL if outcome == Coupling.Outcome.COUPLED else Coupling.Stage.NONE)
    coupling = Coupling.objects.create(
        uuid=uuid5(inspection.submission.uuid, told.end),
        at=inspection.seen,
        place=inspection.place,
        stage=stage,
        outcome=outcome,
        source=SOURCE,
        source_ref=f"{inspection.submission.uuid}:{told.end}",
        received=inspection.submission.received,
    )
    ends = list({looked.end_id, looked.mate_id} - {None})
    CouplingSide.objects.bulk_create(CouplingSide(coupling=coupling, end_id=pk, at=coupling.at) for pk in ends)
    note(inspection, looked, told.coupled, coupling)
    # It may have been told late: after its parting, and after later couplings; and findings look for whom they met.
    if outcome == Coupling.Outcome.COUPLED:
        ended_by(coupling, ends)
        join_partings(ends, coupling.at, inspection.submission.received)
        coupling.refresh_from_db()
    mates.ask_again(ends, inspection.submission.received)
    return coupling


def same_event(looked: InspectedEnd, outcome: str, at: datetime) -> bool:
    """True where this meeting of these two ends is recorded already."""
    sides = CouplingSide.objects.filter(end=looked.end, at__range=(at - SAME_EVENT, at + SAME_EVENT))
    known = Coupling.objects.filter(pk__in=sides.values("coupling"), outcome=outcome)
    if looked.mate_id:
        known = known.filter(sides__end=looked.mate_id)
    return known.exists()


def part(inspection: Inspection, looked: InspectedEnd) -> Coupling | None:
    """The last coupling of this end before then has ended.

    None where that is known, and where no coupling is known that it could end: then it is kept, as the report is, and
    ends its coupling once that arrives (`join_partings`).
    """
    sides = CouplingSide.objects.filter(end=looked.end, at__lte=inspection.seen)
    sides = sides.filter(coupling__outcome=Coupling.Outcome.COUPLED).select_related("coupling")
    side = sides.order_by("-at").first()
    last = side.coupling if side else None
    if last and last.parted and abs(last.parted - inspection.seen) <= SAME_EVENT:
        return None
    if last is None or last.parted:
        note(inspection, looked, KEPT, None)
        return None
    end(last, inspection.seen)
    note(inspection, looked, "parted", last)
    mates.ask_again(ends_of(last), inspection.submission.received)
    return last


def end(coupling: Coupling, at: datetime) -> None:
    coupling.parted = at
    coupling.save(update_fields=["parted"])


def ends_of(coupling: Coupling) -> list[int]:
    return list(coupling.sides.values_list("end", flat=True))


def ended_by(coupling: Coupling, ends: Collection[int]) -> None:
    """An end is in one coupling at a time: what it was in before this one had ended by then, whatever was told."""
    before = Coupling.objects.filter(source=SOURCE, outcome=Coupling.Outcome.COUPLED, parted__gt=coupling.at)
    for earlier in before.filter(sides__end__in=ends, at__lt=coupling.at).distinct():
        end(earlier, coupling.at)


def join_partings(ends: Collection[int], since: datetime, now: datetime) -> None:
    """Couplings of these ends (ids) since then have just become known: partings told before them end them.

    Inside the caller's transaction. Two queries, and a few for each parting that ends one.
    """
    looks = InspectedEnd.objects.filter(end__in=ends, extent="coupling", inspection__seen__gte=since)
    looks = looks.select_related("inspection__submission", "inspection__unit").order_by("inspection__seen", "pk")
    met: dict[int, list[CouplingSide]] = defaultdict(list)
    sides = CouplingSide.objects.filter(end__in=ends, at__gte=since, coupling__outcome=Coupling.Outcome.COUPLED)
    for side in sides.select_related("coupling").order_by("at", "pk"):
        met[side.end_id].append(side)
    for look in looks:
        before = bisect_right(met[look.end_id], look.inspection.seen, key=lambda side: side.at)
        # Read anew: the other end's driver may have told it too.
        last = Coupling.objects.get(pk=met[look.end_id][before - 1].coupling_id) if before else None
        if last and last.parted is None and says_parted(look):
            end(last, look.inspection.seen)
            note(look.inspection, look, "parted", last, written=now)


def earliest_told(since: datetime) -> datetime:
    """When the earliest of the couplings that were received since then was. There must be one."""
    return Coupling.objects.filter(received__gte=since).earliest("at").at


def says_parted(look: InspectedEnd) -> bool:
    """True where the report, as it was received, says that this end was parted."""
    told = bodies.body_of(bodies.read_json(bytes(look.inspection.submission.body)))
    return any(row.end == look.end_given and row.coupled == "parted" for row in told.ends)


def note(
    inspection: Inspection,
    looked: InspectedEnd,
    kind: str,
    coupling: Coupling | None,
    written: datetime | None = None,
) -> None:
    """The log entry, on the unit."""
    log.write(
        subject=f"unit:{inspection.unit.number}",
        kind=kind,
        actor=inspection.person_id,
        happened=inspection.seen,
        written=written or inspection.submission.received,
        end=looked.end_given,
        mate=looked.mate_given,
        stage=coupling.stage if coupling else "",
        coupling=coupling.uuid if coupling else "",
    )


def mate_of(end: CouplerEnd, at: datetime) -> CouplerEnd | None:
    """The end this one is coupled to at `at`, as far as is known."""
    sides = CouplingSide.objects.filter(end=end, at__lte=at, coupling__outcome=Coupling.Outcome.COUPLED)
    side = sides.select_related("coupling").order_by("-at").first()
    if side is None or (side.coupling.parted is not None and side.coupling.parted <= at):
        return None
    other = side.coupling.sides.exclude(end=end).select_related("end__unit").first()
    return other.end if other else None


def mates_of(unit: str, at: datetime) -> dict[str, str]:
    """Letter → the end it is coupled to as far as is known, as in "305 B"; left out where it is to none."""
    ends = CouplerEnd.objects.filter(unit__number=unit).order_by("letter")
    found = {end.letter: mate_of(end, at) for end in ends}
    return {letter: str(mate) for letter, mate in found.items() if mate and mate.unit_id}


def import_file(
    data: bytes, *, by: User, now: datetime, source: str = "", zone: ZoneInfo | None = None, dry_run: bool = False
) -> Imported:
    """All couplings of a CSV file or none, with a log entry; findings at their ends look again for whom they met."""

    def within(done: Imported) -> None:
        log.write(
            subject="couplings",
            kind="couplings imported",
            actor=by.pk,
            happened=now,
            written=now,
            sha256=sha256(data).hexdigest(),
            source=source,
            new=done.new,
            updated=done.updated,
            here=done.here,
            earliest=done.earliest,
            latest=done.latest,
        )
        join_partings(done.ends, done.earliest, now)
        mates.ask_again(done.ends, now)

    return import_couplings(
        BytesIO(data), now=now, source=source, zone=zone, dry_run=dry_run, within=within, told=parting_was_told
    )


def parting_was_told(stored: Content) -> bool:
    """True where a report about one of its ends is of the very time at which this coupling is said to have parted."""
    looks = InspectedEnd.objects.filter(end__in=stored.ends, extent="coupling", inspection__seen=stored.parted)
    return looks.exists()
