"""Can these two ends couple? Rows → `rules.coupling` → what a page says of it. Reads, writes nothing.

The phone makes the same of the facts it carries: `static/js/ask.js`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from fleet.models import CouplerEnd, CouplerPattern, Place, WeatherAlert
from inspections import grading, standing
from inspections.models import Isolation, Label
from inspections.rules import coupling, explain
from inspections.rules.grade import settle
from inspections.rules.limits import Limits, join_all

PIPES = ("MRP", "BP")
SITUATIONS = ("C", "R")
FULL = coupling.LEVELS[0]


@dataclass(frozen=True, slots=True)
class Asked:
    """Two ends as (unit number, letter), and where: a place on the list or None, and what somebody looked at there.

    `apart`: difference in height of the two heads, mm; `curve`: radius in m, 0 for straight track; `gradient` per
    mille; None where nobody looked: then the place's own, where recorded. `weather`: a class that holds there, or "".
    """

    one: tuple[str, str]
    other: tuple[str, str]
    place: Place | None = None
    apart: Decimal | None = None
    curve: int | None = None
    gradient: Decimal | None = None
    weather: str = ""


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two ends as the page shows it. `end` is None where it is not on the list.

    `stand`: what holds about to couple, in words; `notes`: what else matters to who reads the answer.
    """

    name: str
    end: CouplerEnd | None
    stand: tuple[str, ...]
    labels: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def pattern(self) -> CouplerPattern | None:
        return self.end.pattern if self.end else None


@dataclass(frozen=True, slots=True)
class Found:
    """The answer, its two sides, and what was taken for the place and the weather.

    `train`: once joined, in words; `allows`: what each rule allows at most, in words.
    """

    answer: coupling.Answer
    sides: tuple[Side, Side]
    where: coupling.Where
    weather: str
    train: tuple[str, ...]
    allows: Mapping[str, str]


def find(asked: Asked, at: datetime, *, named: bool) -> Found:
    """The answer as known at `at`, in a fixed number of queries. `named`: whether reasons of people are shown."""
    rules = grading.ruleset(at)
    numbers = {asked.one[0], asked.other[0]}
    ends = list(CouplerEnd.objects.filter(unit__number__in=numbers).select_related("unit", "pattern"))
    weather = weather_for(asked, ends, at, rules)
    known = standing.of_ends(ends, at, at_least=weather)
    hung, shut = labels_at(ends, at), shut_at(ends, at)
    where = place_for(asked, weather)
    pair = [meant(ends, *asked.one), meant(ends, *asked.other)]
    heights = (asked.apart, None if asked.apart is None else Decimal(0))
    facts = [
        end_facts(name, end, height, ends=ends, known=known, hung=hung, shut=shut, named=named, rules=rules)
        for name, end, height in zip((asked.one, asked.other), pair, heights, strict=True)
    ]
    answer = coupling.can_couple(rules, *facts, where)
    return Found(
        answer=answer,
        sides=tuple(side(fact, end, ends, known) for fact, end in zip(facts, pair, strict=True)),
        where=where,
        weather=rules.weather_words[weather].name,
        train=explain.limit_words(rules, answer.train, "R") if answer.train else (),
        allows=allowed(rules),
    )


def allowed(rules) -> dict[str, str]:
    """Rule → what it allows at most, in words: "" for all of it, to look first where somebody has to."""
    section = rules.coupling
    if section is None:
        return {}
    return {
        rung.rule: section.first if rung.to_look_at else "" if rung.level == FULL else section.levels[rung.level]
        for rung in section.rungs()
    }


def meant(ends: Sequence[CouplerEnd], number: str, letter: str) -> CouplerEnd | None:
    return next((end for end in ends if (end.unit.number, end.letter) == (number, letter)), None)


def weather_for(asked: Asked, ends: Sequence[CouplerEnd], at: datetime, rules) -> str:
    """The worst class that was said, is alerted at the place, or holds where either unit is; else the mildest."""
    said = {asked.weather}
    if asked.place:
        said |= set(WeatherAlert.objects.at(at).filter(place=asked.place).values_list("weather", flat=True))
    whereabouts = standing.last_known(ends, at) if ends else {}
    said |= set(standing.weather_of(ends, whereabouts, rules.weathers, at).values())
    return max(said & set(rules.weathers), key=rules.weathers.index, default=rules.weathers[0])


def place_for(asked: Asked, weather: str) -> coupling.Where:
    """What was looked at there, else what is recorded of the place."""
    place = asked.place
    recorded = (place.curve_radius_m, place.gradient_per_mille) if place else (None, None)
    return coupling.Where(
        curve=recorded[0] if asked.curve is None else asked.curve,
        gradient=recorded[1] if asked.gradient is None else asked.gradient,
        weather=weather,
    )


def end_facts(name, end, height, *, ends, known, hung, shut, named, rules) -> coupling.End:
    """One end for the rules: of an end that is not on the list nothing is known.

    What is shut or cut out there counts as well as what is asked to be.
    """
    if end is None:
        return coupling.End(*name, height=height)
    mine, cut = known[end.pk], Limits(isolations=frozenset(shut[end.pk]))
    about = mine.situations["C"]
    cut_out = [(rules.isolations[code].name if code in rules.isolations else code, code) for code in shut[end.pk]]
    return coupling.End(
        unit=end.unit.number,
        letter=end.letter,
        pattern=end.pattern.code,
        contacts=end.pattern.contacts,
        contacts_dead=end.pattern.contacts_dead,
        pipes=frozenset(end.pattern.pipes.values()) & set(PIPES),
        about=settle(rules, about.limits, cut),
        running=settle(rules, mine.situations["R"].limits, cut),
        others=join_all(unit_limits(known[far.pk].current.limits) for far in far_ends(end, ends)),
        category=about.category or 0,
        labels=tuple(hung[end.pk]),
        height=height,
        sources=(*sources(end, ends, known, named), *isolated(cut_out, named)),
    )


def far_ends(end: CouplerEnd, ends: Sequence[CouplerEnd]) -> list[CouplerEnd]:
    """The other ends of its unit."""
    return [far for far in ends if far.unit_id == end.unit_id and far.pk != end.pk]


def unit_limits(limits: Limits) -> Limits:
    """What limits at one end mean for the rest of the unit: how it moves, not how that end couples."""
    return Limits(move=limits.move, passengers=limits.passengers, speed=limits.speed, isolations=limits.isolations)


def sources(end, ends, known, named) -> Iterator[coupling.Source]:
    """Where its limits come from, and those of the rest of its unit."""
    for situation in SITUATIONS:
        for source in known[end.pk].situations[situation].sources:
            name = source_name(source, named)
            yield coupling.Source(name, source.limits, situation, source.category or 0)
    for far in far_ends(end, ends):
        for source in known[far.pk].current.sources:
            yield coupling.Source(source_name(source, named), source.limits, "")


def isolated(cut_out: Sequence[tuple[str, str]], named: bool) -> Iterator[coupling.Source]:
    """The isolations themselves, (name, code), as where they come from; `standing` has the limits they bring."""
    for name, code in cut_out:
        source = standing.Source("isolation", name, Limits(isolations=frozenset({code})))
        for situation in SITUATIONS:
            yield coupling.Source(source_name(source, named), source.limits, situation)


def source_name(source: standing.Source, named: bool) -> str:
    """A finding by its reference, what a person set by its kind, and for some readers its reason."""
    if source.kind == "restriction":
        return f"restriction by control: {source.name}" if named else "restriction by control"
    if source.kind == "isolation":
        return f"isolation: {source.name}"
    spoken = f"report {source.name[:4]} {source.name[4:]}"
    return f"deferral run out, {spoken}" if source.kind == "deferral" else spoken


def labels_at(ends: Sequence[CouplerEnd], at: datetime) -> dict[int, list[str]]:
    """End id → numbers of the labels that hang there or in its unit's cabs, in order. One query."""
    return on_each(Label.objects.in_force(at), ends, "number")


def shut_at(ends: Sequence[CouplerEnd], at: datetime) -> dict[int, list[str]]:
    """End id → codes of what is shut or cut out there or on its unit, in order. One query."""
    return on_each(Isolation.objects.in_force(at), ends, "kind")


def on_each(rows, ends: Sequence[CouplerEnd], field: str) -> dict[int, list[str]]:
    """End id → this field of the rows that stand on it or its unit, each once, in order."""
    found = defaultdict(set)
    for row, pks in standing.on_ends(rows, ends):
        for pk in pks:
            found[pk].add(getattr(row, field))
    return defaultdict(list, {pk: sorted(values) for pk, values in found.items()})


def side(fact: coupling.End, end, ends, known) -> Side:
    """One end as the page shows it."""
    if end is None:
        return Side(fact.name, None, (), (), ("Not on our list: nothing is known of it.",))
    notes = []
    if known[end.pk].now == "R":
        notes.append("This end is recorded as coupled now.")
    if any(known[far.pk].now == "R" for far in far_ends(end, ends)):
        notes.append("The other end is recorded as coupled: what is coupled there is not in this answer.")
    return Side(fact.name, end, known[end.pk].situations["C"].words, fact.labels, tuple(notes))


def plain(number: Decimal) -> str:
    """ "40" for 40.0."""
    return f"{number.normalize():f}"
