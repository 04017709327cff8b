"""Reports as phones send them, filed as intake files them; and what is known of the ends meanwhile."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from hashlib import sha256

from django.contrib.auth.models import User

from fleet.models import CouplerEnd, Unit
from fleet.railway import LOCAL, Railway
from inspections import bodies, report_rows, standing
from inspections.demonstration.ledger import Ledger
from inspections.demonstration.seals import SealLife
from inspections.models import Finding, Inspection, Observation, Restriction
from inspections.rules.facts import SITUATIONS


def as_sent(body: bodies.Body) -> bytes:
    """The report as version 1 JSON: what `bodies.body_of` reads back as `body`."""
    offset = timezone(timedelta(minutes=body.seen_offset_min))
    ends = [{"end": e.end, "situation": e.situation, "clean": e.clean, **said(e, "mate", "stage")} for e in body.ends]
    faults = [
        {
            "id": str(fault.id),
            "end": fault.end,
            "part": fault.part,
            "kind": fault.kind,
            **said(fault, "symptom", "of", "note", "facts"),
            "photos": [str(photo) for photo in fault.photos],
        }
        for fault in body.faults
    ]
    data = {
        "v": 1,
        "id": str(body.id),
        "author": body.author,
        "sent": body.sent.isoformat(),
        "occasion": body.occasion,
        "unit": body.unit,
        "seen": body.seen.astimezone(offset).isoformat(),
        **said(body, "place", "weather", "note"),
        "ends": ends,
        "faults": faults,
    }
    return json.dumps(data, separators=(",", ":"), ensure_ascii=False).encode()


def said(value, *names: str) -> dict[str, object]:
    """The named attributes that say anything."""
    return {name: getattr(value, name) for name in names if getattr(value, name)}


def offset_minutes(when: datetime) -> int:
    """Minutes the clock on the wall is ahead of UTC."""
    return int(when.astimezone(LOCAL).utcoffset().total_seconds() // 60)


@dataclass
class Life:
    """A finding while it is open: its row, its observations, what the rules say of it, its course of acts.

    `error`: reported in error, and withdrawn as soon as control has looked. `worn`: the seal it is about, where one
    has worn out. `planted`: it runs its plain course, so that what is planted shows.
    """

    row: Finding
    course: object
    error: bool = False
    worn: SealLife | None = None
    planted: bool = False
    observations: list[Observation] = field(default_factory=list)
    value: object = None

    def become(self, changes: dict[str, object]) -> None:
        """Put what an act changes into the row."""
        for name, value in changes.items():
            setattr(self.row, name, value)

    @property
    def place(self) -> tuple[int, str]:
        """Where it is: end and component."""
        return self.row.end_id, self.row.component


class Known:
    """What limits each end at the moment, before any of it is in the database."""

    def __init__(self, railway: Railway, rules):
        self.railway, self.rules = railway, rules
        self.open: dict[int, list[Life]] = defaultdict(list)
        self.restrictions: dict[int, list[Restriction]] = defaultdict(list)
        self.weather: dict[int, list[tuple[datetime, str]]] = defaultdict(list)
        self.nothing: dict[tuple[str, str], dict] = {}

    def told(self, unit: Unit, body: bodies.Body, at: datetime) -> dict[str, dict]:
        """What the sender is told: letter → standing, as `standing` derives it once the rows are there."""
        seen = self.weather[unit.pk]
        seen.append((body.seen, body.weather))
        seen[:] = [entry for entry in seen if entry[0] > at - standing.WEATHER_LASTS]
        weather = max((entry[1] for entry in seen), key=self.rules.weathers.index)
        now = {end.end: end.situation for end in body.ends}
        return {
            letter: self.stands(end, at, weather, now.get(letter, "U"))
            for letter, end in self.railway.by_letter[unit.pk].items()
        }

    def stands(self, end: CouplerEnd, at: datetime, weather: str, now: str) -> dict[str, object]:
        """One end's standing, as it is told."""
        if not self.open[end.pk] and not self.restrictions[end.pk]:
            if (weather, now) not in self.nothing:
                none = dict.fromkeys(SITUATIONS, ())
                told = standing.from_sources(end, at, weather, now, none, self.rules).as_told()
                self.nothing[weather, now] = told
            return self.nothing[weather, now] | {"at": at.isoformat()}
        set_by_people = [standing.Source("restriction", r.why, r.limits) for r in self.restrictions[end.pk]]
        sources = {s: [*self.graded(end, s, weather), *set_by_people] for s in SITUATIONS}
        return standing.from_sources(end, at, weather, now, sources, self.rules).as_told()

    def graded(self, end: CouplerEnd, situation: str, weather: str) -> list[standing.Source]:
        """What the open findings of an end say in one situation."""
        cells = [(life.row.ref, life.value.cells[situation, weather]) for life in self.open[end.pk]]
        return [standing.Source("finding", ref, cell.limits, cell.category) for ref, cell in cells]


class Filing:
    """Files reports into the ledger, row for row and entry for entry as intake does."""

    def __init__(self, ledger: Ledger, railway: Railway):
        self.ledger, self.railway = ledger, railway
        self.name_ends()

    def name_ends(self) -> None:
        """The ends by the names they have now; again when an end goes elsewhere."""
        self.ends = {str(end): end for end in self.railway.ends}

    def file(
        self, body: bodies.Body, *, author: User, by: User, unit: Unit, channel: str, received: datetime
    ) -> Inspection:
        """One report of a unit on the list: submission, inspection, ends, log entry."""
        raw = as_sent(body)
        digest = sha256(raw).hexdigest()
        submission = self.ledger.add(
            report_rows.submission_row(body.id, raw, digest, body, author, by, channel, received)
        )
        self.ledger.write(**report_rows.report_entry(submission, body))
        place = self.railway.places.get(body.place)
        inspection = self.ledger.add(report_rows.inspection_row(submission, body, author, unit, place))
        letters = self.railway.by_letter[unit.pk]
        for end in body.ends:
            self.ledger.add(report_rows.inspected(inspection, end, letters, self.ends.get(end.mate)))
        return inspection
