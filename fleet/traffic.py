"""How the invented railway runs: every day units join in pairs in two waves and part again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from random import Random
from zoneinfo import ZoneInfo

from fleet.models import CouplerEnd, Unit

LOCAL = ZoneInfo("Europe/London")
UTC = ZoneInfo("UTC")
JOINS_AT = {"SKJ": 34, "PEN": 28, "WEN": 16, "BRK": 6, "ELM": 6, "THO": 6, "SAL": 4}
# Minutes after local midnight: units join from, to; part from, to. Nights are for the depots.
WAVES = [(300, 450, 540, 660), (900, 1020, 1110, 1350)]
NIGHT = 23 * 60 + 40


@dataclass(frozen=True)
class Traffic:
    """How the railway runs, at plain rates. What is to stand out is planted by overriding fields and methods."""

    runs: float = 0.999  # of the pairs that could be made, in each wave of a day
    failed: float = 0.004  # of joinings, at the first attempt
    second_try: float = 0.85  # of failed ones
    swaps: float = 0.476  # couplers changed for a spare, per unit and year
    # A coupler's serial, the end it is at first, and the end it changes places with half way.
    carried_over: tuple[str, str, str] | None = None

    def chance_of_failure(self, place: str, ends: tuple[CouplerEnd, CouplerEnd], at: datetime) -> float:
        """The chance that this joining fails at the first attempt."""
        return self.failed


@dataclass(frozen=True, slots=True)
class Joining:
    """Two ends brought together; `stage` is how far it came, `failed` that it did not end coupled."""

    at: datetime
    parted: datetime
    place: str
    pair: tuple[CouplerEnd, CouplerEnd]
    stage: str
    failed: bool


def local(day: date, minutes: int) -> datetime:
    """The UTC time at this many minutes after local midnight, by the clock on the wall."""
    hours, minutes = divmod(minutes, 60)
    return datetime(day.year, day.month, day.day, hours, minutes, tzinfo=LOCAL).astimezone(UTC)


def joinings(railway, traffic: Traffic, random: Random) -> list[Joining]:
    """Every joining and attempt of the years, in order of time; nothing lies after the railway's now."""
    today = railway.now.astimezone(LOCAL).date()
    day = railway.start.astimezone(LOCAL).date()
    made = []
    while day <= today:
        ends = railway.fortunes.ends_on(day)
        made += [joining for joining in one_day(traffic, day, ends, random) if joining.at < railway.now]
        day += timedelta(days=1)
    made.sort(key=lambda joining: (joining.at, joining.pair[0].pk))
    return [joining for joining in made if joining.at + timedelta(minutes=3) <= railway.now]


def one_day(traffic: Traffic, day: date, ends: dict[Unit, list[CouplerEnd]], random: Random) -> Iterator[Joining]:
    """The joinings of one day among the units that run; `ends`: unit → its two ends that day."""
    codes, weights = list(JOINS_AT), list(JOINS_AT.values())
    for join_from, join_to, part_from, part_to in WAVES:
        order = list(ends.values())
        random.shuffle(order)
        for one, other in zip(order[::2], order[1::2], strict=False):
            if random.random() > traffic.runs:
                continue
            at = local(day, random.randrange(join_from, join_to))
            parted = local(day, random.randrange(part_from, part_to))
            pair = random.choice(one), random.choice(other)
            yield from tries(traffic, random.choices(codes, weights)[0], pair, at, parted, random)


def tries(traffic: Traffic, place: str, pair, at: datetime, parted: datetime, random: Random) -> Iterator[Joining]:
    """One joining: the attempt, and a second one where the first failed."""
    if random.random() >= traffic.chance_of_failure(place, pair, at):
        yield Joining(at, parted, place, pair, full_stage(pair), False)
        return
    stage = random.choices(["none", "contact", "locked", "air"], [1, 5, 2, 2])[0]
    yield Joining(at, at + timedelta(minutes=2), place, pair, stage, True)
    if random.random() < traffic.second_try:
        yield Joining(at + timedelta(minutes=6), parted, place, pair, full_stage(pair), False)


def full_stage(pair) -> str:
    """Everything that can join has joined: P and Q do not join electrically."""
    return "full" if pair[0].pattern_id == pair[1].pattern_id else "air"
