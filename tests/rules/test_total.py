"""Whatever is reported is graded, in every cell, with an explanation."""

import pytest

from inspections.rules.explain import band_words, explain, limit_words
from inspections.rules.facts import Fault, Observation, Pattern
from inspections.rules.grade import grade
from tests.rules import worlds
from tests.rules.saying import fault, judged

ODD = [
    ("no observation at all", ()),
    ("codes nobody knows", (Observation("wing", "wobbles", "gremlins", facts={"mood": "bad"}),)),
    ("only a part", (Observation("hook"),)),
    ("nothing but other", (Observation("other"),)),
    ("a number that is none", (judged("hook-worn", "gap=wide"),)),
    ("a retired kind and quality", (Observation("hook", "hook-marks", kind="rumour", quality="hearsay"),)),
    ("raised far too high", (Observation("cover", "cover-slow"), Observation("cover", kind="raised", raised_to=9))),
]


def complete(ruleset, answer) -> bool:
    """Every cell there, its category the worst hit's, its sentences short; the worst-case answer has reasons."""
    assert list(answer.cells) == [(s, w) for s in "UCR" for w in ruleset.weathers]
    for (situation, weather), cell in answer.cells.items():
        assert cell.category == max((hit.category for hit in cell.hits), default=0)
        told = explain(ruleset, answer, situation, weather)
        told += limit_words(ruleset, cell.limits, situation)
        told += (band_words(ruleset, cell.category, cell.hours),)
        assert all(len(sentence.split()) <= 25 and sentence.strip() for sentence in told), told
    return True


def test_every_mode_and_symptom_with_every_fact_is_graded_in_all_cells(ruleset, capsys):
    observations = worlds.of_modes(ruleset) + worlds.of_symptoms(ruleset, most=6000)
    assert all(complete(ruleset, grade(ruleset, f)) for f in worlds.faults(observations))
    with capsys.disabled():
        cells = len(observations) * 9
        print(f"\n  graded {len(observations)} combinations of mode or symptom and facts, {cells} cells")


@pytest.mark.parametrize(("what", "observations"), ODD, ids=[x[0] for x in ODD])
def test_odd_reports_are_graded_too(ruleset, what, observations):
    assert complete(ruleset, grade(ruleset, Fault("a", observations)))


@pytest.mark.parametrize(("what", "observations"), ODD[:2] + ODD[3:4], ids=lambda x: x if isinstance(x, str) else "")
def test_nothing_known_is_the_worst_credible(ruleset, what, observations):
    worst = grade(ruleset, Fault("a", observations))
    assert worst.worst == 3
    assert worst.cells["R", "dry"].limits.move == "stand"


def test_a_part_alone_is_the_worst_of_its_candidates(ruleset):
    for part in ruleset.parts:
        answer = grade(ruleset, fault(Observation(part)))
        for key, cell in answer.cells.items():
            each = [grade(ruleset, fault(judged(m, quality="seen"))).cells[key] for m in ruleset.candidates(part)]
            assert cell.category == max(c.category for c in each), (part, key)


def test_no_mode_lives_on_a_catch_all_alone(ruleset):
    """Every mode that is a fault has a hazard row of its own; only the ready position has none."""
    assert [code for code, mode in ruleset.modes.items() if not mode.hazards] == ["lock-ready"]


def test_every_fact_word_matters_to_some_rule(ruleset):
    for code, fact in ruleset.facts.items():
        if fact.kind == "number" and not fact.bands:
            assert any(f.plus_minus == code for f in ruleset.facts.values())
            continue
        rows = [row.when for m in ruleset.modes.values() for row in (*m.hazards, *m.limits)]
        rows += [when for s in ruleset.symptoms.values() for when in s.only.values()]
        assert any(c == code for when in rows for c, _ in when), code


def test_a_driver_is_asked_only_what_changes_the_answer(ruleset):
    for symptom in ruleset.symptoms.values():
        for part in symptom.parts:
            modes = ruleset.candidates(part) if symptom.cant_tell else symptom.modes
            matters = {*worlds.facts_that_matter(ruleset, modes)}
            matters |= {code for when in symptom.only.values() for code, _ in when}
            assert set(symptom.asks) <= matters | ({"may-fall"} if symptom.cant_tell else set()), symptom.code


def test_who_cannot_tell_is_asked_whether_anything_hangs_where_that_can_narrow(ruleset):
    for symptom in ruleset.symptoms.values():
        if symptom.cant_tell:
            modes = ruleset.candidates(symptom.parts[0])
            narrows = any(ruleset.modes[m].obvious for m in modes)
            narrows = narrows or "may-fall" in worlds.facts_that_matter(ruleset, modes)
            assert ("may-fall" in symptom.asks) == narrows, symptom.code


def test_the_pattern_says_pipe_and_contacts(ruleset):
    def categories(part, symptom, **pattern):
        answer = grade(ruleset, fault(Observation(part, symptom)), (), Pattern(**pattern))
        return [answer.cells[s, "dry"].category for s in "UCR"]

    assert categories("air-upper", "seal-hiss", pipes={"air-upper": "MRP"}) != []
    assert categories("contacts", "pin-bent", contacts_dead="yes") == [1, 3, 3]
    assert categories("contacts", "pin-bent", contacts_dead="no") == [2, 3, 3]
    assert categories("contacts", "pin-bent") == [2, 3, 3]
    shut = {"mode": "valve-passes", "quality": "examined"}
    both = {"air-upper": "MRP", "air-lower": "BP"}
    upper = grade(ruleset, fault(Observation("air-upper", **shut)), (), Pattern(pipes=both))
    lower = grade(ruleset, fault(Observation("air-lower", **shut)), (), Pattern(pipes=both))
    assert [upper.cells[s, "dry"].category for s in "UCR"] == [2, 1, 0]
    assert [lower.cells[s, "dry"].category for s in "UCR"] == [2, 2, 1]
