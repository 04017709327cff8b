"""What fitters find, do and measure."""

from __future__ import annotations

from decimal import Decimal
from random import Random

from inspections import closing
from inspections.demonstration.rates import Rates
from inspections.models import CloseOut, Finding
from inspections.rules.limits import Limits

LEFT = (
    (Limits(couple="attended"), "Works, but stiff: a fitter present at each coupling until the part comes."),
    (Limits(couple="not", rescue="no"), "Part on order. Not to couple or be relied on at this end."),
    (Limits(uncouple="attended"), "Release is slow: a fitter present at uncoupling until the exam."),
    (Limits(speed=100), "Within limits at lower speed until measured again at the exam."),
)


def work_on(
    finding: Finding, rules, rates: Rates, random: Random, *, renew: bool | None = None, planted: bool = False
) -> closing.Work:
    """What a fitter signs for this finding. `renew`: as for `Rates.action`; what is planted is found and repaired."""
    draw = random.random()
    if planted or closing.may_part(finding, rules):
        draw = max(draw, rates.not_found + rates.released)
    if draw < rates.not_found:
        found = "Looked and tried by hand, nothing found. Tests passed."
        results = tuple(passing(rules.tests[code], random) for code in closing.tests_asked(finding, "", rules)[:2])
        return closing.Work(False, "", "", found, CloseOut.Outcome.NOT_FOUND, results=results)
    modes = finding.current_grade.modes or list(rules.candidates(finding.slot))
    mode = rules.modes[random.choice(modes)]
    cause, tests = rates.cause(random), [rules.tests[code] for code in mode.tests]
    if draw < rates.not_found + rates.released:
        limits, why = random.choice(LEFT)
        results = (*(passing(test, random) for test in tests[1:]), failing(tests[0]))
        found, outcome = f"{mode.name}. Not put right today.", CloseOut.Outcome.RELEASED
        return closing.Work(True, cause, "Secured", found, outcome, mode.code, results, limits, why)
    action = rates.action(mode, random, renew)
    results = tuple(passing(test, random) for test in tests)
    found = f"{mode.name}. {action}."
    return closing.Work(True, cause, action, found, CloseOut.Outcome.REPAIRED, mode.code, results)


def passing(test, random: Random) -> closing.Result:
    """A result within the limit of a test, mostly well within."""
    if test.kind == "passed":
        return closing.Result(test.code, passed=True)
    share = Decimal(random.randint(10, 95)) / 100
    if test.low is None:
        value = (test.high or Decimal(0)) * share
    elif test.high is None:
        value = test.low * (1 + 2 * share)
    else:
        value = test.low + (test.high - test.low) * share
    return closing.Result(test.code, value.quantize(Decimal("0.01")))


def failing(test) -> closing.Result:
    """A result just outside the limit of a test."""
    if test.kind == "passed":
        return closing.Result(test.code, passed=False)
    step = Decimal("0.1")
    return closing.Result(test.code, test.high + step if test.high is not None else test.low - step)
