"""One question with its answer: a sentence, the table behind it, what its chart is drawn from.

Values are rounded here, once; page, PDF, files and JSON all show these.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta

import numpy as np

from inspections.history.record import Told
from inspections.recurrence.overview import Overview

FEW = 5  # events below which there is a list and no rate
SHOWN = 15  # rows of a table on a page
LARGE = "over 100"

Cell = str | int | float | None


@dataclass(frozen=True, slots=True)
class Section:
    """`name` is its address, `question` its heading, `answer` one or more sentences, `reading` how to read it.

    `heads` and `rows` are the table; None in a row: not known. `cases`: per row what its cases are, as a query, or
    "". `chart`: what a drawing of `reports.charts` takes, with its kind; None: no chart.
    """

    name: str
    question: str
    answer: str
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[Cell, ...], ...] = ()
    reading: str = ""
    chart: dict | None = None
    cases: tuple[str, ...] = field(default=())

    def plain(self) -> dict:
        """As JSON holds it."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Asked:
    """What sections are made from: the record, its overview, names of codes."""

    told: Told
    overview: Overview
    rules: object

    @property
    def record(self):
        return self.told.record

    def out(self, family: str) -> set[tuple]:
        """What stands out in a family, as the overview names it."""
        return {name.of for name in self.overview.names if name.family == family}

    def part(self, index: int) -> str:
        """A component's name."""
        code = self.record.components[index]
        return self.rules.components[code].name

    def slot(self, index: int) -> str:
        """The name of a slot's part."""
        code = self.record.slots[index]
        return self.rules.parts[code].name if code in self.rules.parts else code

    def day(self, at: float) -> str:
        """The local day of a time of the record, ISO."""
        return (self.told.first + timedelta(days=int(np.floor(at)))).isoformat()

    def case(self, end: int, component: int) -> str:
        """The query of the cases behind an end and component."""
        return f"end={self.told.end_pks[end]}&part={self.record.components[component]}"


def rounded(value: float, digits: int = 1) -> float | None:
    """A figure as it is shown everywhere; None where there is none or it has no bound."""
    value = float(value)
    if not np.isfinite(value):
        return None
    return round(value, digits) + 0.0


def times(ratio: float) -> Cell:
    """A ratio of rates; in words where it is so large that only the direction means something."""
    return LARGE if ratio > 100 else rounded(ratio, 2)


def percent(share: float) -> int | None:
    """A share in whole percent."""
    return None if not np.isfinite(share) else round(100 * float(share))


def chance(p: float) -> float | None:
    """A p or q in steps that mean something."""
    return None if not np.isfinite(p) else max(0.0001, round(float(p), 4 if p < 0.01 else 2))


def limits(low: float | None, high: float | None, unit: str = "") -> str:
    """ "2.3 to 7.5", in words where a side has no bound."""
    if low is None and high is None:
        return "not known"
    if high is None:
        return f"{shown(low)}{unit} or more"
    if low is None:
        return f"at most {shown(high)}{unit}"
    return f"{shown(low)} to {shown(high)}{unit}"


def shown(value: Cell) -> str:
    """A cell as text: "1,234", "4.9", "–" where nothing is known."""
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:,.0f}" if value == int(value) and abs(value) >= 100 else f"{value:,g}"
    return f"{value:,}" if isinstance(value, int) else value


def counted(n: int, one: str, many: str = "") -> str:
    """ "1 fault", "3 faults"."""
    return f"{shown(n)} {one if n == 1 else many or one + 's'}"


def listed(parts: Sequence[str], most: int = 4) -> str:
    """ "a, b and c", or the first few and how many more."""
    if len(parts) > most:
        return f"{', '.join(parts[:most])} and {len(parts) - most} more"
    return " and ".join(filter(None, [", ".join(parts[:-1]), *parts[-1:]]))


def said(day: date | str) -> str:
    """ "3 May 2026"."""
    day = date.fromisoformat(day) if isinstance(day, str) else day
    return f"{day.day} {day:%B %Y}"
