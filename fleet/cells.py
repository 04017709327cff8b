"""A CSV file, line by line and cell by cell: bytes in, values or a reason in words out. Bounded in memory.

UTF-8, a byte order mark may lead; cells separated by commas or semicolons, whichever the header uses; a record is a
line. The callers say what the columns mean.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import BinaryIO
from zoneinfo import ZoneInfo

MAX_LINE = 4_000  # bytes
MAX_NAMED = 200  # faults listed; the others are counted
FORMULA = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")  # the last four full width
TIME = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,6})?)?(?P<offset>Z|[+-][0-9]{2}:[0-9]{2})?"
)
EXAMPLE = "2026-11-24T05:48:00+00:00"
YEARS = range(2000, 2100)
WIDEST = timedelta(hours=14)


class Refused(ValueError):
    """A cell or a line that cannot be taken, in words."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong, and where: the header is line 1; no column means the whole line."""

    line: int
    column: str
    reason: str

    def __str__(self):
        column = f", {self.column}" if self.column else ""
        return f"line {self.line}{column}: {self.reason}"


class Unreadable(Exception):
    """Nothing more can be read from here on; carries the fault."""

    def __init__(self, line: int, column: str, reason: str):
        super().__init__(reason)
        self.fault = Fault(line, column, reason)


class Faults:
    """The first faults, and how many there are in how many rows."""

    def __init__(self):
        self.listed: list[Fault] = []
        self.count = self.rows = self.last = 0

    def add(self, fault: Fault) -> None:
        """Note a fault; those of one row come together."""
        self.rows += fault.line != self.last
        self.last = fault.line
        self.count += 1
        if len(self.listed) < MAX_NAMED:
            self.listed.append(fault)


def lines(stream: BinaryIO, most: int) -> Iterator[tuple[int, bytes]]:
    """Numbered lines from 1 to `most`; Unreadable at one longer than MAX_LINE, which is not read to its end."""
    for number in range(1, most + 1):
        line = stream.readline(MAX_LINE + 1)
        if not line:
            return
        if len(line) > MAX_LINE:
            raise Unreadable(number, "", f"it is longer than {MAX_LINE} bytes, far more than a row")
        yield number, line
    if stream.readline(1):
        raise Unreadable(most + 1, "", f"the file has more than {most} lines: split it")


def split(line: bytes, delimiter: str, wanted: int = 0) -> list[str]:
    """The cells of a line, without blanks around them."""
    try:
        cells = next(csv.reader([line.decode()], delimiter=delimiter, strict=True))
    except UnicodeDecodeError as error:
        raise Refused(f"byte {error.start + 1} (hexadecimal {line[error.start]:02X}) is not UTF-8") from error
    except csv.Error as error:
        if b"\r" in line.rstrip(b"\r\n"):
            raise Refused("it has a carriage return within: lines end in a line feed") from error
        raise Refused("its quotes do not match up; a quoted cell ends on its line") from error
    if wanted and len(cells) != wanted:
        raise Refused(f"it has {counted(len(cells))}, the header has {wanted}")
    return [cell.strip(" ") for cell in cells]


def plain(cell: str, may_be_empty: bool) -> None:
    """Refused where a cell is empty, holds what cannot be seen or what a spreadsheet would run."""
    if not cell and not may_be_empty:
        raise Refused("it is empty")
    if not cell.isprintable():
        hidden = next(character for character in cell if not character.isprintable())
        raise Refused(f"it has a character that cannot be seen (U+{ord(hidden):04X})")
    if cell.startswith(FORMULA):
        raise Refused(f"{shown(cell)} starts like a formula")


def text(cell: str, most: int) -> str:
    """A text no longer than `most` characters."""
    if len(cell) > most:
        raise Refused(f"{shown(cell)} is longer than {most} characters")
    return cell


def word(cell: str, words: Sequence[str]) -> str:
    """One of a few words."""
    if cell not in words:
        raise Refused(f"{shown(cell)} is none of: {', '.join(words)}")
    return words[words.index(cell)]


def moment(cell: str, zone: ZoneInfo | None, now: datetime) -> datetime:
    """A time in UTC, from 2000 to `now`."""
    match = TIME.fullmatch(cell)
    try:
        given = datetime.fromisoformat(cell) if match else None
    except ValueError:
        given = None
    if given is None:
        raise Refused(f"{shown(cell)} is no time like {EXAMPLE}")
    if given.year not in YEARS:
        raise Refused(f"{given.year} is not a year from {YEARS[0]} to {YEARS[-1]}")
    if given.tzinfo is None:
        given = local(given, zone)
    elif match["offset"] == "-00:00" or abs(given.utcoffset()) > WIDEST:
        raise Refused(f"{match['offset']} is no offset from UTC")
    given = given.astimezone(UTC)
    if given > now:
        raise Refused(f"{shown(cell)} is in the future")
    return given


def local(given: datetime, zone: ZoneInfo | None) -> datetime:
    """A time on the wall of a zone; Refused where it came twice or never."""
    if zone is None:
        raise Refused(f"it has no offset from UTC: write it like {EXAMPLE}")
    first, second = given.replace(tzinfo=zone), given.replace(tzinfo=zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return first
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != given:
        raise Refused(f"the clocks of {zone.key} went past {given:%H:%M} that day: there was no such time")
    raise Refused(
        f"{given:%H:%M} came twice that day in {zone.key}: give the offset, "
        f"{first.isoformat()[-6:]} or {second.isoformat()[-6:]}"
    )


def shown(cell: str) -> str:
    """A cell as messages show it: short, in quotes, nothing hidden."""
    seen = "".join(character if character.isprintable() else "?" for character in cell)
    return f"“{seen[:40]}…”" if len(seen) > 41 else f"“{seen}”"


def counted(cells: int) -> str:
    """ "1 cell", "3 cells"."""
    return f"{cells} cell{'' if cells == 1 else 's'}"
