"""Rows → `Card` of `reports.work_card`, for many ends at once in a fixed number of queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Q
from django.utils import timezone

from fleet.models import CouplerEnd
from inspections import assistance, grading, in_force, photos, standing, working
from inspections.cards import past, there
from inspections.cards.finding import candidates, finding_of
from inspections.models import Finding, Observation, Photo, Visit
from inspections.reports.work_card import Card

LETTERS = "AB"
Key = tuple[int, str]  # visit's id, end's letter
NOT_ASSISTED = "No assistance plan, and neither end can be used: the unit must not leave until control has made one"


@dataclass(frozen=True, slots=True)
class Made:
    """A card, whose end it is, and the digests of its photos; `refs`: its findings' references and versions."""

    visit: Visit
    letter: str
    card: Card
    photos: tuple[str, ...]
    refs: Mapping[str, int]

    @property
    def key(self) -> Key:
        return self.visit.pk, self.letter


def open_at(visits: Iterable[Visit]) -> dict[Key, list[Finding]]:
    """(Visit's id, letter) → open findings of that end, worst first; those whose end is not known at both.

    An end that has none is left out; so is a finding on a vehicle that is in another unit now. Two queries.
    """
    visits = {visit.pk: visit for visit in visits}
    rows = Finding.objects.open().filter(visit__in=visits).worst_first().for_list()
    rows = rows.select_related(
        "unit", "end__pattern", "end__unit", "visit__depot", "visit__unit", "current_grade", "repeat_of"
    )
    found = defaultdict(list)
    for row in rows.prefetch_related("current_grade__cells"):
        for letter in letters_of(row):
            found[row.visit_id, letter].append(row)
    return dict(found)


def letters_of(finding: Finding) -> Iterable[str]:
    """The ends of its visit's unit on whose cards a finding stands."""
    if not finding.end_id:
        return LETTERS
    return finding.end.letter if finding.end.unit_id == finding.visit.unit_id else ()


def card_of(visit: Visit, letter: str, *, now: datetime, host: str) -> Made | None:
    """One card; None where nothing is open there. The number of queries does not depend on how much is."""
    return next(iter(cards_of([(visit, letter)], now=now, host=host)), None)


def cards_of(asked: Sequence[tuple[Visit, str]], *, now: datetime, host: str) -> list[Made]:
    """The cards of these ends, in order, those left out where nothing is open. `host`: "HTTPS://HOST" of short links.

    A fixed number of queries; photos are read when the card is drawn.
    """
    at = open_at(visit for visit, _ in asked)
    rows = Gathered([f for visit, letter in asked for f in at.get((visit.pk, letter), ())], now)
    return [
        rows.made(visit, letter, at[visit.pk, letter], host) for visit, letter in asked if (visit.pk, letter) in at
    ]


class Gathered:
    """All that the cards of some findings are made from, read once."""

    def __init__(self, findings: Sequence[Finding], now: datetime):
        self.now, self.rules = now, grading.ruleset(now)
        findings = list({finding.pk: finding for finding in findings}.values())
        units = {finding.visit.unit_id: finding.visit.unit for finding in findings}
        self.units = standing.of_units(list(units.values()), now) if findings else {}
        self.ends: dict[tuple[int, str], standing.EndStanding] = {
            (unit, end.end.letter): end for unit, known in self.units.items() for end in known.ends
        }
        needs = assistance.of_standings(self.units.values())
        self.unassisted = {pk for pk, need in needs.items() if need.missing}
        ends = list(self.ends.values())
        self.there = there.There(
            in_force.read_rows(Q(end__unit__in=units) | Q(unit__in=units), ends, now), self.rules
        )
        self.seen = observations_of(findings)
        self.shots = photos_of(self.seen)
        self.left = working.left_in(findings)
        self.past = past.Past([end.end for end in ends], findings, self.rules, now)

    def made(self, visit: Visit, letter: str, findings: Sequence[Finding], host: str) -> Made:
        """The card of one end."""
        known = self.ends.get((visit.unit_id, letter))
        end = known.end if known else None
        modes = [mode for finding in findings for mode in candidates(finding, self.rules)]
        card = Card(
            unit=visit.unit.number,
            end=letter,
            drawing=end.pattern.drawing if end else "",
            printed=timezone.localtime(self.now),
            version=1,
            link=f"{host}/F/{findings[0].ref}".upper(),
            visit=visit_words(visit),
            limits=self.there.limits(known),
            labels=self.there.labels(visit.unit_id, end),
            isolations=self.there.isolations(visit.unit_id, end, modes),
            cautions=there.cautions(modes, self.rules),
            mates=self.past.mates(end),
            findings=tuple(self.finding(finding, end, known) for finding in findings),
            warning=NOT_ASSISTED if visit.unit_id in self.unassisted else "",
        )
        shots = [self.shots[finding.pk].sha256_stored for finding in findings if finding.pk in self.shots]
        return Made(visit, letter, card, tuple(shots), {finding.ref: finding.version for finding in findings})

    def finding(self, finding: Finding, end: CouplerEnd | None, known: standing.EndStanding | None):
        """One finding of a card."""
        return finding_of(
            finding,
            self.rules,
            known,
            self.seen[finding.pk],
            now=self.now,
            past=self.past.work(finding, end),
            repeat=self.past.repeat(finding),
            left=past.left_words(self.left.get(finding.pk)),
            deferral=self.there.deferral(finding),
            photo=reader_of(self.shots.get(finding.pk)),
        )


def visit_words(visit: Visit) -> str:
    """ "Elmsgate, road 3, 24 November 2026, early shift."."""
    day = timezone.localtime(visit.since)
    road = f"road {visit.road}, " if visit.road else ""
    return f"{visit.depot.name}, {road}{day.day} {day:%B %Y}, {visit.shift} shift."


def observations_of(findings: Sequence[Finding]) -> dict[int, list[Observation]]:
    """Finding id → its observations, merged ones among them, oldest first. One query."""
    pks = [finding.pk for finding in findings]
    rows = Observation.objects.filter(Q(finding__in=pks) | Q(finding__merged_into__in=pks))
    found = defaultdict(list)
    for row in rows.select_related("by", "finding", "inspection__place").order_by("pk"):
        found[row.finding.merged_into_id or row.finding_id].append(row)
    return found


def photos_of(seen: Mapping[int, Sequence[Observation]]) -> dict[int, Photo]:
    """Finding id → its newest photo that can be shown. One query."""
    owner = {row.uuid: pk for pk, rows in seen.items() for row in rows}
    return {owner[photo.owner]: photo for photo in Photo.objects.of_owners(owner).shown().order_by("pk")}


def reader_of(photo: Photo | None) -> Callable[[], bytes | None]:
    """Reads the stored JPEG; gives None where there is none or it cannot be shown (the outline is printed then)."""

    def read() -> bytes | None:
        try:
            return photos.open_photo(photo).read() if photo else None
        except photos.PhotoUnavailable:
            return None

    return read
