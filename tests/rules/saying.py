"""Short ways to say what was seen, so that a case fits on one line a fitter can read."""

from __future__ import annotations

from decimal import Decimal

from inspections.rules.facts import Fault, Observation, Pattern
from inspections.rules.grade import grade, settle

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


def faults(ruleset, text: str) -> list[Fault]:
    """ "fitter hook-worn gap=3, driver hook-marks seen-in=R; driver seal-torn" → faults of one end.

    ";" parts faults, "," parts the observations of one, oldest first. "driver" has seen a symptom, "fitter" has
    examined and measured a mode, "desk" has raised to the category 0 to 3. "worse", "still" and "gone" as the second
    word make it a later look; "unsure" one that is not confirmed.
    """
    return [Fault(str(n), tuple(_look(ruleset, x) for x in one.split(","))) for n, one in enumerate(text.split(";"))]


KINDS = {"worse": "worse", "still": "still there", "gone": "not there now", "unsure": "first report"}


def _look(ruleset, text: str) -> Observation:
    who, *words = text.split()
    if who == "desk":
        return Observation("other", kind="raised", raised_to=int(words[0]))
    kind = words.pop(0) if words and words[0] in KINDS else ""
    code = words.pop(0) if words and "=" not in words[0] else ""
    said = " ".join(words)
    if who == "fitter":
        return judged(code, said)
    quality = "not confirmed" if kind == "unsure" else "seen"
    if code in ruleset.parts and code not in ruleset.symptoms:
        return Observation(code, kind=KINDS.get(kind, "first report"), quality=quality, facts=facts(said))
    part = ruleset.symptoms[code].parts[0] if code else "other"
    return Observation(part, code, kind=KINDS.get(kind, "first report"), quality=quality, facts=facts(said))


def limits_text(ruleset, limits) -> str:
    """ "move stand, couple not": every dial that is not at its loosest, then speed, then isolations."""
    dials = ("move", "couple", "uncouple", "passengers", "rescue")
    loosest = {"passengers": "yes", "rescue": "yes"}
    said = [f"{d} {getattr(limits, d)}" for d in dials if getattr(limits, d) != loosest.get(d, "normal")]
    said += [f"{limits.speed} km/h"] if limits.speed else []
    return ", ".join(said + sorted(limits.isolations))


def end_cell(ruleset, text: str, cell: str) -> tuple[str, str]:
    """(category letter, limits) of an end with these faults in the cell "R dry": the worst, joined and settled."""
    situation, weather = cell.split()
    open_faults = faults(ruleset, text)
    cells = [grade(ruleset, f, [o for o in open_faults if o is not f]).cells[situation, weather] for f in open_faults]
    limits = settle(ruleset, *(c.limits for c in cells))
    return NAMES[max(c.category for c in cells)], limits_text(ruleset, limits)
