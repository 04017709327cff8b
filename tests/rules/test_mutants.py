"""The ruleset is tested, not only the code: one wrong thing in it must fail a case.

Every tenth change by default; all of them with the long profile.
"""

from decimal import Decimal

import pytest
from hypothesis import settings

from inspections.rules.facts import Fault, Observation
from inspections.rules.grade import grade, settle
from tests.rules import mutants, signing
from tests.rules import test_coupling as coupling
from tests.rules.joining import asked, decisive, level
from tests.rules.saying import end_cell, fault, judged, letters
from tests.rules.test_decisions import CASES
from tests.rules.test_engineers_table import LIMITS, LINES
from tests.rules.test_signed import (
    CANDIDATES,
    CANT_TELL,
    CONFLICTS,
    DELEGATION,
    MATRIX,
    NUMBERS,
    SEVERITY,
    TESTS,
    candidates,
    limits_of,
)


def by_hand(ruleset, about: str = "") -> str:
    """The first hand-written case this ruleset fails, cases about `about` first; "" when it passes them all."""
    for case in sorted(CASES, key=lambda c: about not in c[1]):
        category, limits = end_cell(ruleset, case[1], case[2])
        if category != case[3] or case[4] not in ("*", limits):
            return case[0]
    for line, mode, said, weathers, expected in sorted(LINES, key=lambda x: about != x[1]):
        answer = grade(ruleset, fault(judged(mode, said)))
        if any(letters(answer, w) != expected for w in weathers.split()):
            return line
    for mode, said, situation, dial, value in LIMITS:
        if getattr(grade(ruleset, fault(judged(mode, said))).cells[situation, "dry"].limits, dial) != value:
            return f"limit of {mode}"
    return _numbers_by_hand(ruleset) or _joins_by_hand(ruleset) or _couplings_by_hand(ruleset)


def _numbers_by_hand(ruleset) -> str:
    for code, value in NUMBERS:
        if ruleset.limit_values[code].value != value:
            return code
    for code, low, high, unit, checker in TESTS:
        t = ruleset.tests[code]
        if (t.low, t.high) != tuple(None if v is None else Decimal(v) for v in (low, high)):
            return code
        if (t.unit, t.checker) != (unit, checker):
            return code
    for category, hours, days, extensions, by in DELEGATION:
        d = ruleset.delegation[category]
        if (d.hours, d.longest_days, d.extensions, d.by) != (hours, days, extensions, by):
            return f"delegation {category}"
    for frequency, categories in MATRIX:
        for severity, category in zip(mutants.SEVERITIES, categories.split(), strict=True):
            if ruleset.matrix[severity, frequency] != int(category):
                return f"matrix {severity} {frequency}"
    return next((code for code, severity in SEVERITY if ruleset.hazards[code].severity != severity), "")


def _joins_by_hand(ruleset) -> str:
    for symptom, seen_in, modes in CANDIDATES:
        if candidates(ruleset, symptom, seen_in) != modes:
            return symptom
    for what, joined, expected in CONFLICTS:
        settled = settle(ruleset, limits_of(joined))
        for said in expected.split(", "):
            dial, value = said.split(" ", 1)
            if getattr(settled, dial) != value:
                return what
    for part, *both in CANT_TELL:
        for facts, expected in zip(({}, {"may-fall": "no"}), both, strict=True):
            answer = grade(ruleset, Fault("a", (Observation(part, facts=facts),)))
            if " ".join(str(answer.cells[s, "dry"].category) for s in "UCR") != expected:
                return f"cannot tell {part}"
    return ""


def _couplings_by_hand(ruleset) -> str:
    for what, one, other, where, *expected in coupling.CASES:
        answer = asked(ruleset, one, other, where)
        if [level(answer), ", ".join(answer.agree), decisive(answer)] != expected:
            return what
    for what, one, other, where, kind, words in coupling.ASKED:
        if not coupling.told(asked(ruleset, one, other, where), kind, words):
            return what
    return ""


def verdict_on(ruleset, about: str, signed: list[str]) -> str:
    """ "refused", "by hand", "signed" or "survived"."""
    if ruleset is None:
        return "refused"
    if by_hand(ruleset, about):
        return "by hand"
    return "survived" if signing.lines(ruleset) == signed else "signed"


@pytest.fixture(scope="module")
def chosen():
    changes = list(mutants.changes(mutants.document()))
    return changes if settings.get_current_profile_name() == "long" else changes[::10]


def test_the_unchanged_ruleset_passes(ruleset):
    assert verdict_on(ruleset, "", signing.lines(ruleset)) == "survived"


def test_every_changed_ruleset_fails_a_case(ruleset, chosen, capsys):
    data, signed = mutants.document(), signing.lines(ruleset)
    count = dict.fromkeys(("refused", "by hand", "signed", "survived"), 0)
    survivors = []
    for path, value in chosen:
        name = ".".join(map(str, path)) + (" dropped" if value is None else f" → {value}")
        changed = mutants.ruleset_of(mutants.with_change(data, path, value))
        verdict = verdict_on(changed, str(path[1]), signed)
        count[verdict] += 1
        if verdict == "survived":
            survivors.append(name)
    with capsys.disabled():
        print(f"\n  {len(chosen)} changed rulesets: {count}")
    assert survivors == []
