"""The invented Ostrel Valley Railway: what exists and how it runs, made from a seed, as unsaved rows.

Everything here is made up. The demonstration, tests and benchmarks share it; it takes a size. Rows carry their
primary keys from the start, so that what refers to them can be made before anything is written, and so that the same
seed gives the same rows on every database.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from itertools import count
from random import Random
from uuid import UUID
from zoneinfo import ZoneInfo

from fleet.models import Coupler, CouplerEnd, CouplerPattern, Coupling, CouplingSide, Fitment, Place, Unit, UnitType

LOCAL = ZoneInfo("Europe/London")
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
JOINS_AT = {"SKJ": 34, "PEN": 28, "WEN": 16, "BRK": 6, "ELM": 6, "THO": 6, "SAL": 4}

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
SPARES = 12 / 84  # spare couplers for each one fitted

# Minutes after local midnight: units join from, to; part from, to. Nights are for the depots.
WAVES = [(300, 450, 540, 660), (900, 1020, 1110, 1350)]
NIGHT = 23 * 60 + 40


@dataclass(frozen=True)
class Traffic:
    """How the railway runs, at plain rates. What is to stand out is planted by overriding the methods."""

    runs: float = 0.975  # of the pairs that could be made, in each wave of a day
    failed: float = 0.004  # of joinings, at the first attempt
    second_try: float = 0.85  # of failed ones
    swaps: float = 0.476  # couplers changed for a spare, per unit and year

    def chance_of_failure(self, place: str, ends: tuple[CouplerEnd, CouplerEnd], at: datetime) -> float:
        """The chance that this joining fails at the first attempt."""
        return self.failed


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
    couplings: list[Coupling] = field(default_factory=list)
    sides: list[CouplingSide] = field(default_factory=list)

    def index(self) -> None:
        """Prepare the look-ups; again whenever rows were added."""
        self.by_letter = defaultdict(dict)
        for end in self.ends:
            self.by_letter[end.unit_id][end.letter] = end
        self.at_end = defaultdict(list)
        for fitment in self.fitments:
            self.at_end[fitment.end_id].append(fitment)
        self.used = defaultdict(list)
        for side in self.sides:
            self.used[side.end_id].append(side.at)

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
        parts = [self.couplers, self.fitments, self.couplings, self.sides]
        return [places, patterns, self.types, fleet, self.ends, *parts]


def build(*, units: int, years: int, now: datetime, seed: int, traffic: Traffic | None = None) -> Railway:
    """The railway with this many units after this many years of running up to `now` (aware, UTC)."""
    traffic = traffic or Traffic()
    today = now.astimezone(LOCAL).date()
    start = today - timedelta(days=DAYS_A_YEAR * years)
    railway = Railway(start=local(start, 0), now=now)
    lay_out(railway)
    for code, name, vehicles, pattern, numbers in fleet_list(units):
        kind = UnitType(pk=len(railway.types) + 1, code=code, name=name, vehicles=vehicles)
        railway.types.append(kind)
        for number in numbers:
            add_unit(railway, kind, number, railway.patterns[pattern])
    fit_couplers(railway, traffic, years, Random(f"{seed} couplers"))  # noqa: S311  (a repeatable railway)
    run_trains(railway, traffic, start, today, Random(f"{seed} traffic"))  # noqa: S311
    railway.index()
    return railway


def local(day: date, minutes: int) -> datetime:
    """The UTC time at this many minutes after local midnight, by the clock on the wall."""
    hours, minutes = divmod(minutes, 60)
    wall = datetime(day.year, day.month, day.day, hours, minutes, tzinfo=LOCAL)
    return wall.astimezone(ZoneInfo("UTC"))


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


def fit_couplers(railway: Railway, traffic: Traffic, years: int, random: Random) -> None:
    """A coupler with a serial at every end, some spares, and the swaps of the years."""
    spares = defaultdict(list)  # pattern code → (free from, coupler)
    inside = {}  # end's pk → the fitment in place
    for code in ("P", "Q"):
        ends = [end for end in railway.ends if end.pattern.code == code]
        for n in range(len(ends) + max(1, round(len(ends) * SPARES))):
            coupler = Coupler(
                pk=len(railway.couplers) + 1, serial=f"{code}-{101 + n:04d}", pattern=railway.patterns[code]
            )
            railway.couplers.append(coupler)
            if n < len(ends):
                since = railway.start - timedelta(days=random.randint(30, 900))
                inside[ends[n].pk] = fit(railway, coupler, ends[n], since)
            else:
                spares[code].append((railway.start, coupler))
    days = DAYS_A_YEAR * years
    first = railway.start.astimezone(LOCAL).date()
    nights = sorted(random.randrange(days - 1) for _ in range(round(traffic.swaps * len(railway.units) * years)))
    for night in nights:
        removed = local(first + timedelta(days=night), NIGHT)
        end = railway.ends[random.randrange(len(railway.units) * 2)]
        free = [spare for spare in spares[end.pattern.code] if spare[0] <= removed]
        old = inside[end.pk]
        if not free or old.fitted >= removed - timedelta(days=1):
            continue
        spare = random.choice(free)
        spares[end.pattern.code].remove(spare)
        spares[end.pattern.code].append((removed + timedelta(days=random.randint(14, 60)), old.coupler))
        old.removed = removed
        inside[end.pk] = fit(railway, spare[1], end, removed + timedelta(minutes=random.randint(140, 260)))


def fit(railway: Railway, coupler: Coupler, end: CouplerEnd, fitted: datetime) -> Fitment:
    """Add a fitment and return it."""
    fitment = Fitment(pk=len(railway.fitments) + 1, coupler=coupler, end=end, fitted=fitted)
    railway.fitments.append(fitment)
    return fitment


def run_trains(railway: Railway, traffic: Traffic, first: date, today: date, random: Random) -> None:
    """Every day: units join in pairs in two waves and part again. Nothing lies after `now`."""
    ends = {unit.pk: railway.ends[2 * n : 2 * n + 2] for n, unit in enumerate(railway.units)}
    codes, weights = list(JOINS_AT), list(JOINS_AT.values())
    made = []
    for day in (first + timedelta(days=n) for n in range((today - first).days + 1)):
        for join_from, join_to, part_from, part_to in WAVES:
            order = railway.units[:]
            random.shuffle(order)
            for one, other in zip(order[::2], order[1::2], strict=False):
                if random.random() > traffic.runs:
                    continue
                at = local(day, random.randrange(join_from, join_to))
                parted = local(day, random.randrange(part_from, part_to))
                pair = random.choice(ends[one.pk]), random.choice(ends[other.pk])
                made += joinings(traffic, random.choices(codes, weights)[0], pair, at, parted, random)
    made.sort(key=lambda joining: (joining[0], joining[3][0].pk))
    numbers = count(1)
    for number, (at, parted, place, pair, stage) in enumerate(made, 1):
        if at + timedelta(minutes=3) <= railway.now:
            add_coupling(railway, number, numbers, at, parted, place, pair, stage, random)


def joinings(traffic: Traffic, place: str, pair, at: datetime, parted: datetime, random: Random):
    """(at, parted, place, ends, stage) of one joining: the attempt, and a second one where the first failed."""
    if random.random() >= traffic.chance_of_failure(place, pair, at):
        return [(at, parted, place, pair, full_stage(pair))]
    stage = random.choices(["none", "contact", "locked", "air"], [1, 5, 2, 2])[0]
    tries = [(at, at + timedelta(minutes=2), place, pair, f"not {stage}")]
    if random.random() < traffic.second_try:
        tries.append((at + timedelta(minutes=6), parted, place, pair, full_stage(pair)))
    return tries


def full_stage(pair) -> str:
    """Everything that can join has joined: P and Q do not join electrically."""
    return "full" if pair[0].pattern_id == pair[1].pattern_id else "air"


def add_coupling(railway: Railway, number, numbers, at, parted, place, pair, stage, random: Random) -> None:
    """The rows of one coupling or attempt."""
    failed = stage.startswith("not ")
    coupling = Coupling(
        pk=number,
        uuid=uuid_from(random),
        at=at,
        parted=parted if parted <= railway.now else None,
        place=railway.places[place],
        stage=stage.removeprefix("not "),
        outcome=Coupling.Outcome.NOT_COUPLED if failed else Coupling.Outcome.COUPLED,
        source="driver's record",
        source_ref=f"{at:%Y%m%d}-{number}",
        received=at + timedelta(minutes=3),
    )
    railway.couplings.append(coupling)
    for end in pair:
        railway.sides.append(CouplingSide(pk=next(numbers), coupling=coupling, end=end, at=at))
