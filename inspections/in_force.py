"""Everything in force, unit by unit: what it stops now, and where each limit comes from. Reads, writes nothing.

The railway's page and each unit's page are made from the same groups. The number of queries does not depend on how
many units there are or how much is in force.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from django.contrib.auth.models import User
from django.db.models import Q

from fleet.models import CouplerEnd, Unit
from inspections import assistance, deferring, grading, labels, standing, words
from inspections.models import Finding, Isolation, Label, Restriction
from inspections.permissions import may
from inspections.rules.facts import SITUATION_WORDS, SITUATIONS

# Kind → how a list of that kind is called, in the order in which a unit's are listed.
KINDS = {
    "restriction": "Restrictions",
    "label": "Labels",
    "isolation": "Isolations",
    "deferral": "Deferrals",
    "finding": "Limits from reports",
}
WHOLE = "The whole unit"


@dataclass(frozen=True, slots=True)
class Item:
    """One thing in force. `what` names it, `where` its end or "The whole unit"; `stops` are its limits now in words,
    `then` those in another situation where they differ: (situation, sentences).

    `notes` say what is odd or to be done, `states` what filters go by. `ref` is the finding's it belongs to, "" for
    none. `by` and `why` are empty for whoever may not see them. `row` is the id of the row of its kind.
    """

    kind: str
    row: int
    what: str
    where: str
    since: datetime
    stops: tuple[str, ...] = ()
    then: tuple[tuple[str, tuple[str, ...]], ...] = ()
    notes: tuple[str, ...] = ()
    state: str = ""
    ref: str = ""
    by: str = ""
    why: str = ""

    @property
    def spoken(self) -> str:
        """The finding's reference in its two groups."""
        return words.spoken(self.ref)


@dataclass(frozen=True, slots=True)
class Group:
    """A unit (or a vehicle that is in none just now) with all that is in force on it.

    `words` are the unit's limits now; `ends` what each end adds: (letter, situation now, sentences).
    """

    title: str
    unit: Unit | None
    standings: tuple[standing.EndStanding, ...]
    words: tuple[str, ...]
    ends: tuple[tuple[str, str, tuple[str, ...]], ...]
    items: tuple[Item, ...]
    need: assistance.Need | None = None

    @property
    def anything(self) -> bool:
        """True where something is in force, or a plan is needed."""
        return bool(self.items or self.need)

    def only(self, kinds: Iterable[str]) -> tuple[Item, ...]:
        """Its items of these kinds."""
        return tuple(item for item in self.items if item.kind in kinds)


@dataclass(frozen=True, slots=True)
class Rows:
    """What is in force on some units, as rows; each list in order."""

    restrictions: Sequence[Restriction]
    labels: Sequence[Label]
    isolations: Sequence[Isolation]
    left: Sequence[deferring.Left]
    findings: Sequence[Finding]
    labelled: set[int] = field(default_factory=set)


def on_railway(reader: User, now: datetime) -> list[Group]:
    """Every unit and loose vehicle with something in force, by number."""
    units = list(Unit.objects.order_by("number"))
    loose = list(CouplerEnd.objects.filter(unit__isnull=True).select_related("pattern"))
    groups = groups_of(units, reader, now)
    if loose:
        groups += of_vehicles(loose, reader, now)
    return [group for group in groups if group.anything]


def on_unit(unit: Unit, reader: User, now: datetime) -> Group:
    """One unit, whether anything is in force on it or not."""
    return groups_of([unit], reader, now)[0]


def groups_of(units: Sequence[Unit], reader: User, now: datetime) -> list[Group]:
    """These units in order, in a fixed number of queries."""
    known = standing.of_units(units, now)
    needs = assistance.of_standings(known.values())
    rows = read_rows(Q(end__unit__in=units) | Q(unit__in=units), [e for k in known.values() for e in k.ends], now)
    writer = Writer(rows, reader, now)
    return [
        Group(
            title=unit.number,
            unit=unit,
            standings=known[unit.pk].ends,
            words=known[unit.pk].words,
            ends=ends_of(known[unit.pk]),
            items=writer.items(known[unit.pk].ends, unit),
            need=needs.get(unit.pk),
        )
        for unit in units
    ]


def of_vehicles(ends: Sequence[CouplerEnd], reader: User, now: datetime) -> list[Group]:
    """Vehicles that are in no unit just now: what was set on their end stays on it."""
    known = standing.of_ends(ends, now)
    writer = Writer(read_rows(Q(end__in=ends), known.values(), now), reader, now)
    return [
        Group(
            title=f"Vehicle {end.vehicle}, in no unit",
            unit=None,
            standings=(known[end.pk],),
            words=known[end.pk].current.words,
            ends=(),
            items=writer.items((known[end.pk],), None),
        )
        for end in ends
    ]


def ends_of(known: standing.UnitStanding) -> tuple[tuple[str, str, tuple[str, ...]], ...]:
    """What each end may not do beyond what the whole unit may not."""
    return tuple(
        (end.end.letter, end.current.situation_words, said)
        for end in known.ends
        if (said := tuple(word for word in end.current.words if word not in known.words))
    )


def read_rows(there: Q, ends: Iterable[standing.EndStanding], now: datetime) -> Rows:
    """What is in force `there`: rows of the kinds that stand on an end or a unit, and of findings."""
    ends = list(ends)
    coupled = {end.end.pk for end in ends if end.now == "R"}
    findings = list(Finding.objects.open().filter(there).for_list().worst_first())
    hanging = list(in_order(Label.objects.in_force(now).filter(there), *SHOWN_BY_LABEL))
    shown = {row.restriction_id for row in hanging if row.restriction and shows(row)}
    return Rows(
        restrictions=list(in_order(Restriction.objects.in_force(now).filter(there), "finding", "close_out")),
        labels=hanging,
        isolations=list(in_order(Isolation.objects.in_force(now).filter(there), "finding")),
        left=deferring.all_left(now, of=findings, coupled=coupled),
        findings=findings,
        labelled=shown,
    )


SHOWN_BY_LABEL = ("restriction__end__unit", "restriction__unit", "restriction__finding")


def in_order(rows, *more):
    """Rows on an end or a unit, with what their line says, the longest in force first."""
    return rows.select_related("end__unit", "unit", "by", *more).order_by("since", "pk")


def shows(label: Label) -> bool:
    """True where the label hangs where its restriction is."""
    return labels.shows_there(label.restriction, label.end, label.unit)


class Writer:
    """Makes lines of rows, for one reader at one time. What a line stops comes from the standings of its ends."""

    def __init__(self, rows: Rows, reader: User, now: datetime):
        self.rules, self.now, self.named = grading.ruleset(now), now, may(reader, "see words")
        self.by_place: dict[tuple, list] = defaultdict(list)
        makers = {
            self.restriction: rows.restrictions,
            self.label: rows.labels,
            self.isolation: rows.isolations,
            self.deferral: rows.left,
            self.finding: rows.findings,
        }
        self.labelled = rows.labelled
        for make, its in makers.items():
            for row in its:
                stands = row.row.finding if isinstance(row, deferring.Left) else row
                place = ("end", stands.end_id) if stands.end_id else ("unit", stands.unit_id)
                self.by_place[place].append((make, row))

    def items(self, ends: Sequence[standing.EndStanding], unit: Unit | None) -> tuple[Item, ...]:
        """The lines of one unit: by kind, then the whole unit before its ends."""
        places = [("unit", unit.pk)] if unit else []
        places += [("end", end.end.pk) for end in ends]
        made = [make(row, ends) for place in places for make, row in self.by_place[place]]
        order = list(KINDS)
        return tuple(sorted((item for item in made if item), key=lambda item: order.index(item.kind)))

    def stops(self, ends, kind: str, key) -> dict[str, object]:
        """`stops` and `then` of one source of limits, in the situation its first end is in now."""
        for end in ends:
            said: dict[str, tuple[str, ...]] = {}
            for s in SITUATIONS:
                mine = [x for x in end.situations[s].sources if x.kind == kind and key == (x.row or x.name)]
                if mine:
                    said[s] = tuple(dict.fromkeys(words_ for source in mine for words_ in source.words))
            if said:
                stops = said.get(end.now, ())
                then = [(s, said[s]) for s in said if s != end.now and said[s] and said[s] != stops]
                return {"stops": stops, "then": tuple((SITUATION_WORDS[s].capitalize(), w) for s, w in then)}
        return {}

    def people(self, row, why: str = "") -> dict[str, str]:
        """Who and why, for those who may see it."""
        return {"by": words.name(row.by), "why": why} if self.named else {}

    def restriction(self, row: Restriction, ends) -> Item:
        notes = () if row.pk in self.labelled else ("No label shows it there",)
        if row.finding_id and not row.finding.is_open and not row.close_out_id:
            notes += ("Its report is no longer open: see whether it can be lifted",)
        there = [end.current.done for end in ends if row.end_id in (None, end.end.pk)]
        if row.limits.isolations and all(row.limits.isolations <= done for done in there):
            notes += ("What it asks to be isolated is isolated",)
        ref = row.finding.ref if row.finding_id else ""
        left = "Released with limits" if row.close_out_id else "Restriction by control"
        return Item(
            "restriction", row.pk, left, place_of(row), row.since, notes=notes, ref=ref,
            **self.stops(ends, "restriction", row.pk), **self.people(row, row.why),
        )  # fmt: skip

    def label(self, row: Label, ends) -> Item:
        notes, state = (), ""
        restriction = row.restriction
        if restriction and restriction.lifted and restriction.lifted <= self.now:
            notes, state = ("Its restriction was lifted: take it down",), "take down"
        elif restriction and not shows(row):
            notes, state = (f"To be moved: its restriction is on {standing_on(restriction)}",), "to be moved"
        return Item(
            "label", row.pk, f"Label {row.number}: {row.shows}", place_of(row, "In the cabs"), row.since,
            notes=notes, state=state, ref=restriction.finding.ref if restriction and restriction.finding_id else "",
            **self.people(row),
        )  # fmt: skip

    def isolation(self, row: Isolation, ends) -> Item:
        kind = self.rules.isolations.get(row.kind)
        name = kind.name if kind else row.kind
        key = f"Key: {row.key}" if row.key else ""
        return Item(
            "isolation", row.pk, f"{name[:1].upper()}{name[1:]}, {row.where}", place_of(row), row.since,
            ref=row.finding.ref if row.finding_id else "",
            **self.stops(ends, "isolation", row.pk), **self.people(row, key),
        )  # fmt: skip

    def deferral(self, left: deferring.Left, ends) -> Item:
        row, finding = left.row, left.row.finding
        stops = self.stops(ends, "deferral", row.pk) if left.state == deferring.OVER else {}
        what = f"Not repaired yet: {words.part(self.rules, finding)}"
        return Item(
            "deferral", row.pk, what, end_of(finding), row.since,
            notes=deferring.said_of(left, self.rules, self.now), state=left.state, ref=finding.ref,
            **stops, **self.people(row, row.why),
        )  # fmt: skip

    def finding(self, row: Finding, ends) -> Item | None:
        """None where the report limits nothing in any situation."""
        said = self.stops(ends, "finding", row.ref)
        if not said.get("stops") and not said.get("then"):
            return None
        what = f"{words.category(row).capitalize()}: {words.part(self.rules, row)}. {words.fault(self.rules, row)}"
        return Item("finding", row.pk, what, end_of(row), row.first_seen, ref=row.ref, **said)


def place_of(row, whole: str = WHOLE) -> str:
    """ "A end", "The whole unit"."""
    return f"{row.end.letter} end".strip() if row.end_id else whole


def end_of(finding: Finding) -> str:
    """ "A end", or that both ends carry it."""
    return finding.end_words if finding.end_id else "End not known: both ends"


def standing_on(restriction: Restriction) -> str:
    """ "the B end of 201", "the whole of 201"."""
    return f"the {words.end(restriction.end)}" if restriction.end_id else f"the whole of {restriction.unit}"
