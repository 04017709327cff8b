"""Limits on what an end may do, and how several of them join (`design.md`, definition 6).

Each dial is totally ordered, loosest first. Limits join by the tightest value per dial and the union of the
isolations asked for; named conflict rules of the ruleset are applied afterwards by `grade` and `standing`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

COUPLE = ("normal", "attended", "not")
UNCOUPLE = ("normal", "attended", "not before depot")
MOVE = ("normal", "to end of trip", "to depot", "stand")
PASSENGERS = ("yes", "no")
RESCUE = ("yes", "no")
DIALS = {"couple": COUPLE, "uncouple": UNCOUPLE, "move": MOVE, "passengers": PASSENGERS, "rescue": RESCUE}


@dataclass(frozen=True, slots=True)
class Limits:
    """One value per dial and a set of isolations. `speed` is km/h, None where there is no cap."""

    couple: str = "normal"
    uncouple: str = "normal"
    move: str = "normal"
    passengers: str = "yes"
    rescue: str = "yes"
    speed: int | None = None
    isolations: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        """Raise ValueError naming the dial when a value is not one of its words."""
        for dial, words in DIALS.items():
            if getattr(self, dial) not in words:
                raise ValueError(f"{dial}: {getattr(self, dial)!r} is not one of {', '.join(words)}")
        if self.speed is not None and self.speed <= 0:
            raise ValueError(f"speed: {self.speed} is not a positive number of km/h")


NO_LIMITS = Limits()


def join(*limits: Limits) -> Limits:
    """Tightest value per dial, lowest speed, union of isolations. `join()` is `NO_LIMITS`."""
    return join_all(limits)


def join_all(limits: Iterable[Limits]) -> Limits:
    """The same as `join` for any iterable."""
    limits = tuple(limits)
    tightest = {d: max((getattr(x, d) for x in limits), key=DIALS[d].index, default=DIALS[d][0]) for d in DIALS}
    speeds = [x.speed for x in limits if x.speed is not None]
    isolations = frozenset().union(*(x.isolations for x in limits))
    return Limits(**tightest, speed=min(speeds, default=None), isolations=isolations)


def tighter_or_equal(a: Limits, b: Limits) -> bool:
    """True when `a` is at least as tight as `b` on every dial and asks for every isolation of `b`."""
    for dial, words in DIALS.items():
        wanted = getattr(b, dial)
        if wanted != words[0] and words.index(getattr(a, dial)) < words.index(wanted):
            return False
    if b.speed is not None and (a.speed is None or a.speed > b.speed):
        return False
    return a.isolations >= b.isolations


def changed_dials(a: Limits, b: Limits) -> tuple[str, ...]:
    """Names of the dials (and "isolations") on which the two differ, in field order."""
    return tuple(f.name for f in fields(Limits) if getattr(a, f.name) != getattr(b, f.name))
