"""Leak-test arithmetic (`trade.md` §6): two readings of a gauge → litres a minute, how sure, and what follows.

Pure. Decimals throughout: the readings are typed in as decimals, a limit of 0.2 bar must be met by 9.00 → 8.80 to the
digit, and the same readings must give the same digits on every machine. Rounding never turns an order round, so a
larger step or a warmer end cannot slip past a comparison.

Pressures are bar on the gauge, made absolute with the barometer; temperatures are °C, made kelvin; volumes litres;
times minutes. Free air is air at the reference of ISO 8778: 20 °C, 1 bar absolute.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_CEILING, Context, Decimal, localcontext

ZERO_C = Decimal("273.15")
REFERENCE_K = Decimal("293.15")
REFERENCE_BAR = Decimal(1)
STANDARD_BAROMETER = Decimal("1.013")
THERMOMETER_K = Decimal("0.3")  # standard uncertainty of a temperature that was read
NOT_READ_K = Decimal(3)  # a temperature that was not read may be off by this much, either way
ROUND_TO = 5  # minutes; what a person times
LONG = 30  # minutes; beyond it the air does not keep its temperature
PASS, FAIL, REPEAT, INVALID = VERDICTS = ("pass", "fail", "repeat", "invalid")
# Field → its words, the least and the most that a depot's test can have.
BOUNDS = {
    "start": ("Pressure at the start", Decimal("0.1"), Decimal(20), "bar"),
    "end": ("Pressure at the end", Decimal(0), Decimal(20), "bar"),
    "minutes": ("Time between the readings", Decimal(1), Decimal(240), "min"),
    "volume": ("Volume of the section", Decimal("0.1"), Decimal(2000), "L"),
    "step": ("Smallest step of the gauge", Decimal("0.0001"), Decimal(1), "bar"),
    "start_c": ("Temperature at the start", Decimal(-50), Decimal(70), "°C"),
    "end_c": ("Temperature at the end", Decimal(-50), Decimal(70), "°C"),
    "barometer": ("Barometer", Decimal("0.8"), Decimal("1.1"), "bar"),
    "thermometer": ("Uncertainty of the thermometer", Decimal(0), Decimal(5), "K"),
    "limit": ("Limit", Decimal("0.0001"), Decimal(10_000), "L/min"),
    "drop": ("Limit of the pressure drop", Decimal("0.0001"), Decimal(20), "bar"),
}
MAY_BE_MISSING = ("start_c", "end_c")
ARITHMETIC = Context(prec=28)


class BadReading(ValueError):
    """A value that no test can have; `field` names it, the message says why in words."""

    def __init__(self, field: str, words: str):
        super().__init__(words)
        self.field = field


@dataclass(frozen=True, slots=True)
class Readings:
    """What was read. Raises BadReading naming the field.

    Gauge pressures `start` and `end` (bar), `minutes` between them, the section's `volume` (L), the smallest readable
    `step` of the gauge (bar), air temperatures (°C, None where not read), `barometer` (bar absolute), and the
    standard uncertainty of a temperature that was read, `thermometer` (K).
    """

    start: Decimal
    end: Decimal
    minutes: Decimal
    volume: Decimal
    step: Decimal
    start_c: Decimal | None = None
    end_c: Decimal | None = None
    barometer: Decimal = STANDARD_BAROMETER
    thermometer: Decimal = THERMOMETER_K

    def __post_init__(self) -> None:
        for field in self.__slots__:
            value = getattr(self, field)
            if value is not None or field not in MAY_BE_MISSING:
                object.__setattr__(self, field, checked(field, value))

    @property
    def temperatures_read(self) -> bool:
        """True where both were read, so that cooling and warming can be told from a leak."""
        return self.start_c is not None and self.end_c is not None

    @property
    def kelvin(self) -> tuple[Decimal, Decimal]:
        """Start and end in kelvin; where one was not read, both are the reference (equal temperature, §6)."""
        if self.temperatures_read:
            return self.start_c + ZERO_C, self.end_c + ZERO_C
        return REFERENCE_K, REFERENCE_K

    @property
    def absolute(self) -> tuple[Decimal, Decimal]:
        """Start and end in bar absolute."""
        return self.start + self.barometer, self.end + self.barometer


@dataclass(frozen=True, slots=True)
class Result:
    """What the readings say.

    `leak` (negative: air came in), `uncertainty` (k = 2) and `limit` are L/min of free air; `drop` is what the gauge
    lost, `cooling` what the temperature alone took of it (negative: it warmed), `mean` the mean pressure, all bar on
    the gauge. `why` is one sentence; `again` the minutes the next test should last, None unless it is "repeat".
    """

    leak: Decimal
    uncertainty: Decimal
    limit: Decimal
    verdict: str
    why: str
    drop: Decimal
    cooling: Decimal
    mean: Decimal
    again: int | None = None

    @property
    def least(self) -> Decimal:
        """The smallest leak these readings allow, L/min."""
        return self.leak - self.uncertainty

    @property
    def most(self) -> Decimal:
        """The largest leak these readings allow, L/min."""
        return self.leak + self.uncertainty


@dataclass(frozen=True, slots=True)
class Picture:
    """Points of time (min) and pressure on the gauge (bar).

    From `start` to where the pressure was read (`read`), to where the temperature alone would have brought it
    (`tight`) and to where a leak exactly at the limit would have (`at_limit`). `either_way`: uncertainty of the drop.
    """

    start: tuple[Decimal, Decimal]
    read: tuple[Decimal, Decimal]
    tight: tuple[Decimal, Decimal]
    at_limit: tuple[Decimal, Decimal]
    either_way: Decimal


def checked(field: str, value: object) -> Decimal:
    """The value as a Decimal within the bounds of its field; BadReading otherwise. Whole numbers will do."""
    words, least, most, unit = BOUNDS[field]
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not Decimal(value).is_finite():
        raise BadReading(field, f"“{words}”: enter a number")
    if not least <= value <= most:
        raise BadReading(field, f"“{words}” is between {least} and {most} {unit}")
    return Decimal(value)


def leak(r: Readings) -> Decimal:
    """Free-air leak in L/min: (V/t)·(Tn/pn)·(p1/T1 − p2/T2), multiplied out so that exact readings stay exact."""
    (p1, p2), (t1, t2) = r.absolute, r.kelvin
    with localcontext(ARITHMETIC):
        return r.volume * (p1 - p2 * t1 / t2) * REFERENCE_K / (t1 * REFERENCE_BAR * r.minutes)


def uncertainty_bar(r: Readings) -> Decimal:
    """Expanded uncertainty (k = 2) of the corrected drop in bar: 2·√(r²/6 + Σ(p·u/T)²).

    p is the higher pressure, T the start's; u of a temperature not read is ± 3 K as a rectangle, 3/√3. Never below
    what can be at worst: the gauge's step, and 3 K for each temperature not read.
    """
    p, t = max(r.absolute), r.kelvin[0]
    with localcontext(ARITHMETIC):
        missing = sum(value is None for value in (r.start_c, r.end_c))
        variance = (2 - missing) * r.thermometer**2 + missing * NOT_READ_K**2 / 3
        combined = 2 * (r.step**2 / 6 + variance * (p / t) ** 2).sqrt()
        return max(combined, r.step + missing * NOT_READ_K * p / t)


def uncertainty(r: Readings) -> Decimal:
    """Expanded uncertainty (k = 2) of the leak in L/min, never below V·r/(pn·t); air below 20 °C makes it larger."""
    with localcontext(ARITHMETIC):
        colder = max(Decimal(1), REFERENCE_K / r.kelvin[0])
        return uncertainty_bar(r) * r.volume * colder / (REFERENCE_BAR * r.minutes)


def limit_of_drop(drop: Decimal, minutes: Decimal, volume: Decimal) -> Decimal:
    """A limit "so many bar in so many minutes" as L/min of free air for a section of this volume (L): V·Δp/(pn·t)."""
    drop, minutes, volume = checked("drop", drop), checked("minutes", minutes), checked("volume", volume)
    with localcontext(ARITHMETIC):
        return volume * drop / (REFERENCE_BAR * minutes)


def judge(r: Readings, limit: Decimal) -> Result:
    """Pass where even the most these readings allow is within `limit` (L/min), fail where even the least is over it;
    repeat in between; invalid where more air came in than the uncertainty explains. Raises BadReading."""
    limit = checked("limit", limit)
    (_, p2), (t1, t2) = r.absolute, r.kelvin
    with localcontext(ARITHMETIC):
        found, either_way = leak(r), uncertainty(r)
        verdict, why, again = verdict_of(r, found, either_way, limit)
        drop, cooling, mean = r.start - r.end, p2 * t1 / t2 - p2, (r.start + r.end) / 2
        return Result(found, either_way, limit, verdict, why, drop, cooling, mean, again)


def verdict_of(r: Readings, found: Decimal, either_way: Decimal, limit: Decimal) -> tuple[str, str, int | None]:
    """(verdict, sentence, minutes of the next test or None)."""
    if found < -either_way:
        return INVALID, invalid_because(r), None
    if found + either_way <= limit:
        return PASS, "Even at its largest the leak is within the limit.", None
    if found - either_way > limit:
        return FAIL, "Even at its smallest the leak is over the limit.", None
    again = next_minutes(r, limit)
    return REPEAT, f"Too close to tell. Repeat for {again} minutes.{sooner(r, again)}", again


def invalid_because(r: Readings) -> str:
    """Why more air at the end than at the start is no test."""
    if r.temperatures_read:
        return "There is more air at the end than at the start: the supply passes, or the air was not settled."
    return "The pressure rose: the air warmed, or the supply passes. Read both temperatures."


def sooner(r: Readings, again: int) -> str:
    """What would tell sooner than waiting; "" where a test as long as that is nothing unusual."""
    if not r.temperatures_read:
        return " With both temperatures read it tells sooner."
    return " A gauge with a finer step tells sooner." if again > LONG else ""


def next_minutes(r: Readings, limit: Decimal) -> int:
    """How long the next test should last: in whole fives, and always longer than this one.

    Until the uncertainty is a quarter of the limit, t ≥ 4·U·V/(pn·Q); where it was that good already, twice as long.
    """
    with localcontext(ARITHMETIC):
        quarter = 4 * uncertainty(r) * r.minutes / limit
        wanted = quarter if quarter > r.minutes else 2 * r.minutes
        return ROUND_TO * int((wanted / ROUND_TO).to_integral_value(ROUND_CEILING))


def picture(r: Readings, limit: Decimal) -> Picture:
    """The points to draw for these readings and this limit (L/min). At a pressure below zero the limit's end is 0."""
    (p1, _), (t1, t2) = r.absolute, r.kelvin
    with localcontext(ARITHMETIC):
        gone = checked("limit", limit) * REFERENCE_BAR * r.minutes / (r.volume * REFERENCE_K)
        tight = p1 * t2 / t1 - r.barometer
        at_limit = max((p1 / t1 - gone) * t2 - r.barometer, Decimal(0))
    zero = Decimal(0)
    return Picture((zero, r.start), (r.minutes, r.end), (r.minutes, tight), (r.minutes, at_limit), uncertainty_bar(r))
