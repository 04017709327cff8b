"""What a close-out needs before it is signed: the tests asked, their verdicts, the exact text. Changes nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from django.contrib.auth.models import User

from inspections import grading, log
from inspections.models import CloseOut, Finding, TestResult
from inspections.models.dials import Dials
from inspections.permissions import Refused
from inspections.rules.limits import NO_LIMITS, Limits


@dataclass(frozen=True, slots=True)
class Result:
    """One test as entered. `value` is None for a test that is only passed or failed; `passed` then says which."""

    test: str
    value: Decimal | None = None
    passed: bool | None = None


@dataclass(frozen=True, slots=True)
class Work:
    """What a fitter signs: confirmed or not, cause, action, words, outcome, tests, limits left in force.

    `mode` is the failure mode found, "" to leave it as reported.
    """

    confirmed: bool
    cause: str
    action: str
    found: str
    outcome: str
    mode: str = ""
    results: tuple[Result, ...] = ()
    limits: Limits = NO_LIMITS
    limits_why: str = ""


def test_rows(finding: Finding, work: Work, rules=None) -> list[TestResult]:
    """Unsaved results with limits copied from the ruleset (in force now, unless given).

    Refused names a test that is missing or unknown.
    """
    rules = rules or grading.ruleset()
    entered = {result.test: result for result in work.results}
    rows = []
    for code in tests_asked(finding, work.mode, rules):
        test = rules.tests[code]
        result = entered.pop(code, None)
        verdict = verdict_of(test, result)
        if result and result.value is not None and least(test) is not None and result.value < least(test):
            raise Refused(below_zero(test))
        if verdict is None:
            if work.outcome == CloseOut.Outcome.REPAIRED:
                raise Refused(f"“{test.name}” is missing: every closing test is needed for “repaired”.")
            continue
        rows.append(
            TestResult(
                test=code,
                name=test.name,
                value=result.value,
                unit=test.unit,
                low=test.low,
                high=test.high,
                document=test.document,
                verdict=verdict,
            )
        )
    if entered:
        raise Refused(f"“{next(iter(entered))}” is no closing test of this fault.")
    return rows


def least(test) -> Decimal | None:
    """What a value can be at least: 0, a size without a sign, unless a limit of the test lies below zero itself."""
    signed = any(limit is not None and limit < 0 for limit in (test.low, test.high))
    return None if signed else Decimal(0)


def below_zero(test) -> str:
    """Why a value below zero is no value of a test."""
    return f"“{test.name}” is below zero: enter what was measured, without a sign."


def limit_lost(outcome: str, done: str = "set a limit", it: str = "the limit") -> str:
    """Why limits, or their reason, do not go with another outcome than a release."""
    return f"You {done}, but chose {outcome}. Choose “released with limits”, or take {it} away."


def tests_asked(finding: Finding, mode: str = "", rules=None) -> list[str]:
    """Codes of the closing tests of a finding: of its mode where known, else of every candidate mode."""
    rules = rules or grading.ruleset()
    return list(dict.fromkeys(code for m in modes_meant(finding, mode, rules) for code in m.tests))


def modes_meant(finding: Finding, mode: str, rules) -> list:
    """The ruleset's modes that the work is about: the one found, else the one confirmed, else every candidate."""
    known = mode or finding.mode
    codes = [known] if known else finding.current_grade.modes if finding.current_grade else []
    return [rules.modes[code] for code in codes if code in rules.modes]


def verdict_of(test, result: Result | None) -> str | None:
    """ "pass", "fail", or None where nothing was entered."""
    if result is None or (result.value is None and result.passed is None):
        return None
    if result.value is None:
        return TestResult.Verdict.PASS if result.passed else TestResult.Verdict.FAIL
    inside = (test.low is None or result.value >= test.low) and (test.high is None or result.value <= test.high)
    return TestResult.Verdict.PASS if inside else TestResult.Verdict.FAIL


def out_of_limit(row: TestResult) -> str:
    """Why a failed test blocks "repaired", in words."""
    if row.value is None:
        return f"“{row.name}” did not pass. You can release it with limits, or leave it open."
    side, limit = ("over", row.high) if row.high is not None and row.value > row.high else ("under", row.low)
    return (
        f"“{row.name}”: {row.value.normalize():f} {row.unit} is {side} the limit of "
        f"{limit.normalize():f} {row.unit}. "
        "You can release it with limits, or leave it open."
    )


def refuse_unless_sound(finding: Finding, work: Work, rows: Sequence[TestResult]) -> None:
    """The rules of a close-out, each refused in its sentence."""
    failed = next((row for row in rows if row.verdict == TestResult.Verdict.FAIL), None)
    if work.outcome == CloseOut.Outcome.REPAIRED:
        if failed:
            raise Refused(out_of_limit(failed))
        if not work.confirmed:
            raise Refused("“Repaired” needs the fault confirmed; otherwise the outcome is “no fault found”.")
    if work.outcome == CloseOut.Outcome.NOT_FOUND:
        if work.confirmed:
            raise Refused("The fault was confirmed, so “no fault found” does not fit.")
        if may_part(finding):
            raise Refused(
                "“No fault found” cannot close this: after an unwanted release, a parting or damaged wiring "
                "the independent wiring check must be made and signed."
            )
    if work.outcome != CloseOut.Outcome.RELEASED and work.limits != NO_LIMITS:
        raise Refused(limit_lost(work.outcome))
    if work.outcome == CloseOut.Outcome.RELEASED and finding.unit_id is None:
        raise Refused("The unit is not on the list yet, so no limit can be set: say which unit it is first.")
    if work.outcome == CloseOut.Outcome.RELEASED and (work.limits == NO_LIMITS or not work.limits_why.strip()):
        raise Refused("“Released with limits” needs at least one limit and why.")


def may_part(finding: Finding, rules=None) -> bool:
    """True where the fault as reported or confirmed asks for the independent wiring check."""
    rules = rules or grading.ruleset()
    symptom = rules.symptoms.get(finding.symptom)
    reported = symptom.modes if symptom and not symptom.cant_tell else ()
    codes = [finding.mode] if finding.mode else reported
    return any(rules.modes[code].wiring_check for code in codes if code in rules.modes)


def signed_text(finding: Finding, work: Work, rows: Sequence[TestResult], by: User, now: datetime) -> str:
    """The exact text that is signed."""
    tests = [
        {
            "test": row.test,
            "value": row.value,
            "unit": row.unit,
            "low": row.low,
            "high": row.high,
            "document": row.document,
            "verdict": row.verdict,
        }
        for row in rows
    ]
    return log.canonical(
        {
            "finding": finding.ref,
            "by": by.pk,
            "at": now,
            "confirmed": work.confirmed,
            "mode": work.mode,
            "cause": work.cause,
            "action": work.action,
            "found": work.found,
            "outcome": work.outcome,
            "tests": tests,
            "limits": Dials.columns(work.limits),
            "limits_why": work.limits_why,
        }
    )


def check_needed(finding: Finding, mode: str, rules=None) -> bool:
    """True where the ruleset asks for a second person: for the mode, its wiring, or one of its closing tests."""
    rules = rules or grading.ruleset()
    modes = modes_meant(finding, mode, rules)
    asked = any(rules.tests[code].checker for code in tests_asked(finding, mode, rules))
    return asked or any(m.second_person or m.wiring_check for m in modes)
