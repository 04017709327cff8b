"""The same years without a database: what fails where, when it is repaired and whether that holds, in days.

Draws from the same rates, traffic and seals as the demonstration; leaves out who said what. How long a fault waits
follows the mix of categories that the shipped rules give the demonstration's findings.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from heapq import heappop, heappush
from random import Random

from fleet.models import FleetEvent
from fleet.railway import Railway
from fleet.traffic import LOCAL, Joining
from inspections.demonstration import truths
from inspections.demonstration.course import NIGHTS
from inspections.demonstration.rates import RENEWING, Rates, Where
from inspections.demonstration.seals import FAILED, OTHER, PLANNED, SealLife, Seals
from inspections.demonstration.wear import AIR, NEW_SEAL, WORN

CATEGORIES = (0, 17, 63, 20)  # percent of the demonstration's findings, by worst category
LAST = 2.5  # days before now in which nothing is begun that would not be over
DAY = timedelta(days=1)


@dataclass(slots=True)
class Fault:
    """A finding: `end` and `coupler` by place in the railway's lists, -1 none; `mode`, `action`, `depot` codes.
    `back`: when it came back; `merged`: not counted."""

    end: int
    component: str
    slot: str
    symptom: str
    coupler: int
    seen: float
    closed: float
    depot: str
    worn: SealLife | None = None
    planted: bool = False
    repeat: bool = False
    action: str = ""
    outcome: str = ""
    back: float = float("nan")


class Years:
    """One railway's years played through; the results are `faults`, `seals` and `covers`."""

    def __init__(self, railway: Railway, made: list[Joining], rates: Rates, rules, random: Random):
        self.railway, self.rates, self.rules, self.random = railway, rates, rules, random
        self.days = (railway.now - railway.start) / DAY
        self.ends = {end.pk: n for n, end in enumerate(railway.ends)}
        self.met: dict[int, list[tuple[float, int, str]]] = defaultdict(list)
        self.faults: list[Fault] = []
        self.open: dict[tuple[int, str], bool] = {}
        self.last_closed: dict[tuple[int, str], Fault] = {}
        self.covers: list[tuple[int, float, float | None]] = []
        self.cover_since: dict[int, float] = {}
        self.agenda: list[tuple] = []
        self.seals = Seals(random)
        self.meet(made)
        self.times = {end: [row[0] for row in rows] for end, rows in self.met.items()}
        self.wear()
        self.bend_pins()
        while self.agenda:
            at, _, act, args = heappop(self.agenda)
            act(at, *args)

    def at(self, when: float, act, *args) -> None:
        heappush(self.agenda, (when, self.random.random(), act, args))

    def day(self, at) -> float:
        return (at - self.railway.start) / DAY

    def meet(self, made: list[Joining]) -> None:
        """Who met whom, and what failed there."""
        names = [str(end) for end in self.railway.ends]
        for joining in made:
            at, month = self.day(joining.at), joining.at.astimezone(LOCAL).month
            pair = [self.ends[end.pk] for end in joining.pair]
            for n, end in enumerate(joining.pair):
                here, there = pair[n], pair[1 - n]
                self.met[here].append((at, there, joining.stage))
                fitted = self.railway.coupler_at(end, joining.at)
                serial, kind = fitted.serial if fitted else "", end.unit.type.code
                where = Where(names[here], kind, end.pattern.code, serial, self.days - at, month)
                part = self.rates.fault(where, self.random)
                if part:
                    self.at(at, self.fault, here, part)

    def wear(self) -> None:
        """Seals, swaps, exams."""
        for fitment in self.railway.fitments:
            if fitment.fitted < self.railway.start:
                for life in self.seals.found(fitment.coupler_id):
                    self.watch(life)
            else:
                self.at(self.day(fitment.fitted), self.fitted, fitment.coupler_id)
            if fitment.removed:
                self.at(self.day(fitment.removed), self.overhauled, fitment.coupler_id)
        for event in self.railway.fortunes.events(self.railway.start):
            if event.kind == FleetEvent.Kind.EXAM:
                running = self.railway.fortunes.ends_on(event.since.astimezone(LOCAL).date())
                self.at(self.day(event.until), self.exam, event.until, running.get(event.unit, []))

    def watch(self, life: SealLife) -> None:
        if life.wears < self.days:
            self.at(life.wears, self.worn, life)

    def worn(self, at: float, life: SealLife) -> None:
        """Seen at the next coupling of the end it is at."""
        end = self.end_with(life.coupler, at) if life.removed is None else -1
        n = bisect_right(self.times.get(end, []), at)
        if end >= 0 and n < len(self.times[end]):
            self.at(self.times[end][n], self.fault, end, life.slot, self.random.choice(WORN), life)

    def end_with(self, coupler: int, at: float) -> int:
        """Where a coupler is."""
        when = self.railway.start + timedelta(days=at)
        for f in self.railway.fitments:
            if f.coupler_id == coupler and f.fitted <= when and (f.removed is None or f.removed > when):
                return self.ends[f.end_id]
        return -1

    def coupler_of(self, end: int, at: float) -> int:
        """The coupler (its key) at an end; 0 for none."""
        fitted = self.railway.coupler_at(self.railway.ends[end], self.railway.start + timedelta(days=at))
        return fitted.pk if fitted else 0

    def fitted(self, at: float, coupler: int) -> None:
        for slot in truths.SEALS:
            self.watch(self.seals.new(coupler, slot, at))

    def overhauled(self, at: float, coupler: int) -> None:
        for slot in truths.SEALS:
            if life := self.seals.inside.get((coupler, slot)):
                self.seals.take(life, at, OTHER)

    def exam(self, at: float, when, ends: list) -> None:
        for end in ends:
            fitted = self.railway.coupler_at(end, when)
            if fitted is None or (self.ends[end.pk], AIR) in self.open:
                continue
            for slot in truths.SEALS:
                life = self.seals.inside.get((fitted.pk, slot))
                if life and self.random.random() < truths.RENEWED_AT_EXAM:
                    self.watch(self.seals.renew(life, at, PLANNED))

    def bend_pins(self) -> None:
        """The chain: mates marked, then the source found."""
        names = [str(end) for end in self.railway.ends]
        start = self.days - truths.BENT_PIN_DAYS_AGO
        if truths.BENT_PIN_AT not in names or start < 0:
            return
        end, marked = names.index(truths.BENT_PIN_AT), set()
        pattern = self.railway.ends[end].pattern_id
        for at, mate, stage in self.met[end]:
            same = self.railway.ends[mate].pattern_id == pattern and stage == "full"
            if same and start <= at < start + truths.MARKED_WITHIN:
                self.at(at + 0.01, self.mark, mate, marked)
        self.at(start + truths.MARKED_WITHIN, self.found, end)

    def mark(self, at: float, mate: int, marked: set[int]) -> None:
        if len(marked) < truths.MARKED_MATES and mate not in marked and (mate, "contact-block") not in self.open:
            marked.add(mate)
            self.fault(at, mate, "contacts", "pin-bent", None, True)

    def found(self, at: float, end: int) -> None:
        if (end, "contact-block") in self.open:
            self.at(at + 0.5, self.found, end)
        else:
            self.fault(at, end, "contacts", "pin-bent", None, True)

    def fault(
        self, at: float, end: int, slot: str, symptom: str = "", worn: SealLife | None = None, planted: bool = False
    ) -> None:
        """A fault is reported, unless its component is known to be at fault."""
        if worn and worn.removed is not None:
            return
        component, planted = self.rules.parts[slot].component, planted or worn is not None
        if (end, component) in self.open:
            if worn:
                self.at(at + 1, self.worn, worn)
            return
        if not planted and self.random.random() < self.rates.withdrawn:
            return
        by_fitter = not planted and self.random.random() < self.rates.by_fitter
        closed = self.closes(at, by_fitter)
        if closed > self.days - LAST:
            return
        symptom = symptom or self.rates.symptom(self.rules, slot, self.random)
        depot = "" if by_fitter else self.depot(end)
        row = Fault(end, component, slot, symptom, self.coupler_of(end, at), at, closed, depot, worn, planted)
        before = self.last_closed.get((end, component))
        if before and (at - before.closed <= self.rules.repeat_days or self.since(end, before.closed, at)):
            row.repeat, before.back = True, min(at, before.back) if before.back == before.back else at
        self.faults.append(row)
        self.open[end, component] = True
        self.at(closed, self.close, row)

    def since(self, end: int, closed: float, at: float) -> bool:
        """True while an end has not had the couplings yet for which it is watched."""
        times = self.times.get(end, [])
        return bisect_right(times, at) - bisect_right(times, closed) <= self.rules.repeat_couplings

    def closes(self, at: float, by_fitter: bool) -> float:
        """When a fault is signed off: in the night of its visit."""
        worst = self.random.choices(range(4), CATEGORIES)[0]
        nights = 0 if by_fitter else self.random.randint(*NIGHTS[worst])
        closed = int(at) + nights + 0.958 + self.random.uniform(0.02, 0.15)
        return closed if closed > at + 0.05 else closed + 1

    def depot(self, end: int) -> str:
        """Where the visit is: mostly at home."""
        home = self.railway.ends[end].unit.home.code
        away = self.random.random() < self.rates.away
        return next(code for code in ("BRK", "ELM") if (code == home) != away)

    def close(self, at: float, row: Fault) -> None:
        """It is signed; it may not hold."""
        row.outcome, row.action = self.work(row)
        del self.open[row.end, row.component]
        self.last_closed[row.end, row.component] = row
        if row.outcome == "repaired":
            self.renewed(at, row)
        depot = row.depot or self.railway.ends[row.end].unit.home.code
        if self.random.random() < self.rates.comes_back(row.component, row.action, depot):
            again = int(at) + self.random.randint(2, 20) + self.random.uniform(0.25, 0.83)
            self.at(again, self.fault, row.end, row.slot, NEW_SEAL.get(row.symptom, row.symptom))

    def work(self, row: Fault) -> tuple[str, str]:
        """(outcome, action) of a close-out."""
        symptom, draw = self.rules.symptoms[row.symptom], self.random.random()
        known = () if symptom.cant_tell else symptom.modes
        if row.planted or any(self.rules.modes[code].wiring_check for code in known):
            draw = max(draw, self.rates.not_found + self.rates.released)
        if draw < self.rates.not_found:
            return "no fault found", ""
        if draw < self.rates.not_found + self.rates.released:
            return "released with limits", "Secured"
        mode = self.rules.modes[self.random.choice(known or self.rules.candidates(row.slot))]
        renew = True if row.worn else False if row.slot in truths.SEALS or row.repeat else None
        return "repaired", self.rates.action(mode, self.random, renew)

    def renewed(self, at: float, row: Fault) -> None:
        """Parts that were renewed begin new lives."""
        if row.worn and row.worn.removed is None:
            self.watch(self.seals.renew(row.worn, at, FAILED))
        elif row.slot == "cover" and row.action in RENEWING and row.coupler:
            if row.coupler in self.cover_since:
                self.covers.append((row.coupler, self.cover_since[row.coupler], at))
            self.cover_since[row.coupler] = at

    def cover_lives(self) -> list[tuple[int, float, float | None]]:
        """(coupler, fitted, failed or None) of every cover that was renewed or went in at a renewal."""
        return self.covers + [(coupler, since, None) for coupler, since in self.cover_since.items()]
