"""Cards as printed: their version, the log of their printing, and which printed ones are old."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from hashlib import sha256

from django.contrib.auth.models import User
from django.db import transaction

from inspections import log
from inspections.cards.made import LETTERS, Key, Made, card_of, cards_of
from inspections.models import Finding, LogEntry, Visit
from inspections.reports.work_card import Card, work_card

PRINTED = "card printed"
NO_TIME = datetime(2000, 1, 1, tzinfo=UTC)


class NothingToPrint(LookupError):
    """No open finding of that end is planned for that visit."""


@dataclass(frozen=True, slots=True)
class Printed:
    """A card that was made and logged."""

    card: Card
    pdf: bytes


@dataclass(frozen=True, slots=True)
class Print:
    """The last work card printed with a finding; `changed` when a card printed now would say something else."""

    version: int
    at: datetime
    changed: bool


def print_card(visit: Visit, letter: str, *, by: User, now: datetime, host: str) -> Printed:
    """Make the card and log that it was printed. `host`: scheme and host of the short links, "HTTPS://HOST".

    Printed again unchanged it keeps its version; any other content is the next one. Raises NothingToPrint.
    """
    made = card_of(visit, letter, now=now, host=host)
    if made is None:
        raise NothingToPrint(f"No open finding of the {letter} end of {visit.unit} is planned for this visit.")
    with transaction.atomic(durable=True):
        log.hold()
        (card,) = record([made], by=by, now=now)
    return Printed(card, work_card(card))


def record(made: Sequence[Made], *, by: User, now: datetime) -> list[Card]:
    """Log that these were printed, inside the caller's transaction; gives them with their versions."""
    before = by_card(said_of(one.visit.unit.number for one in made))
    cards = []
    for one in made:
        digest = content(one)
        last = before.get(one.key)
        version = last["card"] + (last["content"] != digest) if last else 1
        log.write(
            subject=f"unit:{one.visit.unit.number}",
            kind=PRINTED,
            actor=by.pk,
            happened=now,
            written=now,
            visit=one.visit.pk,
            end=one.letter,
            card=version,
            content=digest,
            refs=one.refs,
        )
        cards.append(replace(one.card, version=version))
    return cards


def content(made: Made) -> str:
    """SHA-256 of what the card says, whatever its version, its address and the time it is printed."""
    findings = tuple(replace(finding, photo=None) for finding in made.card.findings)
    said = replace(made.card, version=0, printed=NO_TIME, link="", findings=findings)
    return sha256(repr((said, made.photos)).encode()).hexdigest()


def by_card(said: Iterable[dict]) -> dict[Key, dict]:
    """(Visit's id, letter) → the last print of that card."""
    return {(one["visit"], one["end"]): one for one in said if "visit" in one}


def said_of(units: Iterable[str]) -> list[dict]:
    """Payloads of all card prints of these units, oldest first, with the time `at`. One query."""
    subjects = {f"unit:{number}" for number in units}
    entries = LogEntry.objects.filter(subject__in=subjects, kind=PRINTED).order_by("seq")
    return [{**entry.data, "at": entry.happened} for entry in entries] if subjects else []


def last_prints(findings: Iterable[Finding], now: datetime) -> dict[int, Print]:
    """Finding id → the last card printed with it, for open ones that were printed. A fixed number of queries.

    It is old where the card, made now, would differ, or would be another visit's. Findings come with `unit`, `visit`.
    """
    findings = [finding for finding in findings if finding.is_open and finding.unit_id]
    said = said_of(finding.unit.number for finding in findings)
    held = {ref: one for one in said for ref in one["refs"]}
    last = by_card(said)
    printed = [finding for finding in findings if finding.ref in held]
    visits = {finding.visit_id for finding in printed if finding.visit_id}
    keys = [key for key in last if key[0] in visits]
    asked = Visit.objects.select_related("unit", "depot").in_bulk(visits) if keys else {}
    made = cards_of([(asked[visit], letter) for visit, letter in keys], now=now, host="") if keys else []
    same = {one.key for one in made if content(one) == last[one.key]["content"]}

    def changed(finding: Finding) -> bool:
        mine = [key for key in ((finding.visit_id, letter) for letter in LETTERS) if key in last]
        mine = [key for key in mine if finding.ref in last[key]["refs"]]
        return not mine or not all(key in same for key in mine)

    return {
        finding.pk: Print(held[finding.ref]["card"], held[finding.ref]["at"], changed(finding)) for finding in printed
    }
