"""The work card's content: rows → `Card` of `reports.work_card`, its version, and the log of its printing.

One coupler end at one visit with all its open findings there; one whose end is not known stands on the cards of both.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from fleet.models import CouplerEnd, CouplingSide
from inspections import case, closing, grading, log, photos, standing, words
from inspections.models import CloseOut, Finding, InspectedEnd, LogEntry, Observation, Photo, Visit
from inspections.reports.work_card import Card, CardFinding, CardIsolation, CardSeen, CardStep, CardTest, work_card

PRINTED = "card printed"
SEEN_SHOWN = 3  # observations of a finding, newest first, after the first report
PAST_SHOWN = 3
FEW_OTHERS = 3  # so many other modes are named on the card
MATES_SHOWN = 6
MATES_BACK = timedelta(days=28)  # how far mates are looked for where no clean look is known
NO_TIME = datetime(2000, 1, 1, tzinfo=UTC)


class NothingToPrint(LookupError):
    """No open finding of that end is planned for that visit."""


@dataclass(frozen=True, slots=True)
class Printed:
    """A card that was made and logged."""

    card: Card
    pdf: bytes


def print_card(visit: Visit, letter: str, *, by: User, now: datetime, host: str) -> Printed:
    """Make the card and log that it was printed. `host`: scheme and host of the short links, "HTTPS://HOST".

    Printed again unchanged it keeps its version; any other content is the next one. Raises NothingToPrint.
    """
    findings = open_at(visit, letter)
    if not findings:
        raise NothingToPrint(f"No open finding of the {letter} end of {visit.unit} is planned for this visit.")
    card = card_of(visit, letter, findings, now=now, host=host)
    with transaction.atomic(durable=True):
        log.hold()
        card = replace(card, version=next_version(visit, letter, content(card)))
        log.write(
            subject=f"unit:{visit.unit.number}",
            kind=PRINTED,
            actor=by.pk,
            happened=now,
            written=now,
            visit=visit.pk,
            end=letter,
            card=card.version,
            content=content(card),
            refs={finding.ref: finding.version for finding in findings},
        )
    return Printed(card, work_card(card))


def open_at(visit: Visit, letter: str) -> list[Finding]:
    """Open findings of this end at this visit, worst first; those whose end is not known among them."""
    here = Q(end__letter=letter, end__unit=visit.unit_id) | Q(end__isnull=True)
    found = Finding.objects.open().filter(here, visit=visit).worst_first().for_list()
    found = found.select_related("unit", "end__pattern", "end__unit", "visit__depot", "current_grade")
    return list(found.prefetch_related("current_grade__cells"))


def content(card: Card) -> str:
    """SHA-256 of what the card says, whatever its version and the time it is printed."""
    return sha256(repr(replace(card, version=0, printed=NO_TIME)).encode()).hexdigest()


def next_version(visit: Visit, letter: str, digest: str) -> int:
    """The version of a card with this content: that of the last print where nothing changed, else one more."""
    prints = LogEntry.objects.filter(subject=f"unit:{visit.unit.number}", kind=PRINTED).order_by("-seq")
    for entry in prints:
        said = entry.data
        if (said["visit"], said["end"]) == (visit.pk, letter):
            return said["card"] + (said["content"] != digest)
    return 1


def card_of(visit: Visit, letter: str, findings: Sequence[Finding], *, now: datetime, host: str) -> Card:
    """The card's values. The number of queries does not depend on how many findings there are."""
    rules = grading.ruleset(now)
    end = CouplerEnd.objects.filter(unit=visit.unit_id, letter=letter).select_related("pattern", "unit").first()
    known = standing.of_ends([end], now)[end.pk] if end else None
    modes = [mode for finding in findings for mode in candidates(finding, rules)]
    seen, past = observations_of(findings), past_work(end, findings)
    shots = photos_of(seen)
    return Card(
        unit=visit.unit.number,
        end=letter,
        drawing=end.pattern.drawing if end else "",
        printed=timezone.localtime(now),
        version=1,
        link=f"{host}/F/{findings[0].ref}".upper(),
        visit=visit_words(visit),
        limits=bare(known.current.words) if known else (),
        labels=(),
        isolations=tuple(CardIsolation(text) for text in isolations(modes, rules)),
        cautions=tuple(cautions(modes, rules)),
        mates=tuple(mates(end, findings, now)),
        findings=tuple(
            finding_of(finding, rules, known, seen[finding.pk], past[finding.component], shots.get(finding.pk), now)
            for finding in findings
        ),
    )


def visit_words(visit: Visit) -> str:
    """ "Elmsgate, road 3, 24 November 2026, early shift."."""
    day = timezone.localtime(visit.since)
    road = f"road {visit.road}, " if visit.road else ""
    return f"{visit.depot.name}, {road}{day.day} {day:%B %Y}, {visit.shift} shift."


def candidates(finding: Finding, rules) -> list:
    """The modes it may be, the one that leads the grade first; one alone where a fitter confirmed it."""
    if finding.mode in rules.modes:
        return [rules.modes[finding.mode]]
    codes = list(finding.current_grade.modes) if finding.current_grade else []
    led = leading(finding)
    codes.sort(key=lambda code: code != led)
    return [rules.modes[code] for code in codes if code in rules.modes]


def leading(finding: Finding) -> str:
    """The mode behind the worst hit of the grade; "" where none is."""
    cells = finding.current_grade.cells.all() if finding.current_grade else ()
    hits = [hit for cell in cells for hit in cell.hits if hit["mode"]]
    return max(hits, key=lambda hit: hit["category"], default={"mode": ""})["mode"]


def isolations(modes: Iterable, rules) -> list[str]:
    """What to shut, cut out or prove dead, each once."""
    codes = dict.fromkeys(code for mode in modes for code in mode.isolations)
    return [rules.isolations[code].words for code in codes]


def cautions(modes: Iterable, rules) -> list[str]:
    """The fitter's cautions: those of these modes, and those that belong to no mode: they always stand."""
    asked = {code for mode in modes for code in mode.cautions}
    asked |= set(rules.cautions) - {code for mode in rules.modes.values() for code in mode.cautions}
    return [c.words for code, c in rules.cautions.items() if code in asked and c.audience != "driver"]


def observations_of(findings: Sequence[Finding]) -> dict[int, list[Observation]]:
    """Finding id → its observations, merged ones among them, oldest first. One query."""
    pks = [finding.pk for finding in findings]
    rows = Observation.objects.filter(Q(finding__in=pks) | Q(finding__merged_into__in=pks))
    found = defaultdict(list)
    for row in rows.select_related("by", "finding", "inspection__place").order_by("pk"):
        found[row.finding.merged_into_id or row.finding_id].append(row)
    return found


def photos_of(seen: dict[int, list[Observation]]) -> dict[int, Photo]:
    """Finding id → its newest photo that can be shown. One query."""
    owner = {row.uuid: pk for pk, rows in seen.items() for row in rows}
    return {owner[photo.owner]: photo for photo in Photo.objects.of_owners(owner).shown().order_by("pk")}


def past_work(end: CouplerEnd | None, findings: Sequence[Finding]) -> dict[str, list[str]]:
    """Component → what was done on it at this end before, newest first. One query."""
    found = defaultdict(list)
    if end is None:
        return found
    rows = CloseOut.objects.filter(
        finding__end=end, finding__component__in={f.component for f in findings}, voided__isnull=True
    )
    for row in rows.select_related("finding__visit__depot").order_by("-signed")[:50]:
        day = timezone.localtime(row.signed)
        depot = f" at {row.finding.visit.depot}" if row.finding.visit_id else ""
        if len(found[row.finding.component]) < PAST_SHOWN:
            found[row.finding.component].append(f"{day.day} {day:%b %Y}: {row.action or row.outcome}{depot}")
    return found


def mates(end: CouplerEnd | None, findings: Sequence[Finding], now: datetime) -> list[str]:
    """Ends coupled to this one since it was last seen clean, newest first. Two queries."""
    if end is None:
        return []
    first = min(finding.first_seen for finding in findings)
    looks = InspectedEnd.objects.filter(end=end, clean=True, inspection__seen__lt=first).order_by("-inspection__seen")
    good = looks.values_list("inspection__seen", flat=True).first() or first - MATES_BACK
    sides = CouplingSide.objects.filter(coupling__sides__end=end, at__gte=good, at__lte=now).exclude(end=end)
    rows = sides.select_related("end__unit").order_by("-at")[:MATES_SHOWN]
    return [f"{row.end}, {timezone.localtime(row.at):%d %b %Y}" for row in rows]


def finding_of(finding, rules, known, seen, past, photo, now) -> CardFinding:
    """One finding of the card."""
    modes = candidates(finding, rules)
    lead = modes[0] if modes else None
    tests = [rules.tests[code] for code in closing.tests_asked(finding, lead.code if lead else "", rules)]
    due = words.deadline(finding, now)
    return CardFinding(
        reference=finding.ref,
        slot=finding.slot,
        part=words.part(rules, finding),
        fault=words.fault(rules, finding),
        category=words.category(finding).capitalize(),
        examine_by=timezone.localtime(due.at) if due.at else None,
        limits=(*(() if due.at else (due.words,)), *bare(case.limits_of(known, finding))),
        seen=tuple(seen_of(row) for row in [*seen[:1], *seen[1:][-SEEN_SHOWN:]]),
        past=tuple(past),
        parts=tuple(lead.spares) if lead else (),
        tools=tuple(lead.tools) if lead else (),
        steps=tuple(steps_of(modes, rules)),
        tests=tuple(proof_of(test) for test in tests),
        photo=photo_bytes(photo),
        check=", ".join(test.name.lower() for test in tests if test.checker),
    )


def bare(sentences: Iterable[str]) -> tuple[str, ...]:
    """Sentences without their full stop: the card strings them together."""
    return tuple(text.rstrip(".") for text in sentences)


def brief(caution: str) -> str:
    """The first clause of a caution, for the step it guards; the whole stands at the head of the card."""
    return re.split(r"[.:]", caution, maxsplit=1)[0]


def seen_of(row: Observation) -> CardSeen:
    """One look: when, where, by whom, their words."""
    inspection = row.inspection
    place = (inspection.place.name if inspection.place else inspection.place_given) if inspection else ""
    note = row.note or (inspection.note if inspection else "")
    return CardSeen(timezone.localtime(row.seen), place, words.name(row.by), note, row.kind)


def steps_of(modes: Sequence, rules) -> list[CardStep]:
    """The steps of the leading mode; where it may be another, finding out which comes first."""
    if not modes:
        return []
    lead, *others = modes
    steps = [
        CardStep(
            step.do,
            write=f"{step.write} ({step.unit})" if step.unit else step.write,
            warning=brief(rules.cautions[step.caution].words) if step.caution else "",
        )
        for step in lead.steps
    ]
    if others:
        few = len(others) <= FEW_OTHERS
        names = words.listed([mode.name for mode in others], "or") if few else f"one of {len(others)} more"
        which = f"Find out which it is: {lead.name}, or {names}. The steps below are for the first."
        steps.insert(0, CardStep(which, write="What it is"))
    return steps


def proof_of(test) -> CardTest:
    """A closing test with its limit in words."""
    limit = words.limit(test.low, test.high, test.unit) or "passed or failed"
    return CardTest(f"{test.name}. {test.method}", limit, test.unit, test.document, second=test.checker)


def photo_bytes(photo: Photo | None) -> bytes | None:
    """The stored JPEG; None where there is none or it cannot be shown (the outline is printed then)."""
    if photo is None:
        return None
    try:
        return photos.open_photo(photo).read()
    except photos.PhotoUnavailable:
        return None
