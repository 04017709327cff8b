"""When things happen: what drivers come across at each coupling, and the hours and days a finding then takes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from random import Random

from fleet.models import CouplerEnd, CouplingSide
from fleet.railway import LOCAL, Railway, local
from inspections.demonstration.rates import Rates, Where

VISIT_STARTS = 23 * 60
VISIT_LASTS = timedelta(minutes=345)
NIGHTS = [(1, 12), (1, 4), (0, 1), (0, 0)]  # to wait for a visit, by worst category


@dataclass(frozen=True, order=True)
class Encounter:
    """Somebody at an end: `part` fails there, or "" when nothing is found. `side` is the coupling it goes with."""

    received: datetime
    number: int
    seen: datetime
    end: CouplerEnd
    situation: str
    part: str = ""
    symptom: str = ""
    mate: CouplerEnd | None = None
    stage: str = ""
    place: str = ""
    by_fitter: bool = False


def encounters(railway: Railway, rates: Rates, random: Random) -> Iterator[Encounter]:
    """Every look and every fault of the years, in no order; `received` may lie after now."""
    looked: set[tuple[int, date]] = set()
    pairs = zip(railway.sides[::2], railway.sides[1::2], strict=True)
    names = {end.pk: str(end) for end in railway.ends}
    number = 0
    for pair in pairs:
        for side, mate in (pair, pair[::-1]):
            part = rates.fault(where(railway, side, names), random)
            day = side.end.unit_id, side.at.date()
            look = day not in looked and random.random() < rates.looks
            looked.add(day)
            for what in [part] * bool(part) + [""] * look:
                number += 1
                yield encounter(number, side, mate, what, rates, random)


def where(railway: Railway, side: CouplingSide, names: dict[int, str]) -> Where:
    """What the rates ask about one side of a coupling."""
    end, at = side.end, side.at
    coupler = railway.coupler_at(end, at)
    ago = (railway.now - at) / timedelta(days=1)
    serial = coupler.serial if coupler else ""
    return Where(names[end.pk], end.unit.type.code, end.pattern.code, serial, ago, at.astimezone(LOCAL).month)


def encounter(
    number: int, side: CouplingSide, mate: CouplingSide, part: str, rates: Rates, random: Random, symptom: str = ""
) -> Encounter:
    """A fault or a look at one side of a coupling: before it, at it, or while coupled."""
    coupling, at = side.coupling, side.at
    if part and random.random() < rates.by_fitter:
        seen = local(at.astimezone(LOCAL).date(), VISIT_STARTS) + timedelta(minutes=random.randint(30, 90))
        received = seen + timedelta(minutes=random.randint(2, 15))
        home = side.end.unit.home.code
        return Encounter(received, number, seen, side.end, "U", part, symptom, place=home, by_fitter=True)
    situation = random.choices("UCR", (40, 30, 30))[0]
    if situation == "U":
        seen, stage = at - timedelta(minutes=random.randint(6, 25)), ""
    elif situation == "C":
        seen, stage = at + timedelta(minutes=random.randint(1, 4)), coupling.stage
    else:
        until = coupling.parted or at + timedelta(minutes=90)
        seen = max(at, min(at + timedelta(minutes=random.randint(10, 80)), until - timedelta(minutes=1)))
        stage = coupling.stage
    slow = random.randint(20, 200) if coupling.place.remote else random.randint(1, 9)
    received = seen + timedelta(minutes=slow, seconds=random.randint(5, 55))
    mate_end = mate.end if situation != "U" else None
    return Encounter(
        received, number, seen, side.end, situation, part, symptom, mate_end, stage, coupling.place.code, False
    )


@dataclass(frozen=True)
class Course:
    """When the acts on one finding happen. `visit` is when its visit starts, None for a fitter's own find."""

    looked: datetime
    told: datetime
    planned: datetime | None
    visit: datetime | None
    taken: datetime
    signed: datetime
    checked: datetime

    @property
    def waits(self) -> timedelta:
        return self.taken - self.looked


def course(worst: int, received: datetime, by_fitter: bool, random: Random) -> Course:
    """The worse, the sooner: category 3 is looked at in minutes and worked on the same night."""

    def after(when, least, most):
        return when + timedelta(minutes=random.randint(least, most), seconds=random.randint(0, 59))

    looked = after(received, *[(10, 240), (8, 120), (4, 60), (1, 11)][worst])
    told = after(looked, 1, 9)
    planned = visit = None
    if by_fitter:
        taken = after(told, 2, 10)
    else:
        planned = after(told, 5, 60)
        nights = random.randint(*NIGHTS[worst])
        day = (planned.astimezone(LOCAL) - timedelta(hours=4)).date()
        visit = local(day + timedelta(days=nights), VISIT_STARTS)
        if visit <= planned:
            visit = local(day + timedelta(days=nights + 1), VISIT_STARTS)
        taken = after(visit, 15, 60)
    signed = after(taken, 20, 150)
    return Course(looked, told, planned, visit, taken, signed, after(signed, 8, 60))
