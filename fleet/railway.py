"""The invented Ostrel Valley Railway: what exists and how it runs, made from a seed, as unsaved rows.

Everything here is made up. The demonstration, tests and benchmarks share it; it takes a size. Rows carry their
primary keys from the start, so that what refers to them can be made before anything is written, and so that the same
seed gives the same rows on every database. `plan` stops short of the rows of couplings, for those who only count.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import count
from random import Random
from uuid import UUID

from fleet.fortunes import Change, Fortunes, Stores
from fleet.models import (
    Coupler,
    CouplerEnd,
    CouplerPattern,
    Coupling,
    CouplingSide,
    Fitment,
    FleetEvent,
    Gauge,
    Place,
    Unit,
    UnitType,
)
from fleet.traffic import LOCAL, Joining, Traffic, joinings, local

__all__ = ["DEPOTS", "LOCAL", "Change", "Railway", "Traffic", "build", "fleet_list", "local", "plan", "uuid_from"]

DAYS_A_YEAR = 365

# Code, name, kind, remote, curve radius (m), notes.
PLACES = [
    ("BRK", "Brackwater", "depot", False, None, "Fitters, pits, stores. Holds an assistance adapter."),
    ("ELM", "Elmsgate", "depot", False, None, "Fitters, pits, stores. Holds an assistance adapter."),
    ("SKJ", "Skarrow Junction", "station", False, None, "Two people present when units join."),
    ("PEN", "Pennick", "station", False, None, "Two people present when units join."),
    ("WEN", "Wendle", "yard", False, None, ""),
    ("THO", "Thornhope", "siding", True, 160, "Curve of 160 m radius, no lighting, poor signal."),
    ("SAL", "Saltmarsh", "loop", True, None, "On the coast: salt, snow."),
]
DEPOTS = ("BRK", "ELM")

SLOTS = ["face", "cone", "cup", "hook", "air-upper", "air-lower", "contacts", "cover", "handle"]
LISTED = ["hoses", "cables", "shank", "hood"]
PIPES = {"air-upper": "MRP", "air-lower": "BP"}
# Code, what it joins, contacts, dead when uncoupled, slots.
PATTERNS = [
    ("P", "P: mechanically, by air and electrically (72 contacts)", 72, "no", SLOTS + LISTED),
    ("Q", "P mechanically and by air, not electrically; Q in full", 72, "yes", SLOTS + LISTED),
    ("H", "Draw hook; needs an assistance adapter, held at Brackwater and Elmsgate", 0, "yes", ["hook", "air-upper"]),
]
# Code, name, vehicles, pattern, share of the fleet, first digit of its numbers.
TYPES = [
    ("2V", "Type 2V", 2, "P", 18, "2"),
    ("3V", "Type 3V", 3, "P", 16, "3"),
    ("3N", "Type 3N", 3, "Q", 8, "4"),
]
RESCUE = ("RL", "Rescue locomotive", 1, "H")
# Litres that a leak test isolates, by type code and pipe.
VOLUMES = {
    "2V": {"MRP": "25", "BP": "18"},
    "3V": {"MRP": "38", "BP": "27"},
    "3N": {"MRP": "36", "BP": "26"},
}
# Kind, how many at each depot, smallest step, its unit.
GAUGES = [
    (Gauge.Kind.PRESSURE, 2, "0.05", "bar"),
    (Gauge.Kind.ELECTRICAL, 1, "0.1", "MΩ"),
    (Gauge.Kind.LENGTH, 2, "0.1", "mm"),
    (Gauge.Kind.TORQUE, 1, "1", "Nm"),
]
OVERDUE = 3  # this gauge, counted from 0, was not sent away in time


@dataclass
class Railway:
    """The rows, unsaved, and the ways to find among them. `sides` are in order of time."""

    start: datetime
    now: datetime
    places: dict[str, Place] = field(default_factory=dict)
    patterns: dict[str, CouplerPattern] = field(default_factory=dict)
    types: list[UnitType] = field(default_factory=list)
    units: list[Unit] = field(default_factory=list)
    locomotives: list[Unit] = field(default_factory=list)
    ends: list[CouplerEnd] = field(default_factory=list)
    couplers: list[Coupler] = field(default_factory=list)
    fitments: list[Fitment] = field(default_factory=list)
    events: list[FleetEvent] = field(default_factory=list)
    gauges: list[Gauge] = field(default_factory=list)
    couplings: list[Coupling] = field(default_factory=list)
    sides: list[CouplingSide] = field(default_factory=list)
    fortunes: Fortunes | None = None

    def index(self) -> None:
        """Prepare the look-ups; again whenever rows were added or an end went elsewhere."""
        self.index_letters()
        self.at_end = defaultdict(list)
        for fitment in self.fitments:
            self.at_end[fitment.end_id].append(fitment)
        self.used = defaultdict(list)
        for side in self.sides:
            self.used[side.end_id].append(side.at)

    @property
    def changes(self) -> list[Change]:
        """Ends that go to another unit, units that get another number; the rows are as before the first."""
        return self.fortunes.changes

    def change(self, change: Change) -> None:
        """Put one change into the rows and the look-ups."""
        change.happen()
        self.index_letters()

    def index_letters(self) -> None:
        self.by_letter = defaultdict(dict)
        for end in self.ends:
            self.by_letter[end.unit_id][end.letter] = end

    def coupler_at(self, end: CouplerEnd, when: datetime) -> Coupler | None:
        """The coupler fitted to an end at `when`."""
        here = (f for f in self.at_end[end.pk] if f.fitted <= when and (f.removed is None or f.removed > when))
        return next((fitment.coupler for fitment in here), None)

    def couplings_between(self, end: CouplerEnd, after: datetime, until: datetime) -> int:
        """How many times an end was brought to another after one time and up to another."""
        return bisect_right(self.used[end.pk], until) - bisect_right(self.used[end.pk], after)

    def tables(self) -> list[list]:
        """The rows by table, in the order they may be written in."""
        fleet = self.units + self.locomotives
        places, patterns = list(self.places.values()), list(self.patterns.values())
        parts = [self.couplers, self.fitments, self.events, self.gauges, self.couplings, self.sides]
        return [places, patterns, self.types, fleet, self.ends, *parts]


def build(*, units: int, years: int, now: datetime, seed: int, traffic: Traffic | None = None) -> Railway:
    """The railway with this many units after this many years of running up to `now` (aware, UTC)."""
    railway, made = plan(units=units, years=years, now=now, seed=seed, traffic=traffic)
    random, numbers = Random(f"{seed} couplings"), count(1)  # noqa: S311  (a repeatable railway)
    for number, joining in enumerate(made, 1):
        add_coupling(railway, number, numbers, joining, random)
    railway.events = railway.fortunes.events(railway.start)
    railway.gauges = gauges(railway)
    railway.index()
    return railway


def plan(
    *, units: int, years: int, now: datetime, seed: int, traffic: Traffic | None = None
) -> tuple[Railway, list[Joining]]:
    """The same railway without the rows of its couplings, events and gauges, and every joining in order of time."""
    traffic = traffic or Traffic()
    start = local(now.astimezone(LOCAL).date() - timedelta(days=DAYS_A_YEAR * years), 0)
    railway = Railway(start=start, now=now)
    lay_out(railway)
    for code, name, vehicles, pattern, numbers in fleet_list(units):
        kind = UnitType(
            pk=len(railway.types) + 1, code=code, name=name, vehicles=vehicles, volumes=VOLUMES.get(code, {})
        )
        railway.types.append(kind)
        for number in numbers:
            add_unit(railway, kind, number, railway.patterns[pattern])
    railway.fortunes = Fortunes(railway.units, railway.ends, now)
    stores = Stores(railway.ends[: 2 * units], start, now)
    stores.fill(traffic, years, Random(f"{seed} couplers"))  # noqa: S311
    railway.couplers, railway.fitments = stores.couplers, stores.fitments
    railway.index()
    return railway, joinings(railway, traffic, Random(f"{seed} traffic"))  # noqa: S311


def uuid_from(random: Random) -> UUID:
    """A version 4 uuid out of a repeatable stream."""
    return UUID(int=random.getrandbits(128), version=4)


def lay_out(railway: Railway) -> None:
    """Places and coupler patterns."""
    for pk, (code, name, kind, remote, radius, notes) in enumerate(PLACES, 1):
        railway.places[code] = Place(
            pk=pk, code=code, name=name, kind=kind, remote=remote, curve_radius_m=radius, notes=notes
        )
    for pk, (code, joins, contacts, dead, slots) in enumerate(PATTERNS, 1):
        parts = [{"slot": slot, "pipe": PIPES.get(slot, "")} for slot in slots]
        railway.patterns[code] = CouplerPattern(
            pk=pk, code=code, joins=joins, drawing=code, parts=parts, contacts=contacts, contacts_dead=dead
        )


def fleet_list(units: int):
    """(type code, name, vehicles, pattern, unit numbers) for a fleet of this size, in the scenario's proportions."""
    shares = {code: share for code, *_, share, _ in TYPES}
    split = {code: max(1, units * share // sum(shares.values())) for code, share in shares.items()}
    split["2V"] += units - sum(split.values())
    for code, name, vehicles, pattern, _, digit in TYPES:
        width = 2 if split[code] <= 99 else 4
        yield code, name, vehicles, pattern, [f"{digit}{n:0{width}d}" for n in range(1, split[code] + 1)]
    yield *RESCUE, ["901", "902"]


def add_unit(railway: Railway, kind: UnitType, number: str, pattern: CouplerPattern) -> None:
    """A unit with its ends; a locomotive has one end with a draw hook for this purpose."""
    rescue = kind.code == RESCUE[0]
    fleet = railway.locomotives if rescue else railway.units
    pk = len(railway.units) + len(railway.locomotives) + 1
    home = railway.places[DEPOTS[len(fleet) % 2]]
    unit = Unit(pk=pk, number=number, type=kind, home=home)
    fleet.append(unit)
    for letter, vehicle in [("A", 1)] if rescue else [("A", 1), ("B", kind.vehicles)]:
        railway.ends.append(
            CouplerEnd(
                pk=len(railway.ends) + 1,
                vehicle=f"{number}{vehicle:02d}",
                pattern=pattern,
                unit=unit,
                letter=letter,
            )
        )


def gauges(railway: Railway) -> list[Gauge]:
    """What the depots measure with; one was not sent away in time."""
    today, rows = railway.now.astimezone(LOCAL).date(), []
    for code in DEPOTS:
        for kind, how_many, step, unit in GAUGES:
            for _ in range(how_many):
                n = len(rows)
                due = today + timedelta(days=-12 if n == OVERDUE else 40 + 23 * n)
                rows.append(
                    Gauge(
                        pk=n + 1,
                        number=f"{code}-{kind[0].upper()}{n + 1:02d}",
                        kind=kind,
                        depot=railway.places[code],
                        step=Decimal(step),
                        unit=unit,
                        calibrated_until=due,
                        certificate=f"OV {4100 + 7 * n}",
                    )
                )
    return rows


def add_coupling(railway: Railway, number: int, numbers, joining: Joining, random: Random) -> None:
    """The rows of one coupling or attempt."""
    outcomes, at = Coupling.Outcome, joining.at
    coupling = Coupling(
        pk=number,
        uuid=uuid_from(random),
        at=at,
        parted=joining.parted if joining.parted <= railway.now else None,
        place=railway.places[joining.place],
        stage=joining.stage,
        outcome=outcomes.NOT_COUPLED if joining.failed else outcomes.COUPLED,
        source="driver's record",
        source_ref=f"{at:%Y%m%d}-{number}",
        received=at + timedelta(minutes=3),
    )
    railway.couplings.append(coupling)
    for end in joining.pair:
        railway.sides.append(CouplingSide(pk=next(numbers), coupling=coupling, end=end, at=at))
