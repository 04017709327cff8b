"""Can these two ends couple? (ruleset, two ends, where) → how far they join, why, and on what conditions.

Pure, symmetric and monotone: a tighter limit, a further label, worse weather, a tighter curve, a steeper track, a
larger difference in height or a fact that is not known never loosens the answer (`trade.md` §2.6, §3 and §7). What
a look on the spot can settle (heights, curve, gradient, weather) means "not yet" while it is not known: `level` is
then "no", and `once_checked` what the two join when the look proves good. It says what joins, never that a unit may
run; `static/js/couple.js` gives the same answer on the phone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from inspections.rules.coupling_facts import STRAIGHT, End, So, Source, Where, what_is_so
from inspections.rules.coupling_rows import LADDERS, LEVELS, UNKNOWN, Coupling, Rung
from inspections.rules.grade import settle
from inspections.rules.limits import Limits
from inspections.rules.publish import named

if TYPE_CHECKING:
    from inspections.rules.ruleset import Ruleset

__all__ = ["LEVELS", "SILENT", "STRAIGHT", "Answer", "End", "Reason", "Source", "Where", "can_couple", "told"]

NO = LEVELS[-1]
SILENT = "This ruleset says nothing about coupling."


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that is so. `rule` is "ladder.rung"; `about` the end, "" for both or the place; `level` the most the
    two may join because of it; `source` the finding, restriction or document it comes from."""

    rule: str
    about: str
    level: str
    words: str
    source: str


@dataclass(frozen=True, slots=True)
class Answer:
    """How far the two join (`LEVELS`, "full" to "no") and everything to be said with it, in words.

    `level` counts what is not known as its worst; `once_checked` is the level when everything under `first` was
    looked at and proved good. `words` is the headline, `agree` the people without whom it is not done, `train` the
    limits of the two once joined. Where `once_checked` is "no", nothing is asked for and `train` is None: no check
    and nobody's agreement makes a "no" anything else.
    """

    level: str
    once_checked: str
    words: tuple[str, ...]
    reasons: tuple[Reason, ...] = ()
    cautions: tuple[str, ...] = ()
    first: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    agree: tuple[str, ...] = ()
    train: Limits | None = None


def can_couple(ruleset: Ruleset, one: End, other: End, place: Where) -> Answer:
    """The answer for two ends at a place; the order of the ends does not matter."""
    section = ruleset.coupling
    if section is None:
        return Answer(NO, NO, (SILENT,))
    so = what_is_so(ruleset, section, one, other, place)
    brought = _brought(section, so)
    settled = [rung for rung in brought if not rung.to_look_at]
    level, once_checked = _worst(brought), _worst(settled)
    cautions = tuple(ruleset.cautions[code].words for code in _all(rung.cautions for rung in brought))
    answer = Answer(level, once_checked, _headline(section, level, once_checked), _reasons(section, so), cautions)
    if once_checked == NO:
        return answer
    agree = _all(rung.agree for rung in brought)
    return replace(
        answer,
        first=_all(rung.checks for rung in brought if rung.to_look_at),
        checks=_all(rung.checks for rung in settled),
        conditions=_all(rung.conditions for rung in brought),
        agree=tuple(person for person in section.people if person in agree),
        train=_train(ruleset, one, other),
    )


def _brought(section: Coupling, so: Iterable[So]) -> list[Rung]:
    """The rungs that speak, in the order of the ladders: what is so, the milder ones below it, and always."""
    speaking = {rung.rule for x in so for rung in _climbed(section, x)} | {"always.always"}
    return [rung for rung in section.rungs() if rung.rule in speaking]


def _climbed(section: Coupling, so: So) -> list[Rung]:
    ladder = section.ladders[so.ladder]
    top = next(n for n, rung in enumerate(ladder) if rung.code == so.code)
    alone = so.code == UNKNOWN or LADDERS[so.ladder].apart
    return [ladder[top]] if alone else list(ladder[: top + 1])


def _worst(rungs: Iterable[Rung]) -> str:
    return max((rung.level for rung in rungs), key=LEVELS.index, default=LEVELS[0])


def _all(groups: Iterable[Iterable[str]]) -> tuple[str, ...]:
    """Each once, in the order met."""
    return tuple(dict.fromkeys(x for group in groups for x in group))


def _headline(section: Coupling, level: str, once_checked: str) -> tuple[str, ...]:
    if level == once_checked:
        return (section.levels[level],)
    return (section.first, section.then.replace("{level}", section.levels[once_checked]))


def _reasons(section: Coupling, so: Iterable[So]) -> tuple[Reason, ...]:
    """What is so, in the order of the ladders, then by end and words."""
    rungs = {rung.rule: (n, rung) for n, rung in enumerate(section.rungs())}
    found = set()
    for x in so:
        n, rung = rungs[f"{x.ladder}.{x.code}"]
        words = (x.words or rung.words).replace("{value}", x.value)
        found.add((n, x.about, words, x.source or rung.source, rung))
    ordered = sorted(found, key=lambda x: x[:4])
    return tuple(Reason(rung.rule, about, rung.level, words, source) for _, about, words, source, rung in ordered)


def _train(ruleset: Ruleset, one: End, other: End) -> Limits:
    """What holds for the two once joined: limits of both ends coupled, and of the rest of both units."""
    limits = (one.running, one.others, other.running, other.others)
    return settle(ruleset, *(x for x in limits if x is not None))


def told(answer: Answer) -> dict:
    """The answer as the phone gives it: lists for tuples, `train` as `publish.named`."""
    lists = ("words", "first", "checks", "conditions", "cautions", "agree")
    reasons = [{key: getattr(r, key) for key in Reason.__slots__} for r in answer.reasons]
    return {
        "level": answer.level,
        "once_checked": answer.once_checked,
        **{key: list(getattr(answer, key)) for key in lists},
        "reasons": reasons,
        "train": None if answer.train is None else named(answer.train),
    }
