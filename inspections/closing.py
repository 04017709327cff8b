"""What a close-out needs before it is signed: the tests asked, their verdicts, the exact text. Changes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from types import MappingProxyType

from django.contrib.auth.models import User

from fleet.models import Gauge
from inspections import grading, log
from inspections.models import CloseOut, Finding, TestResult
from inspections.models.dials import Dials
from inspections.parts import PartChange, Swap, as_signed
from inspections.permissions import Refused
from inspections.rules.limits import NO_LIMITS, Limits

NOTHING_TRIED: Mapping[str, TestResult] = MappingProxyType({})
WIRING = "wiring"  # the independent wiring check, among the ruleset's tests
COPIED = ("value", "uncertainty", "unit", "low", "high", "document", "readings", "verdict", "gauge", "gauge_due")


@dataclass(frozen=True, slots=True)
class Result:
    """One test as entered. `value` is None for a test that is only passed or failed; `passed` then says which.

    `gauge`: what it was measured with, None where that was not said.
    """

    test: str
    value: Decimal | None = None
    passed: bool | None = None
    gauge: Gauge | None = None


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
    parts: tuple[PartChange, ...] = ()
    swap: Swap | None = None


def attempts(finding: Finding) -> dict[str, TestResult]:
    """Code of a test → its newest attempt during the work, which signing copies. One query."""
    if finding.pk is None:
        return {}
    rows = TestResult.objects.filter(finding=finding).select_related("gauge", "by").order_by("pk")
    return {row.test: row for row in rows}


def test_rows(
    finding: Finding,
    work: Work,
    rules=None,
    tried: Mapping[str, TestResult] = NOTHING_TRIED,
    on: date | None = None,
) -> list[TestResult]:
    """Unsaved results with limits copied from the ruleset (in force now, unless given).

    Of what was tried during the work (see `attempts`) the newest is copied. Refused names a test that is missing or
    unknown, and a gauge that was not in date `on` the local day of the test (needed where a gauge is named).
    """
    rules = rules or grading.ruleset()
    entered = {result.test: result for result in work.results}
    rows = []
    for code in tests_asked(finding, work.mode, rules):
        test = rules.tests[code]
        result = entered.pop(code, None)
        if code in tried:
            rows.append(copied(tried[code]))
            continue
        verdict = verdict_of(test, result)
        if result and result.value is not None and least(test) is not None and result.value < least(test):
            raise Refused(below_zero(test))
        if verdict is None:
            if work.outcome == CloseOut.Outcome.REPAIRED:
                raise Refused(missing(test))
            continue
        if result.gauge and why_not(result.gauge, on):
            raise Refused(f"“{test.name}”: {why_not(result.gauge, on)}")
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
                gauge=result.gauge,
                gauge_due=result.gauge.calibrated_until if result.gauge else None,
            )
        )
    if entered:
        raise Refused(f"“{next(iter(entered))}” is no closing test of this fault.")
    return rows


def copied(row: TestResult) -> TestResult:
    """An attempt as the signed close-out holds it: the same figures, readings, gauge, person and time."""
    kept = {name: getattr(row, name) for name in COPIED}
    return TestResult(test=row.test, name=row.name, by=row.by, at=row.at, **kept)


def missing(test) -> str:
    """Why a test that was not made blocks "repaired"."""
    if test.code == WIRING:
        return NO_WIRING_CHECK
    return f"“{test.name}” is missing: every closing test is needed for “repaired”."


def why_not(gauge: Gauge, on: date) -> str:
    """Why a value measured with this gauge on that day does not count; "" where it does."""
    if gauge.retired:
        return f"gauge {gauge} is retired. Take another gauge."
    if gauge.calibrated_until is None:
        return f"gauge {gauge} has no calibration in the register. Take another gauge."
    if gauge.overdue(on):
        due = gauge.calibrated_until
        return f"the calibration of gauge {gauge} ended on {due.day} {due:%B %Y}. Take a gauge that is in date."
    return ""


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
    """Why a test that did not pass blocks "repaired", in words."""
    if row.verdict in (TestResult.Verdict.REPEAT, TestResult.Verdict.INVALID):
        return f"“{row.name}” is no pass yet. {row.readings.get('why') or 'Make it again.'}"
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
    refuse_wiring(finding, work, rows)
    failed = next((row for row in rows if row.verdict != TestResult.Verdict.PASS), None)
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


NO_WIRING_CHECK = (
    "Wiring work is not closed without the independent wiring check: a second person, drawing against wire. "
    "Make it and enter it, or leave the fault open."
)


def refuse_wiring(finding: Finding, work: Work, rows: Sequence[TestResult], rules=None) -> None:
    """No close-out of a fault of the wiring, whatever its outcome, without the check having passed."""
    if work.outcome == CloseOut.Outcome.NOT_FOUND:
        return
    rules = rules or grading.ruleset()
    known = any(mode.wiring_check for mode in modes_meant(finding, work.mode, rules))
    asked = known if work.mode else may_part(finding, rules)
    passed = any(row.test == WIRING and row.verdict == TestResult.Verdict.PASS for row in rows)
    if asked and not passed:
        raise Refused(NO_WIRING_CHECK)


def may_part(finding: Finding, rules=None) -> bool:
    """True where the fault as reported or confirmed asks for the independent wiring check."""
    rules = rules or grading.ruleset()
    symptom = rules.symptoms.get(finding.symptom)
    reported = symptom.modes if symptom and not symptom.cant_tell else ()
    codes = [finding.mode] if finding.mode else reported
    return any(rules.modes[code].wiring_check for code in codes if code in rules.modes)


def signed_text(finding: Finding, work: Work, rows: Sequence[TestResult], by: User, now: datetime, parts=None) -> str:
    """The exact text that is signed. `parts`: as `as_signed` gives them; looked up unless given."""
    tests = [
        {
            "test": row.test,
            "value": row.value,
            "unit": row.unit,
            "low": row.low,
            "high": row.high,
            "document": row.document,
            "verdict": row.verdict,
            "uncertainty": row.uncertainty,
            "readings": row.readings,
            "gauge": row.gauge.number if row.gauge else "",
            "gauge_due": row.gauge_due.isoformat() if row.gauge_due else "",
            "tested_by": row.by_id,
            "tested": row.at,
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
            "parts": as_signed(finding, work.parts, work.swap) if parts is None else parts,
            "limits": Dials.columns(work.limits),
            "limits_why": work.limits_why,
        }
    )


def second_person(finding: Finding, work: Work, by: User, lowered_by: int | None) -> bool:
    """True where somebody else must check: as the ruleset asks, after an exchange of the coupler, and wherever the
    doer made the last examination that lowered the grade (`trade.md` §3); then for every outcome."""
    if lowered_by == by.pk:
        return True
    if work.outcome == CloseOut.Outcome.NOT_FOUND:
        return False
    return work.swap is not None or check_needed(finding, work.mode)


def check_needed(finding: Finding, mode: str, rules=None) -> bool:
    """True where the ruleset asks for a second person: for the mode, its wiring, or one of its closing tests."""
    rules = rules or grading.ruleset()
    modes = modes_meant(finding, mode, rules)
    asked = any(rules.tests[code].checker for code in tests_asked(finding, mode, rules))
    return asked or any(m.second_person or m.wiring_check for m in modes)
