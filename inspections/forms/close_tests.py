"""The closing tests as fields of the close-out form: a value and its gauge, or passed and failed.

A test that was made during the work has no field: its newest attempt is what is signed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from crispy_forms.bootstrap import InlineRadios
from crispy_forms.layout import Fieldset
from django import forms

from fleet.models import Gauge
from inspections import closing, happened, words
from inspections.forms.layout import UnitSuffix
from inspections.models import TestResult

VERDICTS = [("yes", "Passed"), ("no", "Failed")]


@dataclass(frozen=True, slots=True)
class Asked:
    """One closing test of the form: its field, the ruleset's test, its limit in words, the newest attempt."""

    field: str
    test: object
    limit: str
    attempt: TestResult | None = None

    @property
    def gauge(self) -> str:
        """The field of its gauge."""
        return f"gauge-{self.test.code}"

    @property
    def attempted(self) -> str:
        """The newest attempt in words; "" where there is none."""
        return happened.tested(self.attempt) if self.attempt else ""


def gauges_offered(finding) -> list[Gauge]:
    """Gauges in use at the depot of the visit, and those of no depot; every one where no visit is planned."""
    rows = Gauge.objects.filter(retired__isnull=True).select_related("depot")
    if not finding.visit_id:
        return list(rows)
    return [gauge for gauge in rows if gauge.depot_id in (None, finding.visit.depot_id)]


def gauge_words(gauge: Gauge, today: date) -> str:
    """ "G-12, pressure, until 3 December 2026", or why its values do not count."""
    due = gauge.calibrated_until
    until = f"{due.day} {due:%B %Y}" if due else ""
    if due is None:
        return f"{gauge}, {gauge.kind}: no calibration known"
    return (
        f"{gauge}, {gauge.kind}: ended on {until}"
        if gauge.overdue(today)
        else f"{gauge}, {gauge.kind}, until {until}"
    )


class TestFields(forms.Form):
    """Adds a field per closing test, beside it its gauge. Needs `finding`, `rules`, `mode`, `confirmed`, `today`."""

    __test__ = False

    def add_tests(self) -> list[Asked]:
        """The closing tests in the ruleset's order."""
        tried = closing.attempts(self.finding)
        self.gauges = {str(gauge.pk): gauge for gauge in gauges_offered(self.finding)}
        asked = []
        for code in closing.tests_asked(self.finding, self.mode, self.rules):
            test = self.rules.tests[code]
            limit = words.limit(test.low, test.high, test.unit)
            one = Asked(f"test-{code}", test, limit, tried.get(code))
            asked.append(one)
            if one.attempt is None:
                self.add_test(one)
        return asked

    def add_test(self, one: Asked) -> None:
        """Its field, and that of its gauge."""
        test, source = one.test, f"Document: {one.test.document}; set by: {one.test.set_by}."
        if test.kind == "value":
            self.fields[one.field] = value_field(test, one.limit, source)
            if self.gauges:
                self.fields[one.gauge] = forms.ChoiceField(
                    label=f"Gauge for: {test.name}", required=False, choices=self.gauge_choices()
                )
        else:
            self.fields[one.field] = forms.ChoiceField(
                label=test.name,
                help_text=f"{test.method} {source}",
                required=False,
                choices=VERDICTS,
                widget=forms.RadioSelect,
            )
        if self.confirmed:
            self.fields[one.field].optional_note = "needed for “repaired”"

    def gauge_choices(self) -> list[tuple[str, str]]:
        """The gauges; whose date is past is offered too, so that it is refused in words."""
        return [("", "Not said"), *((pk, gauge_words(gauge, self.today)) for pk, gauge in self.gauges.items())]

    def test_rows(self) -> list:
        """Their layout."""
        rows = []
        for one in self.asked:
            if one.attempt is not None:
                continue
            if one.test.kind != "value":
                rows.append(InlineRadios(one.field))
                continue
            rows.append(UnitSuffix(one.field, one.test.unit) if one.test.unit else one.field)
            rows += [one.gauge] if one.gauge in self.fields else []
        return [Fieldset("Closing tests", *rows)] if rows else []

    @property
    def attempted(self) -> Sequence[Asked]:
        """The tests made during the work."""
        return [one for one in self.asked if one.attempt is not None]

    @property
    def leak_tests(self) -> Sequence[Asked]:
        """The tests whose readings have a page of their own and are not made yet."""
        return [one for one in self.asked if one.attempt is None and one.test.minutes is not None]

    def results(self) -> tuple[closing.Result, ...]:
        """The tests as entered; what was left empty is left out."""
        entered = []
        for one in self.asked:
            value = self.cleaned_data.get(one.field)
            if one.attempt is not None or value in (None, ""):
                continue
            if one.test.kind == "value":
                gauge = self.gauges.get(self.cleaned_data.get(one.gauge, ""))
                entered.append(closing.Result(one.test.code, value=value, gauge=gauge))
            else:
                entered.append(closing.Result(one.test.code, passed=value == "yes"))
        return tuple(entered)

    def check_gauges(self) -> None:
        """A gauge that is not in date, by its field."""
        for result in self.results():
            why = closing.why_not(result.gauge, self.today) if result.gauge else ""
            if why:
                self.add_error(f"gauge-{result.test}", f"“{self.rules.tests[result.test].name}”: {why}")

    def block_repaired(self) -> None:
        """Every closing test is needed and must be within its limit."""
        entered = {result.test: result for result in self.results()}
        for one in self.asked:
            result = entered.get(one.test.code)
            if one.attempt is not None:
                if one.attempt.verdict != TestResult.Verdict.PASS:
                    self.add_error("outcome", closing.out_of_limit(one.attempt))
            elif one.field in self.errors:
                continue
            elif result is None:
                self.add_error(one.field, f"“{one.test.name}” is needed for “repaired”")
            elif closing.verdict_of(one.test, result) == TestResult.Verdict.FAIL:
                self.add_error(one.field, closing.out_of_limit(unsaved(one.test, result)))

    def tested(self, one: Asked, work: closing.Work) -> str:
        """One test in words: "0.15 bar, limit at most 0.2 bar: passed"."""
        if one.attempt is not None:
            return one.attempted
        result = next((r for r in work.results if r.test == one.test.code), None)
        return happened.tested(unsaved(one.test, result)) if result else "Not tested"


def value_field(test, limit: str, source: str) -> forms.DecimalField:
    """A value with its limit in the label."""
    return forms.DecimalField(
        label=f"{test.name}: {limit}" if limit else test.name,
        help_text=f"{test.method} {source}",
        required=False,
        max_digits=10,
        decimal_places=4,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
        error_messages={
            "invalid": f"“{test.name}”: enter a number with a point, like 0.15",
            "min_value": closing.below_zero(test),
        },
        min_value=closing.least(test),
    )


def unsaved(test, result: closing.Result) -> TestResult:
    """An unsaved result, for the sentence about it."""
    return TestResult(
        name=test.name,
        value=result.value,
        unit=test.unit,
        low=test.low,
        high=test.high,
        verdict=closing.verdict_of(test, result),
        gauge=result.gauge,
        gauge_due=result.gauge.calibrated_until if result.gauge else None,
    )
