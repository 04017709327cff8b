"""Short ways to say what was seen, so that a case fits on one line a fitter can read."""

from __future__ import annotations

from decimal import Decimal

from inspections.rules.facts import Fault, Observation, Pattern

LETTERS = {"N": 0, "T": 1, "Un": 2, "I": 3}
NAMES = {number: letter for letter, number in LETTERS.items()}


def facts(text: str) -> dict:
    """ "gap=4.1 may-fall=no" → facts; a number becomes Decimal; "_" in a word stands for a space."""
    said = {}
    for pair in text.split():
        code, value = pair.split("=")
        value = value.replace("_", " ")
        said[code] = Decimal(value) if value.replace(".", "", 1).isdigit() else value
    return said


def seen(symptom: str, said: str = "", part: str = "", **more) -> Observation:
    """A driver's report of a symptom."""
    return Observation(part=part, symptom=symptom, facts=facts(said), **more)


def judged(mode: str, said: str = "", part: str = "", **more) -> Observation:
    """A fitter's examination or measurement that says which mode it is."""
    more = {"kind": "examined", "quality": "measured"} | more
    return Observation(part=part, mode=mode, facts=facts(said), **more)


def fault(*observations: Observation, key: str = "a") -> Fault:
    return Fault(key, observations)


def pattern(text: str = "") -> Pattern:
    """ "dead=yes air-upper=MRP air-lower=BP" → a pattern."""
    said = dict(pair.split("=") for pair in text.split())
    return Pattern(said.pop("dead", "unknown"), said)


def letters(grade, weather: str) -> str:
    """ "N Un I": the categories of U, C and R in this weather."""
    return " ".join(NAMES[grade.cells[s, weather].category] for s in "UCR")
