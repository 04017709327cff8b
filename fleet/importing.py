"""Couplings from a CSV file: all good rows or none, every bad one named by line, column and reason.

`fleet/coupling_rows.py` says what the file holds. A coupling is known by its source and reference. The same again
changes nothing; the same with another content is a bad row. One fact may come later: when they parted, where that was
not known; an empty `parted` contradicts nothing, nor does one minutes from what a person told before. Whether
couplings overlap in time is not judged.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import BinaryIO, NamedTuple
from uuid import uuid4
from zoneinfo import ZoneInfo

from django.db import IntegrityError, connection, transaction

from fleet.cells import Fault, Faults
from fleet.coupling_rows import Content, FormerName, Known, Reader, Row
from fleet.models import Coupling, CouplingSide

BATCH = 500
TRIES = 3
SAME_EVENT = timedelta(minutes=30)  # two tellers' times of one coupling or parting differ by no more

Key = tuple[str, str]


class Overtaken(IntegrityError):
    """Somebody else wrote what this import was about to write."""


@dataclass(frozen=True, slots=True)
class Imported:
    """What came of a file. Counts are rows; with a bad one, or in a dry run, nothing is written.

    `earliest` and `latest` span the couplings that are new or completed, from meeting to parting (None where there is
    none), and `ends` are the primary keys of their ends: whoever relies on couplings looks again at those.
    """

    read: int
    new: int
    here: int
    updated: int
    bad: int
    faults: tuple[Fault, ...]
    fault_count: int
    written: bool
    earliest: datetime | None
    latest: datetime | None
    ends: frozenset[int]


class Update(NamedTuple):
    """A coupling (its primary key) that is told when it parted."""

    pk: int
    content: Content


class Found(NamedTuple):
    """The rows of a file beside the database: what is new, what is completed, how many are here already."""

    new: list[Row]
    updates: list[Update]
    here: int


def import_couplings(
    stream: BinaryIO,
    *,
    now: datetime,
    source: str = "",
    zone: ZoneInfo | None = None,
    former: Sequence[FormerName] = (),
    dry_run: bool = False,
    progress: Callable[[str, int], None] = lambda step, rows: None,
    within: Callable[[Imported], None] = lambda imported: None,
    told: Callable[[Content], bool] = lambda stored: False,
) -> Imported:
    """Read couplings from anything with `readline(limit)` that gives bytes; write what is new in one transaction.

    `source` names the system where the file has no such column; times without an offset are local in `zone`; `former`
    are names that ends had earlier. `progress` hears "read", "compared" or "written", and how many rows. `within` is
    called inside the transaction, after the rows: what it writes is kept or lost with them. `told` says whether a
    person told when a coupling that is here parted: the file's time of it is then allowed to be minutes off.

    Reading and comparing hold no lock; call it outside any transaction. Where another import writes the same rows
    meanwhile, one of the two wins and the other compares again. RuntimeError inside a transaction.
    """
    known, faults = Known(former), Faults()
    reader = Reader(known, faults, now=now, source=source, zone=zone)
    rows = list(reader.rows(stream, progress))
    for left in reversed(range(TRIES)):
        found = compare(rows, known, faults, progress, told)
        wanted = not (dry_run or faults.count) and bool(found.new or found.updates)
        done = summary(reader.read, found, faults, wanted)
        if not wanted:
            break
        try:
            with readers_served(), transaction.atomic(durable=True):
                add(found.new, now, progress)
                complete(found.updates)
                within(done)
            break
        except IntegrityError:
            if not left:
                raise
    return done


def compare(rows: Sequence[Row], known: Known, faults: Faults, progress, told) -> Found:
    """Each row beside what the database has under its key. Two queries for each BATCH."""
    new, updates, here = [], [], 0
    for start, batch in batches(rows):
        stored = stored_under([row.key for row in batch])
        for row in batch:
            pk, content = stored.get(row.key, (None, None))
            other = [] if pk is None else differing(row.content, content)
            if pk is None:
                new.append(row)
            elif other == ["parted"] and content.parted is None:
                updates.append(Update(pk, row.content))
            elif other == ["parted"] and near(row.content, content) and told(content):
                here += 1
            elif other:
                name_differences(row, content, other, known, faults)
            else:
                here += 1
        progress("compared", start + len(batch))
    return Found(new, updates, here)


def near(row: Content, stored: Content) -> bool:
    """True where the two tell one parting, minutes apart."""
    return abs(row.parted - stored.parted) <= SAME_EVENT


def stored_under(keys: Sequence[Key]) -> dict[Key, tuple[int, Content]]:
    """Key → primary key and content of the couplings that have it. Two queries."""
    couplings = list(
        with_keys(keys).values_list("pk", "source", "source_ref", "at", "parted", "place_id", "stage", "outcome")
    )
    ends = defaultdict(list)
    sides = CouplingSide.objects.filter(coupling__in=[pk for pk, *_ in couplings])
    for pk, end in sides.values_list("coupling_id", "end_id"):
        ends[pk].append(end)
    return {(source, ref): (pk, Content(*rest, tuple(sorted(ends[pk])))) for pk, source, ref, *rest in couplings}


def with_keys(keys: Sequence[Key]):
    """The couplings with these references of these sources."""
    sources, refs = {source for source, _ in keys}, [ref for _, ref in keys]
    return Coupling.objects.filter(source__in=sources, source_ref__in=refs).order_by()


def differing(row: Content, stored: Content) -> list[str]:
    """The fields in which a row contradicts or completes what is stored; an empty `parted` does neither."""
    pairs = zip(Content._fields, row, stored, strict=True)
    return [field for field, one, other in pairs if one != other and not (field == "parted" and one is None)]


def name_differences(row: Row, stored: Content, fields: Sequence[str], known: Known, faults: Faults) -> None:
    """A fault for every field that is stored differently, with what is stored."""
    words = {
        "at": stored.at.isoformat(),
        "parted": stored.parted.isoformat() if stored.parted else "no time",
        "place": known.place_codes.get(stored.place, "no place"),
        "stage": stored.stage,
        "outcome": stored.outcome,
        "ends": " and ".join(known.end_names.get(end, "a new end") for end in stored.ends) or "no end",
    }
    for field in fields:
        column = "end_1" if field == "ends" else field
        faults.add(Fault(row.line, column, f"“{row.key[1]}” is here already, with {words[field]}"))


def add(rows: Sequence[Row], received: datetime, progress) -> None:
    """Write new couplings and their sides. In the order of their keys, so that two imports cannot wait in a ring."""
    stamped = stamp(received)
    for start, batch in batches(sorted(rows, key=lambda row: row.key)):
        write(
            "INSERT INTO fleet_coupling (uuid, source, source_ref, at, parted, place_id, stage, outcome, received)"
            " VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s)",
            [
                (uuid4().hex, *row.key, stamp(row.content.at), stamp(row.content.parted), *row.content[2:5], stamped)
                for row in batch
            ],
        )
        stored = with_keys([row.key for row in batch]).values_list("pk", "source", "source_ref")
        made = {(source, ref): pk for pk, source, ref in stored}
        write(
            "INSERT INTO fleet_couplingside (coupling_id, end_id, at) VALUES (%s, %s, %s)",
            [(made[row.key], end, stamp(row.content.at)) for row in batch for end in row.content.ends],
        )
        progress("written", start + len(batch))


def complete(updates: Sequence[Update]) -> None:
    """Tell couplings when they parted; Overtaken where one of them knows by now."""
    for _, batch in batches(sorted(updates)):
        changed = write(
            "UPDATE fleet_coupling SET parted = %s WHERE id = %s AND parted IS NULL",
            [(stamp(update.content.parted), update.pk) for update in batch],
        )
        if changed != len(batch):
            raise Overtaken


def write(statement: str, rows: Sequence[tuple]) -> int:
    """One statement for many rows; how many it changed. Far faster than row objects, and reports wait for it."""
    with connection.cursor() as cursor:
        cursor.executemany(statement, rows)
        return cursor.rowcount


def stamp(time: datetime | None):
    """A time as the database takes it."""
    return connection.ops.adapt_datetimefield_value(time)


def summary(read: int, found: Found, faults: Faults, written: bool) -> Imported:
    """The result, bad rows in the order of their lines."""
    changed = [row.content for row in [*found.new, *found.updates]]
    times = [time for content in changed for time in (content.at, content.parted) if time]
    return Imported(
        read=read,
        new=len(found.new),
        here=found.here,
        updated=len(found.updates),
        bad=faults.rows,
        faults=tuple(sorted(faults.listed, key=lambda fault: fault.line)),
        fault_count=faults.count,
        written=written,
        earliest=min(times, default=None),
        latest=max(times, default=None),
        ends=frozenset(end for content in changed for end in content.ends),
    )


@contextmanager
def readers_served() -> Iterator[None]:
    """Let SQLite keep what is changed in memory to the end: once it spills into the file, every page has to wait."""
    if connection.vendor != "sqlite":
        yield
        return
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA cache_spill = OFF")
        try:
            yield
        finally:
            cursor.execute("PRAGMA cache_spill = ON")


def batches(rows: Sequence) -> Iterator[tuple[int, Sequence]]:
    """(Start, up to BATCH rows), one batch after another."""
    for start in range(0, len(rows), BATCH):
        yield start, rows[start : start + BATCH]
