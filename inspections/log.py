"""The append-only log: the one writer, and the check that the chain is whole.

One chain for everything. The hash of an entry is SHA-256 over the canonical JSON (sorted keys, no spaces, UTF-8)
of every field and the hash before it; decimals and times are text. On PostgreSQL an advisory lock is taken before
the head is read; on SQLite the immediate transaction is enough.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from uuid import UUID

from django.db import connection, transaction
from django.db.models import OuterRef, Subquery

from inspections.models import LogEntry, Seal

GENESIS = "0" * 64
LOCK = 6_207_193


@dataclass(frozen=True, slots=True)
class Happening:
    """Something to be written: `subject` such as "finding:00104289", `actor` a user's id or None."""

    subject: str
    kind: str
    actor: int | None
    happened: datetime
    payload: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Break:
    """Where the chain is broken, and how."""

    seq: int
    why: str


def plain(value: object) -> str:
    """JSON for what JSON has no type for: times in UTC, decimals and uuids as text."""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, Decimal | UUID):
        return str(value)
    raise TypeError(f"the log cannot hold a {type(value).__name__}")


def canonical(data: object) -> str:
    """Canonical JSON: sorted keys, no spaces, no NaN."""
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False, default=plain)


def digest(entry: LogEntry) -> str:
    """The hash an entry must carry: hex SHA-256 of its fields and `prev`."""
    fields = [
        entry.seq,
        entry.prev,
        entry.subject,
        entry.kind,
        entry.actor_id,
        entry.happened,
        entry.written,
        entry.payload,
    ]
    return hashlib.sha256(canonical(fields).encode()).hexdigest()


def hold() -> None:
    """Take the chain's lock for the rest of this transaction (a no-op where the transaction already holds it)."""
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("the log is written inside a transaction")
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [LOCK])


def chain(happenings: Iterable[Happening], *, seq: int, prev: str, written: datetime) -> Iterator[LogEntry]:
    """Entries for these happenings, linked on from `prev`; `seq` is the last number used."""
    for item in happenings:
        seq += 1
        entry = LogEntry(
            seq=seq,
            prev=prev,
            subject=item.subject,
            kind=item.kind,
            actor_id=item.actor,
            happened=item.happened,
            written=written,
            payload=canonical(item.payload),
        )
        entry.hash = prev = digest(entry)
        yield entry


def head() -> tuple[int, str]:
    """(seq, hash) of the last entry; (0, zeros) when the log is empty."""
    return LogEntry.objects.order_by("-seq").values_list("seq", "hash").first() or (0, GENESIS)


def write(
    *,
    subject: str,
    kind: str,
    actor: int | None,
    happened: datetime,
    written: datetime,
    **payload: object,
) -> LogEntry:
    """Append one entry inside the caller's transaction and return it."""
    hold()
    seq, prev = head()
    happening = Happening(subject, kind, actor, happened, payload)
    entry = next(chain([happening], seq=seq, prev=prev, written=written))
    entry.save(force_insert=True)
    return entry


def first_break(entries: Iterable[LogEntry] | None = None) -> Break | None:
    """Walk the whole chain; None when it is whole, else the first place where it is not."""
    seq, prev = 0, GENESIS
    for entry in entries if entries is not None else LogEntry.objects.order_by("seq").iterator(2000):
        if entry.seq != seq + 1:
            return Break(seq + 1, f"entry {seq + 1} is missing")
        if entry.prev != prev:
            return Break(entry.seq, "it does not follow the entry before it")
        if digest(entry) != entry.hash:
            return Break(entry.seq, "its content is not what was written")
        seq, prev = entry.seq, entry.hash
    return None


def first_broken_seal() -> Break | None:
    """The first seal with which the log does not agree, None where all do: a whole chain may have been made anew.

    Every day is sealed once there is a first one, so a day without a seal has lost it.
    """
    entry, before = LogEntry.objects.filter(seq=OuterRef("last_seq")), None
    for seal in Seal.objects.annotate(found=Subquery(entry.values("hash"))).order_by("day").iterator(2000):
        if before and seal.day != before.day + timedelta(days=1):
            return Break(before.last_seq, f"the seal of the day after {before.day} is missing")
        if seal.found is None:
            return Break(seal.last_seq, f"the seal of {seal.day} names it, and it is missing")
        if seal.found != seal.hash:
            return Break(seal.last_seq, f"the seal of {seal.day} is of another entry")
        before = seal
    return None
