"""Each section of the ruleset document, read in an order in which every code named is already known.

A reader takes the document and what is known so far, and returns the section's values; it raises RulesetError.
"""

from __future__ import annotations

from decimal import Decimal

from inspections.rules import coupling_rows, rows
from inspections.rules.facts import CATEGORIES, QUALITIES, SITUATIONS
from inspections.rules.limits import DIALS
from inspections.rules.schema import Table
from inspections.rules.terms import (
    FREQUENCIES,
    SEVERITIES,
    Band,
    Caution,
    Component,
    Delegation,
    Fact,
    Hazard,
    Isolation,
    LimitValue,
    Part,
    Test,
    Weather,
)


def limit_values(document: Table, known: dict) -> dict[str, LimitValue]:
    """Every number of the ruleset, with its unit, where it is written and who set it."""
    read = {}
    for code, t in document.named("limits"):
        read[code] = LimitValue(
            code, t.text("name"), t.number("value"), t.text("unit"), t.text("document"), t.text("set_by")
        )
        t.done()
    return read


def weather_words(document: Table, known: dict) -> dict[str, Weather]:
    """Weather classes, mildest first."""
    read = {}
    for code, t in document.named("weathers"):
        months = t.take("months", list, "a list of months 1 to 12")
        if not all(isinstance(m, int) and 1 <= m <= 12 for m in months):
            raise t.fail("months", "must hold months 1 to 12")
        read[code] = Weather(code, t.text("name"), t.text("trigger"), tuple(months))
        t.done()
    return read


def components(document: Table, known: dict) -> dict[str, Component]:
    """Components; function M, A, E or W."""
    read = {}
    for code, t in document.named("components"):
        read[code] = Component(code, t.text("name"), t.choice("function", "MAEW"))
        t.done()
    return read


def parts(document: Table, known: dict) -> dict[str, Part]:
    """Parts a driver can point at; numbers are those of the drawing and occur once."""
    read, numbers = {}, set()
    for code, t in document.named("parts"):
        number = t.number("number", None)
        if number is not None and (number in numbers or number != int(number)):
            raise t.fail("number", f"{number} is not a whole number used once")
        numbers.add(number)
        read[code] = Part(
            code,
            t.text("name"),
            t.choice("component", known["components"]),
            None if number is None else int(number),
            t.text("words"),
            t.flag("anything"),
            t.flag("retired"),
        )
        t.done()
    return read


def hazards(document: Table, known: dict) -> dict[str, Hazard]:
    """Hazards, each with its one severity."""
    read = {}
    for code, t in document.named("hazards"):
        read[code] = Hazard(code, t.text("name"), t.choice("severity", SEVERITIES), t.text("why"))
        t.done()
    return read


def matrix(document: Table, known: dict) -> dict[tuple[str, str], int]:
    """(severity, frequency) → category; complete, and never milder for a worse severity or frequency."""
    table, read = document.table("matrix"), {}
    for frequency in FREQUENCIES:
        values = table.take(frequency, list, "a list of four categories")
        if len(values) != len(SEVERITIES):
            raise table.fail(frequency, f"needs {len(SEVERITIES)} categories, {', '.join(SEVERITIES)}")
        for severity, category in zip(SEVERITIES, values, strict=True):
            table.check(frequency, str(category) or "(blank)", CATEGORIES)
            read[severity, frequency] = CATEGORIES.index(category)
    table.done()
    _refuse_milder(table, read)
    return read


def _refuse_milder(table: Table, read: dict[tuple[str, str], int]) -> None:
    for i, severity in enumerate(SEVERITIES):
        for j, frequency in enumerate(FREQUENCIES):
            here = read[severity, frequency]
            milder = (i and here < read[SEVERITIES[i - 1], frequency]) or (
                j and here < read[severity, FREQUENCIES[j - 1]]
            )
            if milder:
                raise table.fail(frequency, f"{severity} is milder than a less serious or less frequent cell")


def facts(document: Table, known: dict) -> dict[str, Fact]:
    """Questions; a number with bands is read into their words, edges being limit values in rising order."""
    read = {}
    for code, t in document.named("facts"):
        kind = t.choice("kind", ("words", "number"))
        bands = _bands(t, known) if kind == "number" else ()
        words = tuple(b.word for b in bands) if kind == "number" else t.texts("words")
        if kind == "words" and len(words) < 2:
            raise t.fail("words", "needs at least two words")
        labels = t.texts("labels", default=words)
        if len(labels) != len(words):
            raise t.fail("labels", f"needs one label for each of the {len(words)} words")
        read[code] = Fact(
            code,
            t.text("question"),
            kind,
            words,
            labels,
            t.text("unit") if kind == "number" else "",
            t.choice("unknown", words, ""),
            t.choice("needs", QUALITIES, "seen"),
            bands,
            t.text("plus_minus", ""),
        )
        t.done()
    for code, fact in read.items():
        if fact.plus_minus and fact.plus_minus not in read:
            raise document.fail(f"facts.{code}.plus_minus", f"{fact.plus_minus!r} is not a fact")
    return read


def _bands(t: Table, known: dict) -> tuple[Band, ...]:
    read, last = [], None
    rows_ = t.rows("bands")
    for n, row in enumerate(rows_, 1):
        edges = [k for k in ("up_to", "below") if k in row.data]
        if len(edges) != (n < len(rows_)):
            raise row.fail("up_to", "every band but the last has up_to or below; the last has neither")
        edge = row.choice(edges[0], known["limit_values"]) if edges else ""
        value = known["limit_values"][edge].value if edge else None
        if last is not None and value is not None and value <= last:
            raise row.fail(edges[0], "edges of bands must rise")
        last = value if value is not None else last
        read.append(Band(row.text("word"), edge, edges == ["up_to"]))
        row.done()
    return tuple(read)


def cautions(document: Table, known: dict) -> dict[str, Caution]:
    """Cautions for people."""
    read = {}
    for code, t in document.named("cautions"):
        read[code] = Caution(code, t.text("words", words=25), t.choice("audience", ("driver", "fitter", "all")))
        t.done()
    return read


def isolations(document: Table, known: dict) -> dict[str, Isolation]:
    """Kinds of isolation and the limits each brings."""
    read = {}
    for code, t in document.named("isolations"):
        brings = rows.dials(t, known, also=("name", "words"))
        read[code] = Isolation(code, t.text("name"), t.text("words", words=25), brings)
        t.done()
    return read


def tests(document: Table, known: dict) -> dict[str, Test]:
    """Closing tests; `low` and `high` name limit values of the test's unit."""
    read = {}
    for code, t in document.named("tests"):
        kind = t.choice("kind", ("value", "passed"))
        bounds = {k: t.choice(k, known["limit_values"], "") for k in ("low", "high")}
        values = [known["limit_values"][c] for c in bounds.values() if c]
        unit = t.text("unit") if kind == "value" else ""
        if (kind == "value") != bool(values):
            raise t.fail("kind", "a value test has a low or a high limit; a passed test has none")
        for key, limit in bounds.items():
            if limit and known["limit_values"][limit].unit != unit:
                raise t.fail(key, f"{limit!r} is in {known['limit_values'][limit].unit}, the test in {unit}")
        low, high = (known["limit_values"][c].value if c else None for c in bounds.values())
        if None not in (low, high) and low > high:
            raise t.fail("low", "is above the high limit")
        minutes = t.number("minutes", None)
        if minutes is not None and (unit != "bar" or high is None or not minutes):
            raise t.fail("minutes", "goes with a high limit in bar, and is more than 0: a pressure drop in that time")
        source = values[0] if values else None
        read[code] = Test(
            code,
            t.text("name"),
            t.text("method"),
            unit,
            low,
            high,
            source.document if source else t.text("document"),
            source.set_by if source else t.text("set_by"),
            t.flag("checker"),
            kind,
            minutes,
        )
        t.done()
    return read


def delegation(document: Table, known: dict) -> dict[int, Delegation]:
    """Who may leave a finding of each category, and how long."""
    table, read = document.table("delegation"), {}
    for category, name in enumerate(CATEGORIES):
        t = table.table(name)
        numbers = {k: _number(t, k, known) for k in ("hours", "longest_days", "extensions")}
        read[category] = Delegation(
            category,
            t.texts("by"),
            numbers["hours"],
            numbers["longest_days"],
            t.flag("may_defer"),
            int(numbers["extensions"] or 0),
            t.text("extended_by", ""),
            t.texts("needs"),
            t.texts("tell"),
            t.text("words", words=25),
        )
        t.done()
    table.done()
    return read


def _number(t: Table, key: str, known: dict) -> Decimal | None:
    code = t.choice(key, known["limit_values"], "")
    return known["limit_values"][code].value if code else None


def expiry_events(document: Table, known: dict) -> dict[str, str]:
    """Events that may end a deferral: code → words."""
    table = document.table("events")
    read = {code: table.text(code) for code in table.data}
    table.done()
    return read


def exposure(document: Table, known: dict) -> dict[str, str]:
    """What one exposure is, per situation: the frequencies are for one of these."""
    table = document.table("exposure")
    read = {situation: table.text(situation) for situation in SITUATIONS}
    table.done()
    return read


def dial_words(document: Table, known: dict) -> dict[str, dict[str, str]]:
    """The sentence for every value of every dial but its loosest, and for a speed."""
    return _words(document.table("words"), needed=True)


def running_words(document: Table, known: dict) -> dict[str, dict[str, str]]:
    """The sentences that read differently while coupled and running."""
    return _words(document.table("words-running"), needed=False)


def _words(table: Table, needed: bool) -> dict[str, dict[str, str]]:
    read = {}
    for dial, values in DIALS.items():
        t = table.table(dial) if needed else table.table(dial, {})
        read[dial] = {v: t.text(v, words=25) for v in values[1:] if needed or v in t.data}
        t.done()
    read["speed"] = {"cap": table.text("speed", words=25)} if needed else {}
    table.done()
    return read


SECTIONS = (
    ("limit_values", limit_values),
    ("weather_words", weather_words),
    ("components", components),
    ("parts", parts),
    ("hazards", hazards),
    ("matrix", matrix),
    ("facts", facts),
    ("cautions", cautions),
    ("isolations", isolations),
    ("tests", tests),
    ("delegation", delegation),
    ("expiry_events", expiry_events),
    ("exposure", exposure),
    ("on_expiry", rows.on_expiry),
    ("modes", rows.modes),
    ("symptoms", rows.symptoms),
    ("combinations", rows.combinations),
    ("conflicts", rows.conflicts),
    ("dial_words", dial_words),
    ("running_words", running_words),
    ("coupling", coupling_rows.coupling),
)
