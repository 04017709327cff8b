"""From the bytes of a report to checked values. No database.

Two ways to fail: `Unreadable` (the sender keeps it and gets a 400) and `NotTaken` (kept whole, in quarantine).
"""

from __future__ import annotations

import json
import unicodedata
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from uuid import UUID

from inspections.forms.body import (
    MAX_ENDS,
    MAX_FAULTS,
    MAX_PHOTOS,
    BodyForm,
    EndForm,
    FaultForm,
    problems,
)

# Marks that turn the text around them: nobody sees them, and they can make a page say something else.
TURNING = frozenset("\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
MAX_BYTES = 200_000
MAX_DEPTH = 8
EARLIEST, LATEST = datetime(2000, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC)
AHEAD, BEHIND = timedelta(minutes=10), timedelta(days=30)


class Unreadable(ValueError):
    """The bytes are no report of ours at all."""


class NotTaken(ValueError):
    """A report that cannot be taken in as it is; the message lists why."""


@dataclass(frozen=True, slots=True)
class End:
    end: str
    situation: str
    clean: bool = False
    mate: str = ""
    stage: str = ""
    coupled: str = ""


@dataclass(frozen=True, slots=True)
class Fault:
    id: UUID
    end: str
    part: str
    symptom: str = ""
    kind: str = "first report"
    of: str = ""
    note: str = ""
    facts: dict[str, str] = field(default_factory=dict)
    photos: tuple[UUID, ...] = ()


@dataclass(frozen=True, slots=True)
class Body:
    """A report, checked. `seen` may be None (not said or not understood: `doubtful` says which)."""

    id: UUID
    author: int
    unit: str
    sent: datetime | None
    seen: datetime | None
    seen_offset_min: int
    occasion: str
    place: str
    weather: str
    note: str
    ends: tuple[End, ...]
    faults: tuple[Fault, ...]


def clean_text(value: object) -> object:
    """NFC, no surrogates, no marks that turn text, no controls but line ends and tabs; containers are walked."""
    if isinstance(value, str):
        kept = (c for c in value if c in "\n\t" or (c not in TURNING and unicodedata.category(c) not in ("Cc", "Cs")))
        return unicodedata.normalize("NFC", "".join(kept))
    if isinstance(value, list):
        return [clean_text(item) for item in value]
    if isinstance(value, dict):
        return {clean_text(key): clean_text(item) for key, item in value.items()}
    return value


def no_constant(word: str) -> None:
    raise Unreadable(f"{word} is not a number a report may hold")


def short_integer(digits: str) -> int:
    if len(digits) > 18:
        raise Unreadable("a number in the report is too long")
    return int(digits)


def no_repeats(pairs: list[tuple[str, object]]) -> dict[str, object]:
    if len({key for key, _ in pairs}) != len(pairs):
        raise Unreadable("a key stands twice in the report")
    return dict(pairs)


def depth(value: object, level: int = 1) -> int:
    children = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return max((depth(child, level + 1) for child in children), default=level)


def read_json(raw: bytes) -> dict[str, object]:
    """The one gate for JSON: size, depth, no NaN, no endless numbers, no repeated keys."""
    if len(raw) > MAX_BYTES:
        raise Unreadable(f"the report has {len(raw)} bytes; at most {MAX_BYTES} are taken")
    try:
        data = json.loads(raw, parse_constant=no_constant, parse_int=short_integer, object_pairs_hook=no_repeats)
        deep = depth(data)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise Unreadable("the report is not readable JSON") from error
    if not isinstance(data, dict):
        raise Unreadable("the report is not a JSON object")
    if deep > MAX_DEPTH:
        raise Unreadable("the report is nested too deeply")
    return clean_text(data)


def identity(data: dict[str, object]) -> UUID:
    """The report's own uuid; Unreadable without one."""
    try:
        return UUID(str(data.get("id")))
    except ValueError as error:
        raise Unreadable("the report has no uuid of its own") from error


def instant(text: object) -> tuple[datetime | None, int]:
    """(UTC time, offset in minutes) of an ISO 8601 time with offset; (None, 0) when it is none."""
    try:
        time = datetime.fromisoformat(str(text))
        if time.tzinfo is None or not EARLIEST <= time <= LATEST:
            return None, 0
        return time.astimezone(UTC), int(time.utcoffset().total_seconds() // 60)
    except (ValueError, OverflowError):
        return None, 0


def why_doubtful(body: Body, received: datetime) -> str:
    """Why the time seen is doubtful, or ""."""
    if body.seen is None:
        return "the time seen was not said or not understood"
    if body.seen > received + AHEAD:
        return "the time seen lies after the time it was received"
    if body.seen < received - BEHIND:
        return "the time seen is more than 30 days before it was received"
    return ""


def rows_of(data: dict[str, object], name: str, most: int) -> list[dict[str, object]]:
    rows = data.get(name, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise NotTaken(f"{name}: must be a list of objects")
    if len(rows) > most:
        raise NotTaken(f"{name}: has {len(rows)} rows; at most {most} are taken")
    return rows


def checked(form, where: str) -> dict[str, object]:
    if not form.is_valid():
        raise NotTaken("; ".join(problems(form, where)))
    return form.cleaned_data


def facts_of(row: dict[str, object]) -> dict[str, str]:
    facts = row.get("facts", {})
    if not isinstance(facts, dict) or len(facts) > 40:
        raise NotTaken("facts: must be an object of at most 40 facts")
    return {str(key)[:40]: str(value)[:60] for key, value in facts.items()}


def photos_of(row: dict[str, object]) -> tuple[UUID, ...]:
    photos = row.get("photos", [])
    if not isinstance(photos, list) or len(photos) > MAX_PHOTOS:
        raise NotTaken(f"photos: must be a list of at most {MAX_PHOTOS} uuids")
    try:
        return tuple(UUID(str(photo)) for photo in photos)
    except ValueError as error:
        raise NotTaken("photos: one of them is no uuid") from error


def fault_of(row: dict[str, object], index: int, seen_in: dict[str, str]) -> Fault:
    """One fault; how its end was when it was seen is a fact of it."""
    values = checked(FaultForm(row), f"fault {index} ")
    values["kind"] = values["kind"] or "first report"
    facts = facts_of(row)
    if values["end"] in seen_in:
        facts.setdefault("seen-in", seen_in[values["end"]])
    return Fault(**values, facts=facts, photos=photos_of(row))


def body_of(data: dict[str, object]) -> Body:
    """The checked report; NotTaken lists what is wrong, row by row."""
    values = checked(BodyForm(data), "")
    ends = [checked(EndForm(row), f"end {n} ") for n, row in enumerate(rows_of(data, "ends", MAX_ENDS), 1)]
    seen_in = {end["end"]: end["situation"] for end in ends}
    faults = [fault_of(row, n, seen_in) for n, row in enumerate(rows_of(data, "faults", MAX_FAULTS), 1)]
    if len({end["end"] for end in ends}) != len(ends):
        raise NotTaken("ends: an end stands twice")
    if len({fault.id for fault in faults}) != len(faults):
        raise NotTaken("faults: two faults have one uuid")
    seen, offset = instant(values["seen"])
    return Body(
        id=values["id"],
        author=values["author"],
        unit=values["unit"],
        sent=instant(values["sent"])[0],
        seen=seen,
        seen_offset_min=offset,
        occasion=values["occasion"] or "walk-round",
        place=values["place"],
        weather=values["weather"],
        note=values["note"],
        ends=tuple(End(**end) for end in ends),
        faults=tuple(faults),
    )
