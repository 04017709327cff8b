"""Couplings that people report: coupled, parted, could not couple. They come inside a report, by the same door.

The same event told twice by both drivers is one coupling. Those of a file come by `fleet.importing`.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from hashlib import sha256
from io import BytesIO
from uuid import uuid5
from zoneinfo import ZoneInfo

from django.contrib.auth.models import User

from fleet.importing import Imported, import_couplings
from fleet.models import CouplerEnd, Coupling, CouplingSide
from inspections import bodies, log, mates
from inspections.models import InspectedEnd, Inspection

SOURCE = "report"
SAME_EVENT = timedelta(minutes=30)  # two people's times of one coupling differ by no more


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
    ends = [looked.end, *([looked.mate] if looked.mate_id and looked.mate_id != looked.end_id else [])]
    CouplingSide.objects.bulk_create(CouplingSide(coupling=coupling, end=end, at=coupling.at) for end in ends)
    note(inspection, looked, told.coupled, coupling)
    # It may have been told late: findings at these ends look again for whom they met.
    mates.ask_again([end.pk for end in ends], inspection.submission.received)
    return coupling


def same_event(looked: InspectedEnd, outcome: str, at: datetime) -> bool:
    """True where this meeting of these two ends is recorded already."""
    sides = CouplingSide.objects.filter(end=looked.end, at__range=(at - SAME_EVENT, at + SAME_EVENT))
    known = Coupling.objects.filter(pk__in=sides.values("coupling"), outcome=outcome)
    if looked.mate_id:
        known = known.filter(sides__end=looked.mate_id)
    return known.exists()


def part(inspection: Inspection, looked: InspectedEnd) -> Coupling | None:
    """The last coupling of this end before then has ended; None where none is open."""
    last = CouplingSide.objects.filter(
        end=looked.end, at__lte=inspection.seen, coupling__outcome=Coupling.Outcome.COUPLED
    )
    side = last.select_related("coupling").order_by("-at").first()
    if side is None or side.coupling.parted is not None:
        return None
    side.coupling.parted = inspection.seen
    side.coupling.save(update_fields=["parted"])
    note(inspection, looked, "parted", side.coupling)
    ends = side.coupling.sides.values_list("end", flat=True)
    mates.ask_again(list(ends), inspection.submission.received)
    return side.coupling


def note(inspection: Inspection, looked: InspectedEnd, kind: str, coupling: Coupling) -> None:
    """The log entry, on the unit."""
    log.write(
        subject=f"unit:{inspection.unit.number}",
        kind=kind,
        actor=inspection.person_id,
        happened=inspection.seen,
        written=inspection.submission.received,
        end=looked.end_given,
        mate=looked.mate_given,
        stage=coupling.stage,
        coupling=coupling.uuid,
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
        mates.ask_again(done.ends, now)

    return import_couplings(BytesIO(data), now=now, source=source, zone=zone, dry_run=dry_run, within=within)
