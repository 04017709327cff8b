"""What things, people and figures are called on a page. No queries."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from django.contrib.auth.models import User

from inspections.models import Finding
from inspections.rules.facts import CATEGORIES


def end(row) -> str:
    """ "A end of 201"; "end of vehicle 201A" for one in no unit."""
    return f"{row.letter} end of {row.unit}" if row.unit_id else f"end of {row}"


def letter(end: str) -> str:
    """ "A end", "end not known"."""
    return f"{end} end" if end in ("A", "B") else "end not known"


def spoken(ref: str) -> str:
    """A reference in its two groups."""
    return f"{ref[:4]} {ref[4:]}"


def ordinal(number: int) -> str:
    """ "1st", "2nd", "3rd", "11th"."""
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def listed(items: Iterable[str], last: str = "and") -> str:
    """ "a, b and c"."""
    items = list(items)
    return f" {last} ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


def number(value: Decimal) -> str:
    """A decimal without needless noughts: "0.2", "10"."""
    return f"{value.normalize():f}"


def limit(low: Decimal | None, high: Decimal | None, unit: str) -> str:
    """ "at most 0.2 bar", "5 to 9 mm", "" for a test that is passed or failed."""
    if low is not None and high is not None:
        return f"{number(low)} to {number(high)} {unit}".strip()
    if high is not None:
        return f"at most {number(high)} {unit}".strip()
    return f"at least {number(low)} {unit}".strip() if low is not None else ""


def part(rules, finding: Finding) -> str:
    """The part of a finding with its number on the drawing, "5 Upper air seal"."""
    return part_named(rules, finding.slot)


def part_named(rules, code: str) -> str:
    """A part's number on the drawing and name; as given where the ruleset has none."""
    found = rules.parts.get(code)
    if found is None:
        return code or "part not known"
    return f"{found.number} {found.name}" if found.number else found.name


def symptom(rules, code: str) -> str:
    """A symptom in the driver's words; as given where the ruleset has none."""
    return rules.symptoms[code].words if code in rules.symptoms else code


def mode(rules, code: str) -> str:
    """A failure mode's name; as given where the ruleset has none."""
    return rules.modes[code].name if code in rules.modes else code


def fault(rules, finding: Finding) -> str:
    """What is wrong: the mode where a fitter confirmed one, else the symptom as reported."""
    if finding.mode:
        return mode(rules, finding.mode)
    return symptom(rules, finding.symptom) or "what is wrong was not said"


def heading(rules, finding: Finding) -> str:
    """ "201, A end: 5 Upper air seal"."""
    return f"{unit(finding)}, {finding.end_words}: {part(rules, finding)}"


def unit(finding: Finding) -> str:
    """The unit's number; as given where it is not on the list."""
    return finding.unit.number if finding.unit_id else finding.unit_given


def category(finding: Finding) -> str:
    """The category's word; a finding that was never graded counts as the worst."""
    return CATEGORIES[-1 if finding.worst is None else finding.worst]


def name(person: User | None) -> str:
    """A person as the pages call them."""
    return (person.get_full_name() or person.get_username()) if person else "the logbook"
