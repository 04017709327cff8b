"""The last days, played through the doors themselves: reports by intake, acts by workflow, photos by photos."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from hashlib import sha256
from random import Random

from django.contrib.auth.models import User

from fleet.models import CouplerEnd
from fleet.railway import Railway, uuid_from
from inspections import bodies, intake, photos, workflow
from inspections.demonstration.filing import as_sent, offset_minutes
from inspections.demonstration.people import Cast
from inspections.demonstration.pictures import picture
from inspections.models import Finding

OCCASIONS = {"U": "walk-round", "C": "coupling", "R": "running"}


@dataclass
class Day:
    """What is to happen, by time; `refs` holds the references of the findings that got a name."""

    railway: Railway
    cast: Cast
    password: str
    random: Random
    refs: dict[str, str] = field(default_factory=dict)
    agenda: list[tuple[datetime, int, Callable]] = field(default_factory=list)

    def at(self, when: datetime, act: Callable[[datetime], object]) -> None:
        """Put something on the agenda; it is called with its time."""
        self.agenda.append((when, len(self.agenda), act))

    def ago(self, **how_long: float) -> datetime:
        return self.railway.now - timedelta(**how_long)

    def play(self) -> None:
        """Everything, in order of time."""
        for when, _, act in sorted(self.agenda, key=lambda item: item[:2]):
            act(when)

    def send(
        self, when: datetime, body: bodies.Body, channel: str = "phone", by: User | None = None
    ) -> intake.Receipt:
        """A report arrives."""
        by = by or next(user for user in self.cast.everybody if user.pk == body.author)
        return intake.receive(raw=as_sent(body), submitted_by=by, channel=channel, received=when)

    def report(
        self,
        name: str,
        when: datetime,
        author: User,
        end: CouplerEnd,
        part: str,
        symptom: str,
        situation: str = "U",
        **more,
    ) -> None:
        """A fault of one end is reported; `more`: facts, note, place, weather, letter, unit, of, photo, arrives."""
        photo = more.pop("photo", "")
        arrives = more.pop("arrives", True)
        photo_id = uuid_from(self.random)
        fault = bodies.Fault(
            id=uuid_from(self.random),
            end=more.get("letter", end.letter),
            part=part,
            symptom=symptom,
            kind="still there" if "of" in more else "first report",
            note=more.get("note", ""),
            facts={**more.get("facts", {}), "seen-in": situation},
            photos=(photo_id,) if photo else (),
        )
        body = self.body(when, author, end, situation, fault, more)
        self.at(when, lambda at: self.receive(name, at, body, more.get("of", "")))
        if photo and arrives:
            data = picture(photo, f"{self.railway.now:%Y%m%d} {name}")
            self.at(when + timedelta(seconds=40), lambda at: self.photo(at, photo_id, fault.id, data, author))

    def body(self, when, author, end, situation, fault, more) -> bodies.Body:
        """The report around one fault."""
        seen = (when - timedelta(minutes=4)).replace(second=0, microsecond=0)
        letter = fault.end
        return bodies.Body(
            id=uuid_from(self.random),
            author=author.pk,
            unit=more.get("unit", end.unit.number),
            sent=when - timedelta(seconds=5),
            seen=seen,
            seen_offset_min=offset_minutes(seen),
            occasion=more.get("occasion", OCCASIONS[situation]),
            place=more.get("place", end.unit.home.code),
            weather=more.get("weather", "wet"),
            note="",
            ends=(bodies.End(letter, situation, mate=more.get("mate", ""), stage=more.get("stage", "")),),
            faults=(fault,),
        )

    def receive(self, name: str, when: datetime, body: bodies.Body, of: str) -> None:
        """Send a report of a new fault, or of a known one by its name."""
        if of:
            (fault,) = body.faults
            body = bodies.Body(
                **{**values(body), "faults": (bodies.Fault(**{**values(fault), "of": self.refs[of]}),)}
            )
        receipt = self.send(when, body)
        self.refs[name] = receipt.refs[0]

    def photo(self, when: datetime, uuid, owner, data: bytes, by: User) -> None:
        """A photo arrives after its report."""
        digest = sha256(data).hexdigest()
        receipt = photos.receive(uuid=uuid, owner=owner, data=data, claimed_sha256=digest, by=by, now=when)
        if receipt.state != "stored":
            raise RuntimeError(f"A photo of the demonstration was not taken in: {receipt.words}")

    def act(self, name: str, when: datetime, act: Callable, by: User, **what) -> None:
        """An act of `workflow` on a named finding; `what` may hold functions of the finding."""

        def do(at):
            finding = Finding.objects.select_related("end__pattern", "unit", "current_grade").get(ref=self.refs[name])
            given = {key: value(finding) if callable(value) else value for key, value in what.items()}
            act(finding, version=finding.version, by=by, now=at, **given)

        self.at(when, do)

    def look(self, name: str, when: datetime, n: int = 0) -> None:
        """Control looks."""
        self.act(name, when, workflow.look, self.cast.controllers[n])


def values(row) -> dict[str, object]:
    """The fields of a frozen value."""
    return {name: getattr(row, name) for name in row.__dataclass_fields__}
