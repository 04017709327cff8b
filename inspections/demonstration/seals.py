"""The seals in the couplers: when each wears out, and the lives that makes. Times: days from the start."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

from fleet.traffic import Traffic
from inspections.demonstration.truths import RENEWED_AT_EXAM, SEALS, seal_life

RUN_IN = 3000.0  # days of renewing before the record, after which nothing of the first seals is left
EXAMS_APART = 182.0
SWAPPED_A_DAY = Traffic().swaps / 2 / 365
BATCHES_A_YEAR = 2
FAILED, PLANNED, OTHER = "failed", "planned", "other"


@dataclass
class SealLife:
    """One seal in one slot of a coupler: `fitted` (0 with an `age` where it was there before), worn at `wears`."""

    coupler: int
    slot: str
    fitted: float
    wears: float
    age: float = 0.0
    removed: float | None = None
    reason: str = ""

    @property
    def batch(self) -> str:
        """The delivery it came from: by the half year it was made in."""
        return batch(self.fitted - self.age)


def batch(day: float, letter: str = "S") -> str:
    """Number of the delivery that was in use that day; they are numbered on from the record's start."""
    return f"{letter}{50 + int(day * BATCHES_A_YEAR // 365):02d}"


class Seals:
    """`inside`: (coupler, slot) → the seal in place; `lives`: every seal there was during the record."""

    def __init__(self, random: Random):
        self.random = random
        self.inside: dict[tuple[int, str], SealLife] = {}
        self.lives: list[SealLife] = []

    def found(self, coupler: int) -> Iterator[SealLife]:
        """The seals that are in a coupler when the record starts, as old as they happen to be."""
        for slot in SEALS:
            born = -RUN_IN
            while (gone := born + self.first_of_all()) <= 0:
                born = gone
            wears = born + self.survivor(-born)
            yield self.put(SealLife(coupler, slot, 0.0, wears, age=-born))

    def first_of_all(self) -> float:
        """Days until a seal wears out, is renewed at an exam or goes to the stores with its coupler."""
        life, exam = seal_life(self.random), self.random.uniform(0, EXAMS_APART)
        while exam < life and self.random.random() >= RENEWED_AT_EXAM:
            exam += EXAMS_APART
        return min(life, exam, self.random.expovariate(SWAPPED_A_DAY))

    def survivor(self, age: float) -> float:
        """The life of a seal that has reached an age."""
        while (life := seal_life(self.random)) <= age:
            pass
        return life

    def new(self, coupler: int, slot: str, at: float) -> SealLife:
        """A new seal is fitted."""
        return self.put(SealLife(coupler, slot, at, at + seal_life(self.random)))

    def put(self, life: SealLife) -> SealLife:
        self.inside[life.coupler, life.slot] = life
        self.lives.append(life)
        return life

    def take(self, life: SealLife, at: float, reason: str) -> None:
        """A seal is taken off."""
        life.removed, life.reason = at, reason
        del self.inside[life.coupler, life.slot]

    def renew(self, life: SealLife, at: float, reason: str) -> SealLife:
        """Off with one, on with the next."""
        self.take(life, at, reason)
        return self.new(life.coupler, life.slot, at)
