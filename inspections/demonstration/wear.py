"""Seals wear out in their couplers: when that is seen, and what exams and swaps do to them. Rows of part lives."""

from __future__ import annotations

from bisect import bisect_left
from datetime import datetime, timedelta
from random import Random

from fleet.models import Fitment, FleetEvent, PartFitting
from inspections.demonstration.course import Encounter, encounter
from inspections.demonstration.rates import RENEWING
from inspections.demonstration.seals import FAILED, OTHER, PLANNED, SealLife, Seals, batch
from inspections.demonstration.truths import RENEWED_AT_EXAM, SEALS
from inspections.demonstration.world import World
from inspections.models import CloseOut

DAY = timedelta(days=1)
AIR = "air-connection"
WORN = ("seal-hard", "seal-torn")  # how a worn seal looks
NOT_KNOWN = 9  # of every so many couplers, one whose seals' age nobody knew
# A repair of a worn seal that does not hold: not the new rubber, but how it sits.
NEW_SEAL = dict.fromkeys(WORN, "seal-back")


class Wear:
    """The seals of one railway. `covers`: coupler's pk → the cover in place, known from its first renewal on."""

    def __init__(self, world: World):
        self.world, railway = world, world.railway
        self.seals = Seals(Random(world.random.getrandbits(64)))  # noqa: S311  (a repeatable railway)
        self.covers: dict[int, PartFitting] = {}
        self.sides: dict[int, list[int]] = {end.pk: [] for end in railway.ends}
        for n, side in enumerate(railway.sides):
            self.sides[side.end_id].append(n)

    def set_going(self) -> None:
        """Put wear, swaps and exams of the years on the agenda."""
        world, railway = self.world, self.world.railway
        for fitment in railway.fitments:
            if fitment.fitted < railway.start:
                for life in self.seals.found(fitment.coupler_id):
                    self.watch(life)
            else:
                world.at(fitment.fitted, self.fitted, fitment)
            if fitment.removed:
                world.at(fitment.removed, self.overhauled, fitment)
        for event in railway.events:
            if event.kind == FleetEvent.Kind.EXAM and event.until <= world.until:
                world.at(event.until, self.exam, event)

    def days(self, at: datetime) -> float:
        return (at - self.world.railway.start) / DAY

    def time(self, days: float) -> datetime:
        return (self.world.railway.start + timedelta(days=days)).replace(microsecond=0)

    def watch(self, life: SealLife) -> None:
        """It will wear out; if it is still there by then, somebody will see it."""
        at = self.time(life.wears)
        if at <= self.world.until:
            self.world.at(at, self.worn, life)

    def worn(self, world: World, at: datetime, life: SealLife) -> None:
        """A worn seal is seen at the next coupling of its end."""
        met = self.next_look(life, at) if life.removed is None else None
        if met and met.received <= world.until:
            world.at(max(at, met.received), world.report, met, None, life)

    def next_look(self, life: SealLife, at: datetime) -> Encounter | None:
        """The next coupling of the end it is at."""
        railway, random = self.world.railway, self.world.random
        at_it = (f for f in railway.fitments if f.coupler_id == life.coupler and f.fitted <= at)
        end = next((f.end for f in at_it if f.removed is None or f.removed > at), None)
        n = bisect_left(railway.used[end.pk], at) if end else 0
        if end is None or n == len(self.sides[end.pk]):
            return None
        side = railway.sides[self.sides[end.pk][n]]
        mate = railway.sides[self.sides[end.pk][n] ^ 1]
        return encounter(0, side, mate, life.slot, self.world.rates, random, symptom=random.choice(WORN))

    def fitted(self, world: World, at: datetime, fitment: Fitment) -> None:
        """A coupler comes from the stores with new seals."""
        for slot in SEALS:
            self.watch(self.seals.new(fitment.coupler_id, slot, self.days(at)))

    def overhauled(self, world: World, at: datetime, fitment: Fitment) -> None:
        """A coupler goes to the stores: its seals are thrown away."""
        for slot in SEALS:
            life = self.seals.inside.get((fitment.coupler_id, slot))
            if life:
                self.seals.take(life, self.days(at), OTHER)

    def exam(self, world: World, at: datetime, event: FleetEvent) -> None:
        """Some seals are renewed as planned, where no fault is open."""
        for end in world.railway.by_letter[event.unit_id].values():
            fitted = world.railway.coupler_at(end, at)
            if any(life.row.component == AIR for life in world.known.open[end.pk]) or not fitted:
                continue
            for slot in SEALS:
                life = self.seals.inside.get((fitted.pk, slot))
                if life and world.random.random() < RENEWED_AT_EXAM:
                    self.watch(self.seals.renew(life, self.days(at), PLANNED))

    def renewed(self, life, work, at: datetime) -> list[dict]:
        """A repair is signed: what it renewed begins a new life. The parts out and in, as they are signed."""
        row = life.row
        coupler = self.world.railway.coupler_at(row.end, at)
        if work.outcome != CloseOut.Outcome.REPAIRED or coupler is None:
            return []
        if life.worn and life.worn.removed is None:
            new = self.seals.renew(life.worn, self.days(at), FAILED)
            self.watch(new)
            known = life.worn.age == 0 or life.worn.coupler % NOT_KNOWN
            return [changed(row.slot, life.worn.batch if known else "", new.batch)]
        if row.slot == "cover" and work.action in RENEWING:
            return [self.new_cover(coupler.pk, at)]
        return []

    def new_cover(self, coupler: int, at: datetime) -> dict:
        """A cover was renewed; how old the first one was nobody knows."""
        world = self.world
        old = self.covers.get(coupler)
        if old is None:
            old = world.ledger.add(
                PartFitting(coupler_id=coupler, slot="cover", fitted=world.railway.start, age_days=None)
            )
        old.removed, old.reason = at, FAILED
        new = PartFitting(coupler_id=coupler, slot="cover", fitted=at, batch=batch(self.days(at), "C"))
        self.covers[coupler] = world.ledger.add(new)
        return changed("cover", old.batch, new.batch)

    def write(self) -> None:
        """The lives of the seals as rows, in order of fitting."""
        for life in sorted(self.seals.lives, key=lambda life: (life.fitted, life.coupler, life.slot)):
            known = life.age == 0 or life.coupler % NOT_KNOWN
            self.world.ledger.add(
                PartFitting(
                    coupler_id=life.coupler,
                    slot=life.slot,
                    batch=life.batch if known else "",
                    fitted=self.time(life.fitted),
                    age_days=int(life.age) if known else None,
                    removed=None if life.removed is None else self.time(life.removed),
                    reason=life.reason,
                )
            )


def changed(slot: str, out: str, new: str) -> dict:
    """One part that failed and the one that went in, by batch, as a close-out holds them."""
    return {
        "slot": slot,
        "out": {"serial": "", "batch": out, "reason": FAILED},
        "in": {"serial": "", "batch": new, "age_days": 0},
    }
