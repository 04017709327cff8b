"""The rows of a CSV file of couplings, checked one by one. Writes nothing.

The header names the columns, in any order:

    source_ref   the coupling's key in the system it comes from, up to 60 characters. Put it first: a file that was
                 cut short then never ends in half a key
    at           when the ends met, ISO 8601 with its offset: 2026-11-24T05:48:00+00:00 or 2026-11-24T05:48Z
    end_1 end_2  the two ends: "205 A", unit and letter as named on that day, or "vehicle 20501", which never changes
    outcome      coupled, could not couple
    stage        none, contact, locked, air, full: how far the joining came
    place        the place's code, or empty (the column may be missing)
    parted       when they parted, as `at`, or empty where that is not known yet (may be missing)
    source       the system it comes from, up to 20 characters, where one file has several (else the caller names it)

Times in a declared zone may leave the offset out, but for the hour that comes twice in autumn.
"""

from __future__ import annotations

import codecs
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import BinaryIO, NamedTuple
from zoneinfo import ZoneInfo

from fleet.cells import Fault, Faults, Refused, Unreadable, lines, moment, plain, shown, split, text, word
from fleet.models import CouplerEnd, Coupling, Place

MAX_LINES = 150_000  # of one file: it is written in one transaction, and reports wait for that
EVERY = 1_000  # rows between two signs of progress

NEEDED = ("source_ref", "at", "end_1", "end_2", "outcome", "stage")
OPTIONAL = ("place", "parted", "source")
MAY_BE_EMPTY = ("place", "parted")
MAX_SOURCE, MAX_REF = 20, 60
MET = ("locked", "air", "full")
OTHER_KINDS = {
    codecs.BOM_UTF16_LE: "the file is UTF-16: save it as UTF-8",
    codecs.BOM_UTF16_BE: "the file is UTF-16: save it as UTF-8",
    b"PK\x03\x04": "the file is a workbook or an archive: save the sheet as CSV, UTF-8",
}


@dataclass(frozen=True, slots=True)
class FormerName:
    """Before `until`, `name` ("205 A") meant this end (its primary key), or none."""

    name: str
    end: int | None
    until: datetime


class Content(NamedTuple):
    """What a coupling says; `ends` are primary keys in rising order, times are UTC."""

    at: datetime
    parted: datetime | None
    place: int | None
    stage: str
    outcome: str
    ends: tuple[int, ...]


class Row(NamedTuple):
    """A good row of the file; `key` is (source, source_ref)."""

    line: int
    key: tuple[str, str]
    content: Content


class Known:
    """Ends by name and places by code, and back. Two queries."""

    def __init__(self, former: Sequence[FormerName] = ()):
        ends = CouplerEnd.objects.values_list("pk", "vehicle", "unit__number", "letter")
        self.vehicles = {f"vehicle {vehicle}": pk for pk, vehicle, *_ in ends}
        self.ends = {f"{unit} {letter}": pk for pk, _, unit, letter in ends if unit}
        self.units = {name.rpartition(" ")[0] for name in [*self.ends, *(name.name for name in former)]}
        self.end_names = {pk: name for names in (self.vehicles, self.ends) for name, pk in names.items()}
        self.places = dict(Place.objects.values_list("code", "pk"))
        self.place_codes = {pk: code for code, pk in self.places.items()}
        self.former = defaultdict(list)
        for name in sorted(former, key=lambda name: name.until):
            self.former[name.name].append(name)

    def end(self, text: str, at: datetime) -> int:
        """The end of this name on that day."""
        found = self.vehicles.get(text) or self.ends.get(text)
        for name in self.former.get(text, ()):
            if at < name.until:
                found = name.end
                break
        if found:
            return found
        unit, _, letter = text.rpartition(" ")
        if not unit or (letter not in ("A", "B") and unit != "vehicle"):
            raise Refused(f"{shown(text)} is no end: write the unit's number, a space and A or B, like 205 A")
        if unit == "vehicle":
            raise Refused(f"{shown(text)} is not on the list")
        if unit not in self.units:
            raise Refused(f"unit {shown(unit)} is not on the list")
        raise Refused(f"unit {shown(unit)} had no end {letter} on that day")

    def place(self, text: str) -> int | None:
        """The place with this code; none where the cell is empty."""
        if text and text not in self.places:
            raise Refused(f"there is no place with the code {shown(text)}")
        return self.places.get(text)


class Reader:
    """Reads one file. `read` counts its rows, good and bad."""

    def __init__(self, known: Known, faults: Faults, *, now: datetime, source: str, zone: ZoneInfo | None):
        self.known, self.faults, self.now, self.source, self.zone = known, faults, now, source, zone
        self.read = 0
        self.refs: dict[tuple[str, str], int] = {}
        self.contents: dict[Content, int] = {}

    def rows(self, stream: BinaryIO, progress: Callable[[str, int], None]) -> Iterator[Row]:
        """The good rows; the others become faults."""
        try:
            numbered = lines(stream, MAX_LINES)
            delimiter, columns = header(next(numbered, (1, b""))[1], self.source)
            for number, line in numbered:
                if not line.strip():
                    continue
                self.read += 1
                row = self.row(number, line, delimiter, columns)
                if row:
                    yield row
                if self.read % EVERY == 0:
                    progress("read", self.read)
        except Unreadable as stop:
            self.faults.add(stop.fault)
        progress("read", self.read)

    def row(self, number: int, line: bytes, delimiter: str, columns: list[str]) -> Row | None:
        """A line as a row, or None once every fault of it is noted."""
        before = self.faults.count
        cells = self.take(number, "", split, line, delimiter, len(columns))
        if cells is None:
            return None
        if not any(cells):
            return self.note(number, "", "every cell is empty")
        cell = dict(zip(columns, cells, strict=True))
        for column, held in cell.items():
            self.take(number, column, plain, held, column in MAY_BE_EMPTY)
        if self.faults.count > before:
            return None
        key = self.key(number, cell)
        content = self.content(number, cell)
        if self.faults.count > before:
            return None
        first = self.contents.setdefault(content, number)
        if first != number:
            return self.note(number, "source_ref", f"all but its reference is the same as in line {first}")
        return Row(number, key, content)

    def key(self, number: int, cell: dict[str, str]) -> tuple[str, str]:
        """Source and reference; a fault where the file has them already."""
        source = self.source or self.take(number, "source", text, cell["source"], MAX_SOURCE)
        ref = self.take(number, "source_ref", text, cell["source_ref"], MAX_REF)
        first = self.refs.setdefault((source, ref), number) if source and ref else number
        if first != number:
            self.note(number, "source_ref", f"{shown(ref)} stands in line {first} already")
        return source, ref

    def content(self, number: int, cell: dict[str, str]) -> Content:
        """The other cells, each checked by itself and with the others. Worth something only without faults."""
        at = self.take(number, "at", moment, cell["at"], self.zone, self.now)
        parted = cell.get("parted") and self.take(number, "parted", moment, cell["parted"], self.zone, self.now)
        if at and parted and parted < at:
            self.note(number, "parted", "they parted before they met")
        names = cell["end_1"], cell["end_2"]
        ends = [
            self.take(number, column, self.known.end, name, at or self.now)
            for column, name in zip(("end_1", "end_2"), names, strict=True)
        ]
        if all(ends):
            self.take(number, "end_2", apart, ends, names)
        outcome = self.take(number, "outcome", word, cell["outcome"], Coupling.Outcome.values)
        stage = self.take(number, "stage", word, cell["stage"], Coupling.Stage.values)
        if outcome and stage:
            self.take(number, "stage", fitting, outcome, stage)
        place = self.take(number, "place", self.known.place, cell.get("place", ""))
        return Content(at, parted or None, place, stage, outcome, tuple(sorted(filter(None, ends))))

    def take(self, number: int, column: str, reader: Callable, *args):
        """What `reader` makes of a cell, or None once its fault is noted."""
        try:
            return reader(*args)
        except Refused as reason:
            self.note(number, column, str(reason))
            return None

    def note(self, number: int, column: str, reason: str) -> None:
        self.faults.add(Fault(number, column, reason))


def header(line: bytes, source: str) -> tuple[str, list[str]]:
    """The delimiter and the columns' names; Unreadable where a row could not be understood by them."""
    for start, reason in OTHER_KINDS.items():
        if line.startswith(start):
            raise Unreadable(1, "", reason)
    if not line.strip():
        raise Unreadable(1, "", "the file has no header" if line else "the file is empty")
    if b"\t" in line:
        raise Unreadable(1, "", "its cells are separated by tabs: use commas or semicolons")
    line = line.removeprefix(codecs.BOM_UTF8)
    delimiter = ";" if b";" in line else ","
    try:
        columns = [cell.lower() for cell in split(line, delimiter)]
        for column in columns:
            plain(column, True)
        known_columns(columns)
        text(source, MAX_SOURCE)
        plain(source, True)
    except Refused as reason:
        raise Unreadable(1, "", str(reason)) from reason
    if source and "source" in columns:
        raise Unreadable(1, "source", "the file names its sources: do not name another one for it")
    if not source and "source" not in columns:
        raise Unreadable(1, "source", "where do these couplings come from? Name the source, or add this column")
    return delimiter, columns


def known_columns(columns: list[str]) -> None:
    """Refused where one is missing, not known, or there twice."""
    unknown = [column for column in columns if column not in NEEDED + OPTIONAL]
    missing = [column for column in NEEDED if column not in columns]
    twice = [column for column in dict.fromkeys(columns) if columns.count(column) > 1]
    if unknown and missing:
        wanted = ", ".join(NEEDED + OPTIONAL)
        raise Refused(f"the header says {', '.join(map(shown, unknown[:5]))}; the columns are {wanted}")
    if missing:
        raise Refused(f"the header has no column {', '.join(missing)}")
    if unknown:
        raise Refused(f"the header has a column {', '.join(map(shown, unknown[:5]))} that means nothing here")
    if twice:
        raise Refused(f"the header has {', '.join(twice)} twice")


def apart(ends: Sequence[int], names: Sequence[str]) -> None:
    """Refused where an end would couple with itself, or a unit with itself."""
    if ends[0] == ends[1]:
        raise Refused("it is the same end as end_1")
    units = [name.rpartition(" ")[0] for name in names]
    if units[0] == units[1] != "vehicle":
        raise Refused(f"both ends are of unit {shown(units[0])}")


def fitting(outcome: str, stage: str) -> None:
    """Refused where outcome and stage contradict each other."""
    if outcome == Coupling.Outcome.COUPLED and stage not in MET:
        raise Refused(f"{stage} is no stage of “coupled”: the lock did not go home")
    if outcome == Coupling.Outcome.NOT_COUPLED and stage == Coupling.Stage.FULL:
        raise Refused("everything joined: that is not “could not couple”")
