"""Every report the rules can tell apart: a mode or symptom with each choice of the facts that matter to it."""

from __future__ import annotations

from itertools import product

from inspections.rules.facts import Observation
from tests.rules.saying import fault

MOST = 600  # combinations of facts taken in full; above that, every single fact and every pair of facts


def facts_that_matter(ruleset, modes) -> list[str]:
    """Codes of the facts any of these modes asks for."""
    asked = {
        code
        for mode in modes
        for row in (*ruleset.modes[mode].hazards, *ruleset.modes[mode].limits)
        for code, _ in row.when
    }
    return [code for code in ruleset.facts if code in asked]


def words_that_matter(ruleset, modes, fact: str) -> list[str | None]:
    """One word of each kind these modes tell apart, and None: not said."""
    rows = [row for m in modes for row in (*ruleset.modes[m].hazards, *ruleset.modes[m].limits)]
    conditions = [words for row in rows for code, words in row.when if code == fact]
    kinds = {tuple(word in c for c in conditions): word for word in reversed(ruleset.facts[fact].words)}
    return [None, *kinds.values()]


def choices(words: dict[str, list], most: int = MOST) -> list[dict]:
    """All choices, or, where they are too many, every single fact and every pair of facts."""
    count = 1
    for each in words.values():
        count *= len(each)
    if count <= most:
        chosen = [dict(zip(words, choice, strict=True)) for choice in product(*words.values())]
    else:
        names = list(words)
        chosen = [
            {a: x, b: y} for i, a in enumerate(names) for b in names[i + 1 :] for x in words[a] for y in words[b]
        ]
    return [{code: word for code, word in choice.items() if word is not None} for choice in chosen]


def of_modes(ruleset) -> list[Observation]:
    """Every mode with every word of every fact that matters to it, said or not said, as a fitter measures it."""
    found = []
    for code in ruleset.modes:
        words = {f: [None, *ruleset.facts[f].words] for f in facts_that_matter(ruleset, [code])}
        found += [Observation("", mode=code, quality="measured", facts=facts) for facts in choices(words)]
    return found


def of_symptoms(ruleset, most: int = MOST) -> list[Observation]:
    """Every symptom of every part with the facts that matter to its candidates, in each quality of evidence."""
    found = []
    for symptom in ruleset.symptoms.values():
        for part in symptom.parts:
            modes = ruleset.candidates(part) if symptom.cant_tell else symptom.modes
            words = {f: words_that_matter(ruleset, modes, f) for f in facts_that_matter(ruleset, modes)}
            narrowing = {f for when in symptom.only.values() for f, _ in when}
            narrowing |= {"may-fall"} if symptom.cant_tell else set()
            words |= {f: [None, *ruleset.facts[f].words] for f in narrowing}
            found += [
                Observation(part, symptom.code, quality=quality, facts=facts)
                for facts in choices(words, most)
                for quality in ("seen", "measured")
            ]
            found.append(Observation(part, symptom.code, quality="not confirmed"))
    return found


def faults(observations) -> list:
    return [fault(observation) for observation in observations]
