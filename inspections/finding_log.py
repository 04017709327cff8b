"""The log of one finding, entry by entry, as one reader may see it: what corrects is added. Reads only.

Its own entries, those of what was merged into it, and those of its unit that name it (restrictions, cards, labels).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.contrib.auth.models import User
from django.db.models import Q
from django.utils import timezone

from fleet.models import Place
from inspections import words
from inspections.models import Finding, LogEntry
from inspections.permissions import may

# Kinds that put right what stood before; what they correct stays where it is.
CORRECTS = {"moved", "repeat named", "withdrawn", "merged", "raised"}


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry: its number in the whole log, its words, when it was entered, the reference it was entered under.

    `late`: entered later than it happened. `corrects`: it puts right what stood before.
    """

    seq: int
    kind: str
    said: words.Happening
    entered: datetime
    late: bool
    corrects: bool
    ref: str
    actor: int | None


@dataclass(frozen=True, slots=True)
class Asked:
    """A filter; empty is everything. `person` is an id."""

    kind: str = ""
    person: int | None = None
    since: date | None = None


def entries_of(finding: Finding) -> list[LogEntry]:
    """Every entry about this finding, in the order in which it was written. Three queries."""
    merged = Finding.objects.filter(merged_into=finding).values_list("ref", flat=True)
    refs = [finding.ref, *merged]
    own = LogEntry.objects.filter(subject__in=[f"finding:{ref}" for ref in refs]).select_related("actor")
    rows = list(own)
    names = Q()
    for ref in refs:
        names |= Q(payload__contains=f'"{ref}"')
    units = [f"unit:{number}" for number in units_of(finding, rows)]
    rows += LogEntry.objects.filter(names, subject__in=units).select_related("actor")
    return sorted(rows, key=lambda row: row.seq)


def units_of(finding: Finding, rows: Iterable[LogEntry]) -> set[str]:
    """Numbers of the units this finding was ever said to be on."""
    found = {finding.unit.number} if finding.unit_id else set()
    for row in rows:
        if row.kind == "moved":
            found.add(row.data.get("before", {}).get("unit", ""))
    return found - {""}


def told(rows: Sequence[LogEntry], *, reader: User) -> list[Entry]:
    """These entries in words, as the reader may see them. One query."""
    named = may(reader, "see words")
    places = dict(Place.objects.depots().values_list("code", "name"))
    return [entry(row, reader, named, places) for row in rows]


def entry(row: LogEntry, reader: User, named: bool, places: Mapping[str, str]) -> Entry:
    """One entry in words."""
    corrected = row.kind == "observed" and row.data.get("what") == "corrected"
    ref = row.subject.removeprefix("finding:")
    return Entry(
        seq=row.seq,
        kind=row.kind,
        said=words.happening(row, places=places, reader=reader, named=named),
        entered=row.written,
        late=row.written - row.happened > words.LATE,
        corrects=row.kind in CORRECTS or corrected,
        ref=ref if ref != row.subject else "",
        actor=row.actor_id if named or row.actor_id == reader.pk else None,
    )


def matching(entries: Iterable[Entry], asked: Asked) -> list[Entry]:
    """Those the filter asks for. `since` goes by when it happened or was entered, whichever is later."""
    return [
        one
        for one in entries
        if (not asked.kind or one.kind == asked.kind)
        and (asked.person is None or one.actor == asked.person)
        and (asked.since is None or timezone.localdate(max(one.said.at, one.entered)) >= asked.since)
    ]


def kinds(entries: Iterable[Entry]) -> list[str]:
    """The kinds there are, in the order of their first entry."""
    return list(dict.fromkeys(one.kind for one in entries))


def people(entries: Iterable[Entry]) -> dict[int, str]:
    """Who wrote them, as far as the reader may see it: id → name."""
    return {one.actor: one.said.who for one in entries if one.actor is not None}
