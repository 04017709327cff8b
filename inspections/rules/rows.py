"""The rows of the ruleset that speak of hazards and limits: modes, symptoms, combinations, conflicts."""

from __future__ import annotations

from collections.abc import Collection

from inspections.rules.facts import SITUATIONS
from inspections.rules.limits import DIALS, Limits
from inspections.rules.schema import Table
from inspections.rules.terms import (
    FREQUENCIES,
    Combination,
    Conditions,
    Conflict,
    HazardRow,
    LimitRow,
    Mode,
    Step,
    Symptom,
)

WHY_WORDS = 12  # leaves room for hazard, frequency and rule id in a sentence of 25 words


def dials(t: Table, known: dict, also: Collection[str] = ()) -> Limits:
    """The limits a table names by dial; `speed` names a limit value in km/h. At least one is needed."""
    values = {d: t.choice(d, words) for d, words in DIALS.items() if d in t.data}
    if "speed" in t.data:
        limit = known["limit_values"][t.choice("speed", known["limit_values"])]
        if limit.unit != "km/h" or limit.value < 1:
            raise t.fail("speed", f"{limit.code!r} is not a limit of 1 km/h or more")
        values["speed"] = int(limit.value)
    if "isolations" in t.data:
        values["isolations"] = frozenset(t.texts("isolations", known.get("isolations", ())))
    if not values and not also:
        raise t.fail("limits", f"names no dial: one of {', '.join(DIALS)}, speed, isolations")
    return Limits(**values)


def conditions(t: Table, key: str, known: dict) -> Conditions:
    """Facts under which a row speaks: fact = word or list of words."""
    table = t.table(key, {})
    read = []
    for code in table.data:
        if code not in known["facts"]:
            raise table.fail(code, "is not a fact")
        words = table.texts(code, known["facts"][code].words)
        if not words or len(words) == len(known["facts"][code].words):
            raise table.fail(code, "must name some of the fact's words, not none and not all")
        read.append((code, frozenset(words)))
    return tuple(read)


def _where(t: Table, known: dict) -> tuple[tuple[str, ...], tuple[str, ...]]:
    situations = t.texts("in", SITUATIONS, SITUATIONS)
    weathers = t.texts("weather", known["weather_words"], tuple(known["weather_words"]))
    return (
        tuple(s for s in SITUATIONS if s in situations),
        tuple(w for w in known["weather_words"] if w in weathers),
    )


def _hazard_rows(t: Table, code: str, known: dict) -> tuple[HazardRow, ...]:
    read = []
    for n, row in enumerate(t.rows("hazards"), 1):
        situations, weathers = _where(row, known)
        read.append(
            HazardRow(
                f"{code}-H{n}",
                row.choice("hazard", known["hazards"]),
                row.choice("often", FREQUENCIES),
                situations,
                weathers,
                conditions(row, "when", known),
                row.text("why", words=WHY_WORDS),
            )
        )
        row.done()
    return tuple(read)


def _limit_rows(t: Table, code: str, known: dict) -> tuple[LimitRow, ...]:
    read = []
    for n, row in enumerate(t.rows("limits"), 1):
        situations, weathers = _where(row, known)
        hours = row.choice("hours", known["limit_values"], "")
        limits = dials(row, known, also=[hours] if hours else [])
        value = known["limit_values"][hours].value if hours else None
        read.append(LimitRow(f"{code}-L{n}", limits, value, situations, weathers, conditions(row, "when", known)))
        row.done()
    return tuple(read)


def on_expiry(document: Table, known: dict) -> dict[str, Limits]:
    """The limits per situation that join in when a deferral runs out, unless the mode has its own."""
    return _per_situation(document, "expired", known)


def _per_situation(t: Table, key: str, known: dict) -> dict[str, Limits]:
    table = t.table(key)
    read = {}
    for situation in SITUATIONS:
        inner = table.table(situation, {})
        read[situation] = dials(inner, known, also=("nothing",))
        inner.done()
    table.done()
    return read


def modes(document: Table, known: dict) -> dict[str, Mode]:
    """Failure modes with their rules and their repair."""
    return {code: _mode(t, code, known) for code, t in document.named("modes")}


def _mode(t: Table, code: str, known: dict) -> Mode:
    read = Mode(
        code=code,
        component=t.choice("component", known["components"]),
        name=t.text("name", words=9),
        agreed=t.flag("agreed"),
        hazards=_hazard_rows(t, code, known),
        limits=_limit_rows(t, code, known),
        tell=t.texts("tell"),
        deferrable=t.flag("deferrable"),
        expiry=t.texts("expiry", known["expiry_events"]),
        on_expiry=_per_situation(t, "on_expiry", known) if "on_expiry" in t.data else known["on_expiry"],
        tests=t.texts("tests", known["tests"]),
        steps=_steps(t, known),
        tools=t.texts("tools"),
        spares=t.texts("spares"),
        actions=t.texts("actions"),
        isolations=t.texts("isolate", known["isolations"]),
        cautions=t.texts("cautions", known["cautions"]),
        look_at_mates=t.flag("mates"),
        document=t.text("document"),
        second_person=t.flag("second_person") or t.flag("wiring_check"),
        wiring_check=t.flag("wiring_check"),
        obvious=t.flag("obvious"),
        retired=t.flag("retired"),
    )
    if not read.tests:
        raise t.fail("tests", "needs at least one closing test")
    if not read.hazards and not t.flag("no_fault"):
        raise t.fail("hazards", "needs at least one rule of its own, or no_fault = true")
    t.done()
    return read


def _steps(t: Table, known: dict) -> tuple[Step, ...]:
    read = []
    for row in t.rows("steps", least=1):
        caution = row.choice("caution", known["cautions"], "")
        read.append(Step(row.text("do", words=25), row.text("write", ""), row.text("unit", ""), caution))
        row.done()
    return tuple(read)


def symptoms(document: Table, known: dict) -> dict[str, Symptom]:
    """Symptoms in a driver's words; one with cant_tell may be any mode of its parts and lists none."""
    read = {}
    for code, t in document.named("symptoms"):
        cant_tell = t.flag("cant_tell")
        listed = t.texts("modes", known["modes"])
        if bool(listed) == cant_tell:
            raise t.fail("modes", "names at least one failure mode, or none with cant_tell = true")
        only = t.table("only", {})
        narrowed = {m: conditions(only, m, known) for m in only.data}
        for mode in narrowed:
            only.check(mode, mode, listed)
        read[code] = Symptom(
            code,
            t.texts("parts", known["parts"], ()),
            t.text("words", words=12),
            tuple(m for m in known["modes"] if m in listed),
            narrowed,
            t.texts("asks", known["facts"]),
            t.flag("first"),
            cant_tell,
            t.flag("retired"),
        )
        if not read[code].parts:
            raise t.fail("parts", "needs at least one part")
        t.done()
    return read


def combinations(document: Table, known: dict) -> dict[str, Combination]:
    """Named rules over two open findings of one end."""
    read = {}
    for code, t in document.named("combinations"):
        if code in known["modes"]:
            raise t.fail("name", f"{code!r} is the code of a failure mode too")
        first, second = (frozenset(t.texts(k, known["modes"])) for k in ("first", "second"))
        if not first or not second:
            raise t.fail("first" if second else "second", "needs at least one failure mode")
        rows_ = _hazard_rows(t, code, known), _limit_rows(t, code, known)
        if not any(rows_):
            raise t.fail("hazards", "a combination adds at least one hazard or limit")
        for row in (*rows_[0], *rows_[1]):
            if row.when:
                raise t.fail("when", f"rule {row.rule}: a combination asks for no facts, only for its two sides")
        read[code] = Combination(code, t.text("name", words=12), first, second, *rows_)
        t.done()
    return read


def conflicts(document: Table, known: dict) -> dict[str, Conflict]:
    """Named rules over joined limits."""
    read = {}
    for code, t in document.named("conflicts"):
        when, then = (t.table(k) for k in ("when", "then"))
        read[code] = Conflict(code, t.text("words", words=25), dials(when, known), dials(then, known))
        for table in (when, then, t):
            table.done()
    return read
