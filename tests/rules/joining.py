"""Short ways to say two ends and a place, so that a case of coupling fits on one line a fitter can read."""

from __future__ import annotations

from dataclasses import asdict
from decimal import Decimal

from inspections.rules.coupling import LEVELS, STRAIGHT, Answer, End, Source, Where, can_couple
from inspections.rules.limits import Limits
from inspections.rules.publish import named

# contacts, dead when uncoupled, pipes
PATTERNS = {"P": (72, "no", "MRP BP"), "Q": (72, "yes", "MRP BP"), "H": (0, "yes", "MRP"), "Z": (40, "yes", "BP")}
OWN = ("pattern", "contacts", "dead", "pipes", "category", "height", "label", "unit", "letter", "from")
GROUPS = {"couple": "about", "run": "running", "rest": "others"}


def end(text: str, unit: str = "201", letter: str = "A") -> End:
    """ "P couple.couple=not category=2 label=17" → an end of pattern P, nothing open unless said; "?" is not known.

    `couple.`, `run.` and `rest.` name a dial of its limits about to couple, coupled and running, of the rest of its
    unit; "isolations" holds codes joined by "+", "_" in a word stands for a space. `from` names where all its limits
    come from, joined by "+"; for those of the rest of its unit ", rest" is added.
    """
    pattern, *pairs = text.split()
    said = dict(pair.replace("_", " ").split("=") for pair in pairs)
    contacts, dead, pipes = PATTERNS.get(pattern, (None, "unknown", "?"))
    limits = {field: _limits(said, group) for group, field in GROUPS.items()}
    names = said["from"].split("+") if "from" in said else []
    category = _number(said, "category", 0) or 0
    sources = [
        Source(name if s else f"{name}, rest", limits[f], s, category) for f, s in SITUATIONS for name in names
    ]
    return End(
        unit=said.get("unit", unit),
        letter=said.get("letter", letter),
        pattern="" if pattern == "?" else pattern,
        contacts=_number(said, "contacts", contacts),
        contacts_dead=said.get("dead", dead),
        pipes=_set(said.get("pipes", pipes), " "),
        **limits,
        category=_number(said, "category", 0),
        labels=tuple(said["label"].split("+")) if "label" in said else (),
        height=_decimal(said.get("height", "1025")),
        sources=tuple(s for s in sources if s.limits is not None),
    )


SITUATIONS = (("about", "C"), ("running", "R"), ("others", ""))


def _limits(said: dict, group: str) -> Limits | None:
    if said.get(group) == "?":
        return None
    values = {key.split(".")[1]: value for key, value in said.items() if key.startswith(f"{group}.")}
    if "isolations" in values:
        values["isolations"] = _set(values["isolations"], "+")
    if "speed" in values:
        values["speed"] = int(values["speed"])
    return Limits(**values)


def _set(text: str, by: str) -> frozenset | None:
    return None if text == "?" else frozenset(text.replace("none", "").split(by)) - {""}


def _number(said: dict, key: str, default):
    return None if said.get(key) == "?" else int(said[key]) if key in said else default


def _decimal(text: str) -> Decimal | None:
    return None if text == "?" else Decimal(text)


def place(text: str = "") -> Where:
    """ "curve=160 gradient=? weather=frost" → a place; straight, level and dry unless said, "?" is not known."""
    said = {"curve": str(STRAIGHT), "gradient": "0", "weather": "dry"} | dict(p.split("=") for p in text.split())
    curve = _decimal(said["curve"])
    weather = said["weather"].replace("?", "")
    return Where(None if curve is None else int(curve), _decimal(said["gradient"]), weather)


def asked(ruleset, one: str, other: str, where: str = "") -> Answer:
    """The answer for 201 A and 305 B."""
    return can_couple(ruleset, end(one), end(other, "305", "B"), place(where))


def level(answer: Answer) -> str:
    """ "full", or "no, then full" while something must be looked at first."""
    then = "" if answer.level == answer.once_checked else f", then {answer.once_checked}"
    return f"{answer.level}{then}"


def decisive(answer: Answer) -> str:
    """The rules that hold the level where it is; none where the two join in full."""
    held = [r.rule for r in answer.reasons if r.level == answer.level and r.level != LEVELS[0]]
    return ", ".join(dict.fromkeys(held))


def sent(one: End) -> dict:
    """An end as the phone holds it."""
    limits = {f: None if getattr(one, f) is None else named(getattr(one, f)) for f in GROUPS.values()}
    sources = [asdict(s) | {"limits": named(s.limits)} for s in one.sources]
    plain = {key: getattr(one, key) for key in ("unit", "letter", "pattern", "contacts", "contacts_dead", "category")}
    return (
        plain
        | limits
        | {
            "pipes": None if one.pipes is None else sorted(one.pipes),
            "labels": list(one.labels),
            "height": None if one.height is None else str(one.height),
            "sources": sources,
        }
    )


def sent_place(where: Where) -> dict:
    """A place as the phone holds it."""
    gradient = None if where.gradient is None else f"{where.gradient:f}"
    return {"curve": where.curve, "gradient": gradient, "weather": where.weather}
