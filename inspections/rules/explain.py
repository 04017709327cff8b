"""The grade and the limits in words: sentences of at most 25 words, from the ruleset's own text."""

from __future__ import annotations

from collections.abc import Collection
from decimal import Decimal
from typing import TYPE_CHECKING

from inspections.rules.answers import Grade
from inspections.rules.facts import CATEGORIES, SITUATION_WORDS
from inspections.rules.limits import DIALS, Limits, tighter_or_equal

if TYPE_CHECKING:
    from inspections.rules.ruleset import Ruleset


def explain(ruleset: Ruleset, grade: Grade, situation: str, weather: str) -> tuple[str, ...]:
    """Why this cell is what it is: the band, what it was judged on, each hazard and limit with its rule."""
    cell = grade.cells[situation, weather]
    sentences = ruleset.compiled.sentences
    first = headline(ruleset, cell.category, situation, weather)
    return (first, _judged_on(ruleset, grade), *[sentences[rule] for rule in cell.rules])


def headline(ruleset: Ruleset, category: int, situation: str, weather: str) -> str:
    """As in "Undesirable while coupled and running, weather dry."."""
    name = ruleset.weather_words[weather].name
    nothing = "" if category else ": no rule sees more here"
    return f"{CATEGORIES[category].capitalize()} while {SITUATION_WORDS[situation]}, weather {name}{nothing}."


def _judged_on(ruleset: Ruleset, grade: Grade) -> str:
    names = [ruleset.modes[code].name for code in grade.modes]
    if not names:
        return "Nothing known is judged here."
    if len(names) == 1:
        return f"Judged as: {names[0]}."
    if len(names) == 2:
        return f"It may be: {names[0]} or {names[1]}; the worse counts."
    return f"It may be: {names[0]}, or one of {len(names) - 1} more; the worst counts."


def limit_words(ruleset: Ruleset, limits: Limits, situation: str = "", done: Collection[str] = ()) -> tuple[str, ...]:
    """Sentences printed from the dials, tightest matters first; empty when nothing is limited.

    With situation "R" they read as for a coupled, running unit. Conflict rules add their own sentence. Isolations
    that are `done` are not asked for any more.
    """
    running = ruleset.running_words if situation == "R" else {}
    said = []
    for dial in ("move", "couple", "uncouple", "passengers", "rescue"):
        value = getattr(limits, dial)
        if value != DIALS[dial][0]:
            said.append(running.get(dial, {}).get(value) or ruleset.dial_words[dial][value])
    if limits.speed is not None:
        said.append(ruleset.dial_words["speed"]["cap"].replace("{speed}", str(limits.speed)))
    asked = limits.isolations.difference(done)
    if asked:
        said += [i.words for code, i in ruleset.isolations.items() if code in asked]
        said += [f"Isolate: {code}." for code in sorted(asked - set(ruleset.isolations))]
    conflicts = [c.words for c in ruleset.conflicts.values() if tighter_or_equal(limits, c.when)]
    return (*said, *conflicts)


def band_words(ruleset: Ruleset, category: int, hours: Decimal | None = None) -> str:
    """The category and when to act, as in "Undesirable: examine within 24 hours."; hours None = next exam."""
    name = CATEGORIES[category].capitalize()
    if hours is None:
        return f"{name}: at the next exam."
    if hours == 0:
        return f"{name}: not to wait."
    whole = f"{hours.normalize():f}"
    return f"{name}: examine within {whole} {'hour' if whole == '1' else 'hours'}."
