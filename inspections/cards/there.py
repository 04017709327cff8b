"""What stands on an end or its unit, in a card's words: limits and where they come from, labels, isolations."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime

from django.utils import timezone

from fleet.models import CouplerEnd
from inspections import deferring, in_force, standing, words
from inspections.models import Finding, Isolation
from inspections.reports.work_card import CardIsolation, CardLimit


class There:
    """What is in force on some units, for their cards. Reads nothing."""

    def __init__(self, rows: in_force.Rows, rules):
        self.rows, self.rules = rows, rules
        self.restrictions = {row.pk: row for row in rows.restrictions}
        self.shown: dict[int, list[str]] = defaultdict(list)
        for label in rows.labels:
            if label.restriction_id:
                self.shown[label.restriction_id].append(label.number)
        self.left = {left.row.finding_id: left for left in rows.left}

    def limits(self, known: standing.EndStanding | None) -> tuple[CardLimit, ...]:
        """What the end may do now, and the sources that say each."""
        if known is None:
            return ()
        return tuple(
            CardLimit(
                bare(text), tuple(dict.fromkeys(self.source(s) for s in known.current.sources if text in s.words))
            )
            for text in known.current.words
        )

    def source(self, source: standing.Source) -> str:
        """ "report 0010 4289", "restriction 24 Nov 2026, label 0417", "deferral of 0010 4289 run out"."""
        if source.kind == "finding":
            return f"report {words.spoken(source.name)}"
        if source.kind == "deferral":
            return f"deferral of {words.spoken(source.name)} run out"
        if source.kind == "isolation":
            return f"isolated: {bare(source.name)}"
        row = self.restrictions.get(source.row)
        labels = self.shown.get(source.row, ())
        since = f" {day(row.since)}" if row else ""
        return f"restriction{since}, " + (f"label {words.listed(labels)}" if labels else "no label")

    def labels(self, unit: int, end: CouplerEnd | None) -> tuple[str, ...]:
        """ "0417 at the A end: do not couple"; those in the cabs too."""
        return tuple(
            f"{row.number} {f'at the {row.end.letter} end' if row.end_id else 'in the cabs'}: {bare(row.shows)}"
            for row in self.rows.labels
            if stands_on(row, unit, end)
        )

    def isolations(self, unit: int, end: CouplerEnd | None, modes: Iterable) -> tuple[CardIsolation, ...]:
        """What is recorded as isolated, with its key; then what the rules want isolated and is not."""
        done = [row for row in self.rows.isolations if stands_on(row, unit, end)]
        asked = dict.fromkeys(code for mode in modes for code in mode.isolations)
        still = [code for code in asked if code not in {row.kind for row in done}]
        return (
            *(self.recorded(row) for row in done),
            *(CardIsolation(bare(self.rules.isolations[code].words)) for code in still),
        )

    def recorded(self, row: Isolation) -> CardIsolation:
        """One that was recorded: what, since when and where, whose key."""
        kind = self.rules.isolations.get(row.kind)
        since = ", ".join(text for text in (row.where, clock(row.since), words.name(row.by)) if text)
        return CardIsolation(kind.name if kind else row.kind, row.key, since)

    def deferral(self, finding: Finding) -> str:
        """ "Until 25 Nov 2026, 18:00, or the next coupling"; that it has run out, or counts for nothing yet."""
        left = self.left.get(finding.pk)
        if left is None:
            return ""
        row = left.row
        events = [self.rules.expiry_events.get(code, code) for code in row.events]
        said = [f"until {clock(row.until)}" + (f", or {words.listed(events, 'or')}" if events else "")]
        if left.state == deferring.OVER:
            said = [f"deferral run out {clock(left.at)}: {left.why}"]
        elif left.state == deferring.WAITING:
            said.append("waits for the engineer, so it does not count yet")
        if row.interim:
            said.append(f"in the meantime {row.interim}")
        return "; ".join([*said, *([left.worse] if left.worse else [])])


def stands_on(row, unit: int, end: CouplerEnd | None) -> bool:
    """True where a label or an isolation is on this end, or on the whole unit."""
    return row.end_id == end.pk if row.end_id and end else row.unit_id == unit


def cautions(modes: Iterable, rules) -> tuple[str, ...]:
    """The fitter's cautions: those of these modes, and those that belong to no mode: they always stand."""
    asked = {code for mode in modes for code in mode.cautions}
    asked |= set(rules.cautions) - {code for mode in rules.modes.values() for code in mode.cautions}
    return tuple(c.words for code, c in rules.cautions.items() if code in asked and c.audience != "driver")


def bare(text: str) -> str:
    """A sentence without its full stop: the card strings them together."""
    return text.strip().rstrip(".")


def all_bare(sentences: Sequence[str]) -> tuple[str, ...]:
    """The same for several."""
    return tuple(map(bare, sentences))


def day(at: datetime) -> str:
    """ "24 Nov 2026": paper names the day, whatever day it is read."""
    at = timezone.localtime(at)
    return f"{at.day} {at:%b %Y}"


def clock(at: datetime) -> str:
    """ "24 Nov 2026, 18:00"."""
    return f"{day(at)}, {timezone.localtime(at):%H:%M}"


def near_day(at: datetime) -> str:
    """ "24 Nov", for what is near."""
    at = timezone.localtime(at)
    return f"{at.day} {at:%b}"


def short(at: datetime) -> str:
    """ "24 Nov 18:00"."""
    return f"{near_day(at)} {timezone.localtime(at):%H:%M}"
