"""What the rules answer: hits, cells and the grade (`design.md`, definition 3)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from inspections.rules.limits import Limits


@dataclass(frozen=True, slots=True)
class Hit:
    """One hazard in one cell: its worst frequency, the category (0..3) the matrix gives, and what said so.

    `mode` is a mode's code, a combination's code, or "" for a category raised by a person.
    """

    hazard: str
    frequency: str
    category: int
    mode: str
    rule: str


@dataclass(frozen=True, slots=True)
class Cell:
    """The answer in one situation and weather class.

    `hits` worst first; `hours` is the time allowed (0 = not to wait, None = at the next exam); `rules` names
    every rule that spoke: hazards, limits, combinations, conflicts.
    """

    category: int
    hits: tuple[Hit, ...]
    limits: Limits
    hours: Decimal | None
    rules: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Grade:
    """All cells of one finding, by (situation, weather), and the failure modes it was judged on."""

    cells: Mapping[tuple[str, str], Cell]
    modes: tuple[str, ...]

    @property
    def worst(self) -> int:
        """The order reading: worst category over all cells."""
        return max(cell.category for cell in self.cells.values())

    def worst_in(self, situations: Iterable[str]) -> int:
        """The deadline reading: worst category over these situations, any weather; 0 for none."""
        wanted = set(situations)
        return max((cell.category for (s, _), cell in self.cells.items() if s in wanted), default=0)
