"""The hand-over file of a phone: reports that could not be sent, brought in by control.

Whose phone it was, and who wrote the file, nobody can tell: every report keeps both its author as it says and the
person who loaded it. Each goes through the same doors as any other; a bad one never stops the next, and what was
loaded before is only found to be there.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from uuid import UUID

from django.contrib.auth.models import User

from inspections import bodies, grading, intake, photos, receipts
from inspections.models import Observation, Submission
from inspections.receipts import Sent

MAX_BYTES = 20_000_000
MAX_REPORTS = 500
MAX_MARKS = 20_000  # brackets and commas: the rest of a true file is base64, which has none
MAX_DEPTH = 6
SAME = "It was here already. Nothing was changed."


class NotHandedOver(ValueError):
    """The file is none that a phone hands over; the message says so in a sentence. Nothing was loaded."""


@dataclass(frozen=True, slots=True)
class Line:
    """What became of one report. `state`: new, again, kept apart, or left (then it is not here). `sent` once it is.

    `words` say why it was kept apart or left; `stored` photos are here, `troubles` say what became of the others.
    """

    number: int
    state: str
    words: str = ""
    submission: Submission | None = None
    sent: Sent | None = None
    stored: int = 0
    troubles: tuple[str, ...] = ()


def load(raw: bytes, *, by: User, now: datetime) -> list[Line]:
    """Bring in everything the file holds, report by report; a line for each, in the file's order.

    Raises NotHandedOver before anything is written.
    """
    done = [brought(number, row, by, now) for number, row in enumerate(reports_in(raw), 1)]
    kept = receipts.fetch().filter(pk__in=[line.submission.pk for line in done if line.submission])
    sent = {one.submission.pk: one for one in receipts.sent(kept, grading.ruleset(now), now)}
    return [with_sent(line, sent) for line in done]


def with_sent(line: Line, sent: dict[int, Sent]) -> Line:
    if line.submission is None:
        return line
    one = sent[line.submission.pk]
    return Line(line.number, line.state, line.words, one.submission, one, line.stored, line.troubles)


def reports_in(raw: bytes) -> list[dict[str, object]]:
    """The reports of a hand-over file, unchecked; NotHandedOver where it is none."""
    if len(raw) > MAX_BYTES:
        raise NotHandedOver("This file is over 20 MB, more than a hand-over file may have. Nothing was loaded.")
    if sum(map(raw.count, (b"{", b"[", b","))) > MAX_MARKS:
        raise NotHandedOver("This file is not built as a phone builds a hand-over file. Nothing was loaded.")
    data = read_json(raw)
    if data.get("v") != 1 or not isinstance(data.get("reports"), list):
        raise NotHandedOver("This is not a hand-over file, or one of a later kind. Nothing was loaded.")
    reports = data["reports"]
    if not reports:
        raise NotHandedOver("There is no report in this file.")
    if len(reports) > MAX_REPORTS:
        raise NotHandedOver(f"There are more than {MAX_REPORTS} reports in this file. Nothing was loaded.")
    return reports


def read_json(raw: bytes) -> dict[str, object]:
    """A JSON object of bounded depth without fractions, endless numbers or repeated keys."""
    try:
        data = json.loads(
            raw,
            parse_constant=bodies.no_constant,
            parse_float=bodies.no_constant,
            parse_int=bodies.short_integer,
            object_pairs_hook=bodies.no_repeats,
        )
        fits = isinstance(data, dict) and bodies.depth(data) <= MAX_DEPTH
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError, bodies.Unreadable) as error:
        raise NotHandedOver(
            "This file is not a hand-over file, or only a part of one. Nothing was loaded; what is in it is still on "
            "the phone."
        ) from error
    if not fits:
        raise NotHandedOver("This file is not a hand-over file. Nothing was loaded.")
    return data


def brought(number: int, row: object, by: User, now: datetime) -> Line:
    """One report through the door, then its photos."""
    try:
        body = bytes_in(row, "body")
    except ValueError as error:
        return Line(number, "left", f"It is damaged in the file: {error}. It is still on the phone.")
    receipt = intake.receive(raw=body, submitted_by=by, channel=Submission.Channel.FILE, received=now)
    if receipt.status == 400:
        return Line(number, "left", receipt.words)
    submission = Submission.objects.get(uuid=receipt.id, sha256=receipt.sha256)
    stored, troubles = bring_photos(row.get("photos", []), submission, body, by, now)
    if receipt.status == 200:
        state, words = "again", SAME
    elif receipt.state == "quarantined":
        state, words = "kept apart", receipt.words
    else:
        state, words = "new", ""
    return Line(number, state, words, submission, None, stored, troubles)


def bytes_in(row: object, name: str) -> bytes:
    """The bytes an entry of the file holds as base64; ValueError says what is wrong with them."""
    if not isinstance(row, dict) or not isinstance(row.get(name), str):
        raise ValueError("a part of it is missing")
    try:
        data = base64.b64decode(row[name], validate=True)
    except (binascii.Error, ValueError) as error:
        raise ValueError("it is not written as it should be") from error
    if row.get("sha256") != sha256(data).hexdigest():
        raise ValueError("it does not fit its digest")
    return data


def bring_photos(
    rows: object, submission: Submission, body: bytes, by: User, now: datetime
) -> tuple[int, tuple[str, ...]]:
    """How many photos of this report are here now, and a sentence for each that is not."""
    if not isinstance(rows, list):
        return 0, ("Its photos are damaged in the file. They are still on the phone.",)
    mine = faults_in(body)
    told = [bring_photo(row, submission, mine, by, now) for row in rows]
    return told.count(""), tuple(f"Photo {number}: {words}" for number, words in enumerate(told, 1) if words)


def bring_photo(row: object, submission: Submission, mine: set[UUID], by: User, now: datetime) -> str:
    """Bring in one photo; "" when it is here, else why not."""
    try:
        data = bytes_in(row, "data")
        uuid, owner = UUID(str(row.get("id"))), UUID(str(row.get("owner")))
    except ValueError as error:
        return f"It is damaged in the file: {error}. It is still on the phone."
    # Control may add a photo to any report; a file may not, whatever it says.
    others = Observation.objects.filter(uuid=owner).exclude(inspection__submission=submission)
    if owner not in mine or others.exists():
        return "It belongs to no fault of this report. It was not taken."
    try:
        receipt = photos.receive(uuid=uuid, owner=owner, data=data, claimed_sha256=row["sha256"], by=by, now=now)
    except OSError:
        return "It could not be kept just now. Load the file again."
    return "" if receipt.state == "stored" and receipt.status in (200, 201) else receipt.words


def faults_in(body: bytes) -> set[UUID]:
    """The ids of a report's faults, as far as they can be read: it may be one that was kept apart."""
    rows = bodies.read_json(body).get("faults", [])
    texts = [str(row.get("id")) for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []
    return set(uuids(texts))


def uuids(texts: Iterable[str]) -> Iterable[UUID]:
    for text in texts:
        try:
            yield UUID(text)
        except ValueError:
            continue
