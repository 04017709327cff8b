"""The faults a report holds already while its page asks for one more: they travel in the hidden field `said`.

    [{"fault": uuid, "photos": [uuid, …], "end": "A", "part": "air-upper", "sign": "seal-torn", "situation": "U",
      "note": "…", "fact-may-fall": "no"}, …]

Each is one fault's answers as the page's own questions took them, and is checked by the same questions again.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from inspections import bodies
from inspections.forms.body import MAX_FAULTS, MAX_PHOTOS
from inspections.forms.fault import SITUATIONS, FaultQuestions
from inspections.forms.questions import Asked

ANSWERS = ("end", "part", "sign", "changed", "situation", "mate", "stage", "note")
LONGEST = 4000


class Damaged(ValueError):
    """The field is not what a page of ours wrote."""


@dataclass(frozen=True, slots=True)
class Earlier:
    """One fault of the report so far: its uuid, its photos' uuids, its answers by the names of the questions."""

    fault: UUID
    photos: tuple[UUID, ...]
    answers: Mapping[str, str]

    def as_json(self) -> dict[str, object]:
        return {"fault": str(self.fault), "photos": [str(photo) for photo in self.photos], **self.answers}

    @property
    def sign(self) -> str:
        return self.answers.get("sign", "")


def read(text: str) -> list[Earlier]:
    """The faults in the hidden field; Damaged unless it is exactly a list of them, each uuid once."""
    if not text.strip():
        return []
    try:
        said = bodies.read_json(f'{{"said":{text}}}'.encode())
    except (bodies.Unreadable, UnicodeEncodeError) as error:
        raise Damaged(str(error)) from error
    rows = said["said"]
    if set(said) != {"said"} or not isinstance(rows, list) or len(rows) > MAX_FAULTS:
        raise Damaged("not a list of faults")
    found = [earlier(row) for row in rows]
    uuids = [uuid for one in found for uuid in (one.fault, *one.photos)]
    if len(set(uuids)) != len(uuids):
        raise Damaged("a uuid stands twice")
    return found


def earlier(row: object) -> Earlier:
    """One fault; Damaged where anything is missing, more, or of another kind."""
    if not isinstance(row, dict):
        raise Damaged("a fault is no object")
    answers = {name: words for name, words in row.items() if name not in ("fault", "photos")}
    photos = row.get("photos")
    for name, words in answers.items():
        if name not in ANSWERS and not name.startswith("fact-"):
            raise Damaged(f"{name!r} is no question")
        if not isinstance(words, str) or len(words) > LONGEST:
            raise Damaged(f"{name}: not an answer")
    if not isinstance(photos, list) or len(photos) > MAX_PHOTOS:
        raise Damaged("photos: not a list of photos")
    try:
        return Earlier(UUID(str(row.get("fault"))), tuple(UUID(str(photo)) for photo in photos), answers)
    except ValueError as error:
        raise Damaged("a uuid cannot be read") from error


def written(said: Sequence[Earlier]) -> str:
    """The hidden field of these faults."""
    return json.dumps([one.as_json() for one in said], ensure_ascii=False, separators=(",", ":")) if said else ""


def signs(text: str) -> list[str]:
    """What the faults in the field say is wrong: what was reported already among it must be offered again."""
    try:
        return [one.sign for one in read(text)]
    except Damaged:
        return []


def questions(said: Sequence[Earlier], asked: Asked) -> Iterator[FaultQuestions]:
    """The checked questions of each fault, in order."""
    for one in said:
        form = FaultQuestions(dict(one.answers), asked=asked)
        form.full_clean()
        yield form


def in_words(one: Earlier, asked: Asked) -> str:
    """ "A end, uncoupled. 5 Upper air seal: The rubber is torn", for the list on the page."""
    form = FaultQuestions(dict(one.answers), asked=asked)
    still = form.finding_meant(one.sign)
    symptom = asked.rules.symptoms.get(still.symptom if still else one.sign)
    part = dict(asked.parts).get(still.slot if still else one.answers.get("part", ""), "")
    what = symptom.words if symptom else "not known here"
    if still:
        changed = form.label_of("changed").lower() or "the same"
        what += f" ({still.spoken_ref}: {changed})"
    where = f"{form.label_of('end')}, {dict(SITUATIONS).get(one.answers.get('situation', ''), '').lower()}"
    return f"{where}. {part}: {what}" if part else f"{where}. {what}"
