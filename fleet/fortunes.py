"""What befalls the units and couplers of the invented railway over the years, in days before its present.

Two units exchange driving vehicles, one is renumbered, one is hired and comes late, one stands in store. Couplers are
changed for spares. Small or young railways have fewer of these.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from random import Random

from fleet.models import Coupler, CouplerEnd, Fitment, FleetEvent, Unit
from fleet.traffic import LOCAL, NIGHT, Traffic, local

EXCHANGED, RENUMBERED, HIRED, STORED, BACK = 224, 300, 330, 520, 398
SPARES = 12 / 84  # spare couplers for each one fitted
# Kind, days between, words.
KEPT_UP = [
    (FleetEvent.Kind.EXAM, 182, "Exam"),
    (FleetEvent.Kind.WASH, 28, ""),
    (FleetEvent.Kind.WHEELS, 410, "Wheels turned, heads measured"),
]


@dataclass(frozen=True)
class Change:
    """Both ends of a unit that gets another number, or the two that go to each other's unit, at a time."""

    at: datetime
    ends: tuple[CouplerEnd, CouplerEnd]
    number: str = ""

    def happen(self) -> None:
        """Put it into the rows."""
        one, other = self.ends
        if self.number:
            one.unit.number = self.number
        else:
            one.unit, other.unit = other.unit, one.unit


class Fortunes:
    """`changes` in order of time; `units` are the multiple units in order, `ends` all their ends."""

    def __init__(self, units: list[Unit], ends: list[CouplerEnd], now: datetime):
        self.today = now.astimezone(LOCAL).date()
        self.of_unit = {unit: [end for end in ends if end.unit_id == unit.pk] for unit in units}
        of_type = defaultdict(list)
        for unit in units:
            of_type[unit.type.code].append(unit)
        two, three, hired = (of_type[code] for code in ("2V", "3V", "3N"))
        self.exchanged = tuple(two[-2:]) if len(two) > 2 else ()
        self.renumbered = three[-1] if len(three) > 1 else None
        self.stored = three[len(three) // 3] if len(three) > 1 else None
        self.hired = hired[-1] if len(hired) > 1 else None
        self.changes = self.planned()

    def ago(self, days: int) -> date:
        return self.today - timedelta(days=days)

    def planned(self) -> list[Change]:
        """The changes; a unit that will be renumbered gets its old number, a hired one its status."""
        changes = []
        if self.hired:
            self.hired.status = Unit.Status.HIRED
        if self.renumbered:
            number = self.renumbered.number
            self.renumbered.number = f"{number[0]}{int(number[1:]) + 15:0{len(number) - 1}d}"
            changes.append(Change(local(self.ago(RENUMBERED), NIGHT), tuple(self.of_unit[self.renumbered]), number))
        if self.exchanged:
            ends = tuple(self.of_unit[unit][1] for unit in self.exchanged)
            changes.append(Change(local(self.ago(EXCHANGED), NIGHT), ends))
        return changes

    def ends_on(self, day: date) -> dict[Unit, list[CouplerEnd]]:
        """Unit → its two ends, of the units that run that day."""
        running = {unit: ends for unit, ends in self.of_unit.items() if not self.idle(unit, day)}
        if self.exchanged and day > self.ago(EXCHANGED):
            one, other = self.exchanged
            a, b = self.of_unit[one], self.of_unit[other]
            running |= {one: [a[0], b[1]], other: [b[0], a[1]]}
        return running

    def idle(self, unit: Unit, day: date) -> bool:
        """True where a unit does not run: not come yet, or stored."""
        if unit is self.hired:
            return day < self.ago(HIRED)
        return unit is self.stored and self.ago(STORED) <= day < self.ago(BACK)

    def events(self, start: datetime) -> list[FleetEvent]:
        """Exams, washes, wheel turning, the time in store: unsaved rows, in order of unit and time."""
        first, rows = start.astimezone(LOCAL).date(), []
        for n, unit in enumerate(self.of_unit):
            for kind, every, note in KEPT_UP:
                day = first + timedelta(days=(n * 37) % every)
                while day < self.today:
                    if not self.idle(unit, day):
                        rows.append(event(unit, kind, local(day, NIGHT), timedelta(hours=3), note))
                    day += timedelta(days=every)
        if self.stored and self.ago(STORED) > first:
            since = local(self.ago(STORED), NIGHT)
            rows.append(event(self.stored, FleetEvent.Kind.STORED, since, timedelta(days=STORED - BACK), "No work"))
        for pk, row in enumerate(rows, 1):
            row.pk = pk
        return rows


def event(unit: Unit, kind: str, since: datetime, lasts: timedelta, note: str) -> FleetEvent:
    return FleetEvent(unit=unit, kind=kind, since=since, until=since + lasts, note=note)


class Stores:
    """Couplers with serials at every end, some spares, and the swaps of the years, as unsaved rows."""

    def __init__(self, ends: list[CouplerEnd], start: datetime, now: datetime):
        self.ends, self.start, self.now = ends, start, now
        self.couplers: list[Coupler] = []
        self.fitments: list[Fitment] = []
        self.inside: dict[int, Fitment] = {}  # end's pk → the fitment in place
        self.spare = defaultdict(list)  # pattern code → (free from, coupler)

    def fill(self, traffic: Traffic, years: int, random: Random) -> None:
        """Everything, in order."""
        carried = traffic.carried_over if self.can_carry(traffic.carried_over) else None
        for code in ("P", "Q"):
            self.first_couplers(code, carried, random)
        days = (self.now.astimezone(LOCAL).date() - self.start.astimezone(LOCAL).date()).days
        count = round(traffic.swaps * len(self.ends) / 2 * years)
        nights = sorted([(random.randrange(days - 1), 0) for _ in range(count)] + [(days // 2, 1)] * bool(carried))
        for night, over in nights:
            at = local(self.start.astimezone(LOCAL).date() + timedelta(days=night), NIGHT)
            if over:
                self.carry_over(carried, at)
            else:
                self.swap(at, carried, random)

    def can_carry(self, carried: tuple[str, str, str] | None) -> bool:
        """True where both ends exist."""
        return bool(carried) and {carried[1], carried[2]} <= {str(end) for end in self.ends}

    def first_couplers(self, code: str, carried, random: Random) -> None:
        """Those at the ends, then the spares."""
        ends = [end for end in self.ends if end.pattern.code == code]
        serials = [f"{code}-{101 + n:04d}" for n in range(len(ends) + max(1, round(len(ends) * SPARES)))]
        names = [str(end) for end in ends]
        if carried and carried[0] in serials:
            here, there = serials.index(carried[0]), names.index(carried[1])
            serials[here], serials[there] = serials[there], serials[here]
        for n, serial in enumerate(serials):
            pattern = ends[0].pattern
            coupler = Coupler(pk=len(self.couplers) + 1, serial=serial, pattern=pattern)
            self.couplers.append(coupler)
            if n < len(ends):
                self.fit(coupler, ends[n], self.start - timedelta(days=random.randint(30, 900)))
            else:
                self.spare[code].append((self.start, coupler))

    def swap(self, removed: datetime, carried, random: Random) -> None:
        """One coupler for a spare, where there is a spare and the end has not just had one."""
        end = self.ends[random.randrange(len(self.ends))]
        free = [spare for spare in self.spare[end.pattern.code] if spare[0] <= removed]
        old = self.inside[end.pk]
        if not free or old.fitted >= removed - timedelta(days=1) or (carried and str(end) in carried):
            return
        spare = random.choice(free)
        self.spare[end.pattern.code].remove(spare)
        self.spare[end.pattern.code].append((removed + timedelta(days=random.randint(14, 60)), old.coupler))
        old.removed = removed
        self.fit(spare[1], end, removed + timedelta(minutes=random.randint(140, 260)))

    def carry_over(self, carried: tuple[str, str, str], at: datetime) -> None:
        """The coupler and that of the other end change places in one night."""
        one, other = (next(end for end in self.ends if str(end) == name) for name in carried[1:])
        first, second = self.inside[one.pk], self.inside[other.pk]
        first.removed = second.removed = at
        self.fit(second.coupler, one, at + timedelta(minutes=200))
        self.fit(first.coupler, other, at + timedelta(minutes=230))

    def fit(self, coupler: Coupler, end: CouplerEnd, fitted: datetime) -> None:
        self.inside[end.pk] = Fitment(pk=len(self.fitments) + 1, coupler=coupler, end=end, fitted=fitted)
        self.fitments.append(self.inside[end.pk])
