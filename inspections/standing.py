"""What an end may do now: rows → limits → join. Reads, writes nothing; derived at every read.

Standing(end, at) = for each situation the join of the limits of the current grades' cells, restrictions, expired
deferrals and isolations, in the worst weather class alerted where the unit is or seen there in the last 12 hours.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import OuterRef, Q, QuerySet, Subquery, TextField
from django.db.models.functions import Cast

from fleet.models import CouplerEnd, Coupling, CouplingSide, Unit, WeatherAlert
from inspections import expiry, grading
from inspections.models import Finding, GradeCell, InspectedEnd, Inspection, Isolation, Restriction, Visit
from inspections.rules import explain
from inspections.rules.facts import CATEGORIES, SITUATION_WORDS, SITUATIONS
from inspections.rules.grade import settle
from inspections.rules.limits import DIALS, NO_LIMITS, Limits, join, join_all, tighter_or_equal

WEATHER_LASTS = timedelta(hours=12)
CELL = ("grade", "situation", "weather", "category")


@dataclass(frozen=True, slots=True)
class Source:
    """One limit in force: "finding", "restriction", "isolation" or "deferral"; its reference, reason or name.

    `category` is that of a finding's grade; `row` the id of what a person set; `code` what was isolated.
    """

    kind: str
    name: str
    limits: Limits
    category: int | None = None
    words: tuple[str, ...] = ()
    row: int | None = None
    code: str = ""

    def saying(self, words: tuple[str, ...]) -> Source:
        """The same with its limits in words; there may be very many."""
        return Source(self.kind, self.name, self.limits, self.category, words, self.row, self.code)


@dataclass(frozen=True, slots=True)
class InSituation:
    """One situation of an end: the settled limits, the worst category among its findings, where they come from."""

    situation: str
    limits: Limits
    category: int | None
    sources: tuple[Source, ...]
    words: tuple[str, ...]

    @property
    def done(self) -> frozenset[str]:
        """Codes of what is shut or cut out there."""
        return frozenset(source.code for source in self.sources if source.code)

    @property
    def situation_words(self) -> str:
        return SITUATION_WORDS[self.situation]

    @property
    def category_word(self) -> str:
        return "" if self.category is None else CATEGORIES[self.category]


@dataclass(frozen=True, slots=True)
class EndStanding:
    """An end's standing as known at `at`; `now` is the situation it was last known to be in."""

    end: CouplerEnd
    at: datetime
    weather: str
    now: str
    situations: dict[str, InSituation]

    @property
    def current(self) -> InSituation:
        return self.situations[self.now]

    @property
    def others(self) -> list[InSituation]:
        return [self.situations[s] for s in SITUATIONS if s != self.now]

    def as_told(self) -> dict[str, object]:
        """What the person was told, for storing: JSON-able."""
        return {
            "at": self.at.isoformat(),
            "weather": self.weather,
            "now": self.now,
            **{s: {"category": x.category, "words": list(x.words)} for s, x in self.situations.items()},
        }


@dataclass(frozen=True, slots=True)
class UnitStanding:
    """A unit: worst of its ends for move, passengers, speed, isolations; couple and uncouple stay per end."""

    unit: Unit
    at: datetime
    ends: tuple[EndStanding, ...]
    limits: Limits
    words: tuple[str, ...]
    category: int | None

    @property
    def weather(self) -> str:
        return self.ends[0].weather if self.ends else ""


def of_ends(ends: Sequence[CouplerEnd], at: datetime, *, at_least: str = "") -> dict[int, EndStanding]:
    """End id → standing, in a fixed number of queries however many ends. Ends come with `unit` and `pattern`.

    `at_least`: a weather class that holds where they are, whatever is alerted.
    """
    if not ends:
        return {}
    rules = grading.ruleset(at)
    whereabouts = last_known(ends, at)
    weather = weather_of(ends, whereabouts, rules.weathers, at)
    if at_least in rules.weathers:
        weather = {pk: max(code, at_least, key=rules.weathers.index) for pk, code in weather.items()}
    graded = graded_limits(ends, weather)
    set_by_people = restrictions(ends, at)
    shut = isolations(ends, at, rules)
    run_out = expired(ends, at, rules)
    found = {}
    for end in ends:
        always = (*set_by_people[end.pk], *shut[end.pk])
        sources = {s: with_conflicts((*graded[end.pk, s], *always, *run_out[end.pk, s]), rules) for s in SITUATIONS}
        found[end.pk] = from_sources(end, at, weather[end.pk], whereabouts[end.pk].situation, sources, rules)
    return found


def from_sources(end, at, weather, now, sources: Mapping[str, Sequence[Source]], rules) -> EndStanding:
    """The standing of one end from what limits it in each situation. Reads nothing.

    A source says its limits in words for the situation; what is isolated already it does not ask for.
    """
    situations = {}
    for situation in SITUATIONS:
        different = {source.limits for source in sources[situation]}
        limits = settle(rules, *different)
        done = {source.code for source in sources[situation] if source.code}
        said = {each: explain.limit_words(rules, each, situation, done) for each in different}
        situations[situation] = InSituation(
            situation=situation,
            limits=limits,
            category=max((s.category for s in sources[situation] if s.category is not None), default=None),
            sources=tuple(source.saying(said[source.limits]) for source in sources[situation]),
            words=explain.limit_words(rules, limits, situation, done),
        )
    return EndStanding(end, at, weather, now, situations)


def of_units(units: Sequence[Unit], at: datetime) -> dict[int, UnitStanding]:
    """Unit id → standing, in a fixed number of queries."""
    ends = list(CouplerEnd.objects.filter(unit__in=units).select_related("unit", "pattern"))
    standings, rules = of_ends(ends, at), grading.ruleset(at)
    by_unit = defaultdict(list)
    for end in ends:
        by_unit[end.unit_id].append(standings[end.pk])
    return {unit.pk: joined(unit, at, by_unit[unit.pk], rules) for unit in units}


def joined(unit: Unit, at: datetime, ends: list[EndStanding], rules) -> UnitStanding:
    """The unit from its ends, each in the situation it is in now; rescue is the better end's."""
    now = [end.current for end in ends]
    worst = join_all(x.limits for x in now)
    rescue = min((x.limits.rescue for x in now), key=DIALS["rescue"].index, default="yes")
    limits = Limits(
        move=worst.move,
        passengers=worst.passengers,
        rescue=rescue,
        speed=worst.speed,
        isolations=worst.isolations,
    )
    asked = frozenset().union(*(x.limits.isolations - x.done for x in now))
    return UnitStanding(
        unit=unit,
        at=at,
        ends=tuple(sorted(ends, key=lambda e: e.end.letter)),
        limits=limits,
        words=explain.limit_words(rules, limits, done=limits.isolations - asked),
        category=max((x.category for x in now if x.category is not None), default=None),
    )


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """The situation an end was last known in, and the place its unit was last known at (id or None)."""

    situation: str
    place: int | None


def last_known(ends: Sequence[CouplerEnd], at: datetime) -> dict[int, Whereabouts]:
    """End id → whereabouts: the latest of coupling, inspection and visit. Three queries."""
    sides = CouplingSide.objects.filter(end=OuterRef("pk"), at__lte=at).order_by("-at")
    # By the unit as well: its index on the time seen lets the search stop at the first look.
    looks = InspectedEnd.objects.filter(end=OuterRef("pk"), inspection__unit=OuterRef("unit"))
    looks = looks.filter(inspection__seen__lte=at).order_by("-inspection__seen")
    visits = Visit.objects.filter(unit=OuterRef("unit"), since__lte=at).order_by("-since")
    seen = Inspection.objects.filter(unit=OuterRef("unit"), seen__lte=at, place__isnull=False).order_by("-seen")
    rows = CouplerEnd.objects.filter(pk__in=[end.pk for end in ends]).annotate(
        last_coupling=Subquery(sides.values("coupling")[:1]),
        look_situation=Subquery(looks.values("situation")[:1]),
        look_seen=Subquery(looks.values("inspection__seen")[:1]),
        visit_depot=Subquery(visits.values("depot")[:1]),
        visit_since=Subquery(visits.values("since")[:1]),
        place_seen=Subquery(seen.values("seen")[:1]),
        place_id=Subquery(seen.values("place")[:1]),
    )
    rows = list(rows)
    couplings = Coupling.objects.in_bulk({row.last_coupling for row in rows if row.last_coupling})
    return {row.pk: whereabouts(row, couplings.get(row.last_coupling), at) for row in rows}


def whereabouts(row, coupling: Coupling | None, at: datetime) -> Whereabouts:
    """From the last coupling, look and visit of one end."""
    places = [(row.place_seen, row.place_id), (row.visit_since, row.visit_depot)]
    situations = [(row.look_seen, row.look_situation)]
    if coupling:
        parted = coupling.parted is not None and coupling.parted <= at
        joined_now = coupling.outcome == Coupling.Outcome.COUPLED and not parted
        places.append((coupling.at, coupling.place_id))
        situations.append((coupling.parted if parted else coupling.at, "R" if joined_now else "U"))
    return Whereabouts(situation=latest(situations) or "U", place=latest(places))


def latest(pairs):
    """The value with the latest time, or None; pairs without a time do not count."""
    return max((pair for pair in pairs if pair[0]), key=lambda pair: pair[0], default=(None, None))[1]


def weather_of(ends, places: dict[int, Whereabouts], classes: Sequence[str], at: datetime) -> dict[int, str]:
    """End id → the worst weather class alerted at its place or seen by a report on its unit. Two queries."""
    alerts = defaultdict(set)
    for place, weather in WeatherAlert.objects.at(at).values_list("place", "weather"):
        alerts[place].add(weather)
    seen = defaultdict(set)
    recent = Inspection.objects.filter(
        unit__in={end.unit_id for end in ends if end.unit_id}, seen__lte=at, seen__gt=at - WEATHER_LASTS
    )
    for unit, weather in recent.exclude(weather="").values_list("unit", "weather"):
        seen[unit].add(weather)
    order = {weather: position for position, weather in enumerate(classes)}
    return {
        end.pk: max(
            (w for w in alerts[places[end.pk].place] | seen[end.unit_id] if w in order),
            key=order.get,
            default=classes[0],
        )
        for end in ends
    }


def graded_limits(ends, weather: dict[int, str]) -> dict[tuple[int, str], list[Source]]:
    """(End id, situation) → what the open findings say; one whose end is not known counts at both.

    Two queries; one more where a grade does not know a weather class. Cells are read as columns: there may be many.
    """
    at_end = defaultdict(list)
    by_unit = defaultdict(list)
    for end in ends:
        by_unit[end.unit_id].append(end.pk)
    open_here = Finding.objects.open().filter(
        Q(end__in=[end.pk for end in ends]) | Q(end__isnull=True, unit__in=[u for u in by_unit if u])
    )
    for grade, ref, end, unit in open_here.values_list("current_grade", "ref", "end", "unit"):
        for pk in [end] if end else by_unit[unit]:
            at_end[grade].append((pk, ref))
    found = defaultdict(list)
    now = GradeCell.objects.filter(grade__in=open_here.values("current_grade"))
    cells = read_cells(now.filter(weather__in=set(weather.values())))
    lacking = {grade for grade in at_end if grade and len(cells.get((grade, "U"), ())) < len(set(weather.values()))}
    if lacking:
        cells |= read_cells(now.filter(grade__in=lacking))
    for (grade, situation), by_weather in cells.items():
        for pk, ref in at_end[grade]:
            # A grade made before the ruleset knew this weather class: every cell it has counts.
            chosen = [by_weather[weather[pk]]] if weather[pk] in by_weather else list(by_weather.values())
            limits = chosen[0][0] if len(chosen) == 1 else join_all(limits for limits, _ in chosen)
            found[pk, situation].append(Source("finding", ref, limits, max(category for _, category in chosen)))
    return found


def read_cells(rows: QuerySet) -> dict[tuple[int, str], dict[str, tuple[Limits, int]]]:
    """These cells by grade and situation, then weather. Equal limits are one object."""
    different: dict[tuple, Limits] = {}
    found = defaultdict(dict)
    rows = rows.annotate(shut=Cast("isolations", TextField()))
    for grade, situation, weather, category, *dials in rows.values_list(*CELL, *DIALS, "speed", "shut").iterator():
        key = tuple(dials)
        if key not in different:
            *values, speed, shut = dials
            different[key] = Limits(*values, speed, frozenset(json.loads(shut)))
        found[grade, situation][weather] = different[key], category
    return found


def restrictions(ends, at: datetime) -> dict[int, list[Source]]:
    """End id → what people have restricted, on the end or its unit. One query."""
    found = defaultdict(list)
    for row, pks in on_ends(Restriction.objects.in_force(at), ends):
        for pk in pks:
            found[pk].append(Source("restriction", row.why, row.limits, row=row.pk))
    return found


def isolations(ends, at: datetime, rules) -> dict[int, list[Source]]:
    """End id → what is shut or cut out there, with the limits its kind brings. One query."""
    found = defaultdict(list)
    for row, pks in on_ends(Isolation.objects.in_force(at), ends):
        kind = rules.isolations.get(row.kind)
        for pk in pks:
            limits = kind.brings if kind else NO_LIMITS
            name = kind.name if kind else row.kind
            found[pk].append(Source("isolation", name, limits, row=row.pk, code=row.kind))
    return found


def with_conflicts(sources: Sequence[Source], rules) -> Sequence[Source]:
    """The sources and, of what is shut, each named conflict that is there only because it is shut."""
    shut = [source for source in sources if source.code]
    if not shut:
        return sources
    asked = join_all(source.limits for source in sources)
    done = join(asked, Limits(isolations=frozenset(source.code for source in shut)))
    new = [
        c for c in rules.conflicts.values() if tighter_or_equal(done, c.when) and not tighter_or_equal(asked, c.when)
    ]
    return (*sources, *(Source("isolation", conflict.words, conflict.then, row=shut[-1].row) for conflict in new))


def on_ends(rows, ends):
    """Each of these rows with the ids of the ends it stands on: its own, or all of its unit."""
    by_unit = defaultdict(list)
    for end in ends:
        by_unit[end.unit_id].append(end.pk)
    there = Q(end__in=[end.pk for end in ends]) | Q(unit__in=[unit for unit in by_unit if unit])
    for row in rows.filter(there):
        yield row, [row.end_id] if row.end_id else by_unit[row.unit_id]


def expired(ends, at: datetime, rules) -> dict[tuple[int, str], list[Source]]:
    """(End id, situation) → the limits of deferrals that have run out. A fixed number of queries."""
    by_unit = defaultdict(list)
    for end in ends:
        by_unit[end.unit_id].append(end.pk)
    found = defaultdict(list)
    units = [unit for unit in by_unit if unit]
    for end in expiry.ran_out(at, ends=[end.pk for end in ends], units=units):
        finding = end.deferral.finding
        for situation, limits in limits_on_expiry(finding, rules).items():
            for pk in [finding.end_id] if finding.end_id else by_unit[finding.unit_id]:
                found[pk, situation].append(Source("deferral", finding.ref, limits, row=end.deferral.pk))
    return found


def limits_on_expiry(finding: Finding, rules) -> dict[str, Limits]:
    """Situation → what joins in when a deferral of this finding has run out: the mode's own, else the ruleset's."""
    modes = finding.current_grade.modes if finding.current_grade else []
    tables = [rules.modes[mode].on_expiry or rules.on_expiry for mode in modes if mode in rules.modes]
    tables = tables or [rules.on_expiry]
    return {s: join_all(table[s] for table in tables if s in table) for s in SITUATIONS}


def words_on_expiry(finding: Finding, rules) -> dict[str, tuple[str, ...]]:
    """The same in sentences."""
    return {s: explain.limit_words(rules, limits, s) for s, limits in limits_on_expiry(finding, rules).items()}
