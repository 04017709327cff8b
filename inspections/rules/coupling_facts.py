"""What is so about two ends and a place, as rungs of the ruleset's ladders (`coupling_rows`): the facts behind
`coupling.can_couple`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from inspections.rules.coupling_rows import LADDERS, UNKNOWN, UNLISTED, Coupling, plain
from inspections.rules.facts import CATEGORIES
from inspections.rules.limits import DIALS, Limits

if TYPE_CHECKING:
    from inspections.rules.ruleset import Ruleset

STRAIGHT = 0
LIMITING = {
    "about": "limits about to couple",
    "running": "limits coupled and running",
    "others": "limits of the rest of the unit",
    "category": "open faults",
}


@dataclass(frozen=True, slots=True)
class Source:
    """Where limits of an end come from, by name: a finding's reference, a restriction's reason. `situation` is C or
    R, or "" for the rest of the unit; `category` that of a finding in C."""

    name: str
    limits: Limits
    situation: str = "C"
    category: int = 0


@dataclass(frozen=True, slots=True)
class End:
    """One of the two ends as it stands. None, "" and "unknown" mean not known, which never loosens.

    `contacts` is the pattern's number of them, `pipes` those of MRP and BP that it has. `about` and `running` are
    the end's limits in C and R, `others` those of the rest of its unit (the far end as it is now, limits on the
    unit). `category` is the worst of its open findings in C, 0 for none. `labels` hang on it; `height` is that of
    the head above the rail, mm. Raises ValueError for a category or height that is none.
    """

    unit: str
    letter: str
    pattern: str = ""
    contacts: int | None = None
    contacts_dead: str = UNKNOWN
    pipes: frozenset[str] | None = None
    about: Limits | None = None
    running: Limits | None = None
    others: Limits | None = None
    category: int | None = None
    labels: tuple[str, ...] = ()
    height: Decimal | None = None
    sources: tuple[Source, ...] = ()

    def __post_init__(self) -> None:
        if self.category not in (None, *range(len(CATEGORIES))):
            raise ValueError(f"category: {self.category!r} is not 0 to {len(CATEGORIES) - 1}")
        _refuse("height", self.height)

    @property
    def name(self) -> str:
        """As in "201 A"."""
        return f"{self.unit} {self.letter}".strip()

    @property
    def missing(self) -> tuple[str, ...]:
        """What may limit it and is not known, in words."""
        return tuple(words for key, words in LIMITING.items() if getattr(self, key) is None)

    @property
    def stands(self) -> bool:
        """Whether its unit is not to move."""
        return any(x is not None and x.move == "stand" for x in (self.about, self.others))


@dataclass(frozen=True, slots=True)
class Where:
    """The place: radius of its tightest curve, m (STRAIGHT: none); gradient, per mille, up or down; weather class.
    None and "" mean not known. Raises ValueError for a number that is none."""

    curve: int | None = None
    gradient: Decimal | None = None
    weather: str = ""

    def __post_init__(self) -> None:
        _refuse("curve", self.curve)
        _refuse("gradient", None if self.gradient is None else abs(self.gradient))


def _refuse(name: str, number: Decimal | int | None) -> None:
    if number is not None and not (Decimal(number).is_finite() and number >= 0):
        raise ValueError(f"{name}: {number} is not a number of 0 or more")


class So(NamedTuple):
    """A rung that is so; about an end ("" = both, or the place), with a value for its words, and with words and a
    source of their own where they are not the rung's."""

    ladder: str
    code: str
    about: str = ""
    value: str = ""
    words: str = ""
    source: str = ""


def what_is_so(ruleset: Ruleset, section: Coupling, one: End, other: End, place: Where) -> list[So]:
    """Every rung that is so; per ladder and end the worst only."""
    return [
        *_of_both(section, one, other),
        *_of_place(ruleset, section, place),
        *_of_end(ruleset, section, one),
        *_of_end(ruleset, section, other),
    ]


def _of_both(section: Coupling, one: End, other: End) -> Iterator[So]:
    if one.unit and one.unit == other.unit:
        yield So("same", "unit", source=f"unit {one.unit}")
    if one.pattern and other.pattern:
        pair = " ".join(sorted((one.pattern, other.pattern)))
        known = any(rung.code == pair for rung in section.ladders["pair"])
        yield So("pair", pair if known else "unsaid")
    if not one.contacts or one.contacts != other.contacts:
        yield So("contacts", "differ", source=_patterns(one, other))
    if not (one.pipes or frozenset()) & (other.pipes or frozenset()):
        yield So("pipes", "none", source=_patterns(one, other))
    if one.stands and other.stands:
        yield So("stand", "both", source=f"limits of {' and '.join(sorted((one.name, other.name)))}")
    if one.height is None or other.height is None:
        yield So("heights", UNKNOWN)
    else:
        yield from _range(section, "heights", abs(Decimal(one.height) - Decimal(other.height)))


def _of_place(ruleset: Ruleset, section: Coupling, place: Where) -> Iterator[So]:
    if place.curve is None:
        yield So("curve", UNKNOWN)
    elif place.curve != STRAIGHT:
        yield from _range(section, "curve", Decimal(place.curve))
    if place.gradient is None:
        yield So("gradient", UNKNOWN)
    else:
        yield from _range(section, "gradient", abs(Decimal(place.gradient)))
    if place.weather not in ruleset.weathers:
        yield So("weather", UNKNOWN)
    else:
        so_far = ruleset.weathers[: ruleset.weathers.index(place.weather) + 1]
        named = [rung.code for rung in section.ladders["weather"] if rung.code in so_far]
        yield from [So("weather", code) for code in named[-1:]]


def _range(section: Coupling, ladder: str, number: Decimal) -> Iterator[So]:
    """The worst range of a ladder that the number falls in, if any."""
    up_to = LADDERS[ladder].edge == "up_to"
    ranges = [rung for rung in section.ladders[ladder] if rung.edge is not None]
    within = [rung for rung in ranges if (number <= rung.edge if up_to else number > rung.edge)]
    yield from [So(ladder, rung.code, value=plain(number)) for rung in within[-1:]]


def _of_end(ruleset: Ruleset, section: Coupling, end: End) -> Iterator[So]:
    if not end.pattern:
        yield So("pattern", UNKNOWN, end.name, source=f"what is known of {end.name}")
    if end.contacts != 0 and end.contacts_dead != "yes":
        yield So("live", "maybe", end.name, source=_patterns(end))
    if end.missing:
        yield So("end", UNKNOWN, end.name, source=f"not known: {', '.join(end.missing)}")
    if end.category:
        names = [x.name for x in end.sources if x.situation == "C" and x.category == end.category]
        yield So("category", CATEGORIES[end.category], end.name, source=_names(end, names))
    yield from [So("label", "fitted", end.name, value=n, source=f"label {n}") for n in end.labels]
    if end.stands:
        yield So("stand", "one", end.name, source=_from(end, "move", "stand", "C", ""))
    yield from _of_dials(ruleset, end)
    yield from _of_isolations(ruleset, section, end)


def _of_dials(ruleset: Ruleset, end: End) -> Iterator[So]:
    """What the end's dials say about coupling to it and running coupled to it."""
    about, running = end.about or Limits(), end.running or Limits()
    usual, coupled = ruleset.dial_words, ruleset.running_words
    if about.couple != "normal":
        words = usual["couple"][about.couple]
        yield So("couple", about.couple, end.name, "", words, _from(end, "couple", about.couple, "C"))
    if running.couple != "normal":
        words = coupled["couple"].get(running.couple) or usual["couple"][running.couple]
        yield So("running", running.couple, end.name, "", words, _from(end, "couple", running.couple, "R"))
    if running.move == "stand":
        yield So("train", "stand", end.name, source=_from(end, "move", "stand", "R"))
    for dial, loosest in (("uncouple", "normal"), ("rescue", "yes")):
        value = max(getattr(about, dial), getattr(running, dial), key=DIALS[dial].index)
        if value != loosest:
            words = coupled[dial].get(value) or usual[dial][value]
            yield So(dial, value, end.name, "", words, _from(end, dial, value, "C", "R"))


def _of_isolations(ruleset: Ruleset, section: Coupling, end: End) -> Iterator[So]:
    """What is isolated at the end, or asked to be; the rest of its unit does not matter to this joint."""
    known: Mapping[str, str] = {code: isolation.words for code, isolation in ruleset.isolations.items()}
    own = {rung.code for rung in section.ladders["isolation"]}
    for limits in (end.about, end.running):
        for code in limits.isolations if limits else ():
            names = [x.name for x in end.sources if x.situation and code in x.limits.isolations]
            words = known.get(code) or f"Isolate: {code}."
            yield So("isolation", code if code in own else UNLISTED, end.name, "", words, _names(end, names))


def _patterns(*ends: End) -> str:
    codes = sorted({end.pattern or "not known" for end in ends})
    return f"pattern {' and '.join(codes)}"


def _from(end: End, dial: str, value: str, *situations: str) -> str:
    """The names of the sources that set a dial to this value."""
    return _names(
        end, [x.name for x in end.sources if x.situation in situations and getattr(x.limits, dial) == value]
    )


def _names(end: End, names: list[str]) -> str:
    return "; ".join(sorted(set(names))) or f"limits of {end.name}, as known"
