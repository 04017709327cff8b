"""The fitter's close-out form: what was found decides which causes, actions and closing tests are asked.

Two steps in one form: the entries are checked and shown, then signed with the password. It works without scripts:
what was found is asked first, on a page of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from crispy_forms.helper import FormHelper
from crispy_forms.layout import Layout
from django import forms
from django.urls import reverse

from inspections import closing, parts, words
from inspections.forms.close_parts import PartFields
from inspections.forms.close_tests import TestFields
from inspections.forms.dials import DIAL_LABELS, DialsForm
from inspections.forms.fields import Words, button, password, say_what_is_needed
from inspections.forms.layout import BigRadios, folded
from inspections.models import CloseOut, Finding
from inspections.permissions import Refused
from inspections.rules.limits import DIALS, NO_LIMITS

NOT_FOUND = "not-found"
CAUSES = [
    (cause, cause)
    for cause in (
        "Wear or age",
        "Struck or rough coupling",
        "Water, ice or dirt",
        "Wrongly fitted or set",
        "Part or material at fault",
        "Marked by the mate",
        "Not known",
    )
]
OTHER_ACTION = "Something else, in my words below"
OUTCOMES = {
    CloseOut.Outcome.REPAIRED: "Repaired",
    CloseOut.Outcome.RELEASED: "Released with limits",
    CloseOut.Outcome.NOT_FOUND: "No fault found",
}


def modes_offered(finding: Finding, rules, seen: Sequence[str] = ()) -> list[tuple[str, list[tuple[str, str]]]]:
    """Failure modes to choose from in two groups: as reported or confirmed, then the others of the component.

    `seen`: what a fault that has no finding yet may be by what was seen.
    """
    graded = finding.current_grade.modes if finding.current_grade else seen
    reported = [finding.mode] if finding.mode else list(graded)
    reported = [code for code in reported if code in rules.modes]
    components = {rules.modes[code].component for code in reported} | {finding.component}
    others = [
        mode.code
        for mode in rules.modes.values()
        if mode.component in components and mode.code not in reported and not mode.retired
    ]
    return [
        (heading, [(code, rules.modes[code].name) for code in codes])
        for heading, codes in (("As it was reported", reported), ("Another fault of this part", others))
        if codes
    ]


class FoundForm(forms.Form):
    """First question: was the fault found, and which is it? Asked by GET; it changes nothing."""

    found = forms.ChoiceField(label="Did you find the fault?", widget=forms.RadioSelect)

    def __init__(self, data=None, *, finding: Finding, rules, address="close", offered=None):
        super().__init__(data)
        no = ("No", [(NOT_FOUND, "No fault found")])
        self.fields["found"].choices = offered or [*modes_offered(finding, rules), no]
        say_what_is_needed(self)
        self.helper = FormHelper()
        self.helper.form_method = "get"
        self.helper.form_action = reverse(address, args=[finding.ref])
        self.helper.layout = Layout(BigRadios("found"), button("Go on", "primary"))


class CloseForm(TestFields, PartFields, DialsForm):
    """What the fitter enters. `found` is a failure mode's code or NOT_FOUND; `work()` is the value to sign."""

    act = "close"
    version = forms.IntegerField(min_value=1, widget=forms.HiddenInput)
    found = forms.CharField(max_length=40, widget=forms.HiddenInput)
    cause = forms.ChoiceField(label="Cause", choices=CAUSES, widget=forms.RadioSelect)
    action = forms.ChoiceField(label="What was done", widget=forms.RadioSelect)
    in_words = Words(
        label="Found and done, in your words",
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text="Part numbers, batch, what you saw.",
    )
    outcome = forms.ChoiceField(label="Outcome", widget=forms.RadioSelect)

    def __init__(self, data=None, *, finding: Finding, rules, found: str, today: date, initial=None):
        super().__init__(data, initial={"version": finding.version, "found": found, **(initial or {})})
        self.finding, self.rules, self.today = finding, rules, today
        self.mode = "" if found == NOT_FOUND else found
        self.confirmed = found != NOT_FOUND
        self.asked = self.add_tests()
        self.fields["outcome"].choices = self.outcomes()
        self.fields["limits_why"].required = False
        self.fields["limits_why"].label = "Why it is released so"
        self.add_dials(rules.dial_words)
        if self.confirmed:
            self.add_parts()
            self.fields["action"].choices = [(a, a) for a in (*rules.modes[self.mode].actions, OTHER_ACTION)]
        else:
            del self.fields["cause"], self.fields["action"], self.fields["rows"]
        say_what_is_needed(self)
        self.helper = self.entry_helper()

    def outcomes(self) -> list[tuple[str, str]]:
        """The outcomes that fit what was found."""
        fitting = (
            (CloseOut.Outcome.REPAIRED, CloseOut.Outcome.RELEASED)
            if self.confirmed
            else (CloseOut.Outcome.NOT_FOUND, CloseOut.Outcome.RELEASED)
        )
        return [(outcome.value, OUTCOMES[outcome]) for outcome in fitting]

    def entry_helper(self) -> FormHelper:
        """The layout of the entry page; the form's tag and buttons are the page's."""
        done = [BigRadios("cause"), BigRadios("action")] if self.confirmed else []
        changed = ["rows", *self.part_rows()] if self.confirmed else []
        limits = self.dial_rows()
        made = FormHelper()
        made.form_tag = False
        made.disable_csrf = True
        made.layout = Layout(
            "version",
            "found",
            *done,
            "in_words",
            *changed,
            *self.test_rows(),
            BigRadios("outcome"),
            *folded("Only where you release it with limits", *limits, "limits_why", shown=self.leaves_limits()),
        )
        return made

    def leaves_limits(self) -> bool:
        """True where limits, or the outcome that asks for them, were chosen already."""
        given = self.data if self.is_bound else self.initial
        turned = any(given.get(dial) not in (None, "", DIALS[dial][0]) for dial in DIAL_LABELS)
        return turned or given.get("outcome") == CloseOut.Outcome.RELEASED or self.any_given(["speed", "limits_why"])

    def see(self, version: int) -> None:
        """The person has now been shown what changed: carry this version on."""
        self.data = self.data.copy()
        self.data["version"] = version

    def work(self) -> closing.Work:
        """What is signed."""
        return closing.Work(
            confirmed=self.confirmed,
            cause=self.cleaned_data.get("cause", ""),
            action=self.cleaned_data.get("action", ""),
            found=self.cleaned_data["in_words"],
            outcome=self.cleaned_data["outcome"],
            mode=self.mode,
            results=self.results(),
            limits=self.limits(),
            limits_why=self.cleaned_data["limits_why"],
            parts=self.changes() if self.confirmed else (),
            swap=self.swap() if self.confirmed else None,
        )

    def clean(self):
        """What blocks the outcome, each by its field."""
        values = super().clean()
        said = values.get("in_words", "").strip()
        self.check_gauges()
        if self.confirmed:
            self.check_parts(values)
        if values.get("action") == OTHER_ACTION and not said:
            self.add_error("in_words", "Write what was done")
        if values.get("outcome") == CloseOut.Outcome.REPAIRED:
            self.block_repaired()
        if values.get("outcome") == CloseOut.Outcome.RELEASED:
            self.ask_limits(values)
        elif "outcome" in values and self.limits() != NO_LIMITS:
            self.add_error("outcome", closing.limit_lost(values["outcome"]))
        elif "outcome" in values and values.get("limits_why"):
            self.add_error(
                "limits_why", closing.limit_lost(values["outcome"], "wrote why it is released", "that reason")
            )
        return values

    def ask_limits(self, values) -> None:
        """A release needs at least one limit and why."""
        if self.limits() == NO_LIMITS and not self.errors.get("speed"):
            self.add_error("couple", "“Released with limits” needs at least one limit")
        if not values.get("limits_why", "").strip():
            self.add_error("limits_why", "Say why it is released so")

    def copies(self) -> list[tuple[str, str]]:
        """(name, value) of every entry, to carry into the second step."""
        return [(name, value) for name in self.fields for value in self.data.getlist(name)]

    def summary(self) -> list[tuple[str, str]]:
        """(label, words) of exactly what is signed."""
        work = self.work()
        said = [("Fault found", "Yes: " + words.mode(self.rules, self.mode) if work.confirmed else "No fault found")]
        said += [(label, text) for label, text in (("Cause", work.cause), ("What was done", work.action)) if text]
        said.append(("In your words", work.found or "Nothing written"))
        said += parts.words_of(parts.as_signed(self.finding, work.parts, work.swap), self.rules)
        said += [(asked.test.name, self.tested(asked, work)) for asked in self.asked]
        said.append(("Outcome", OUTCOMES[CloseOut.Outcome(work.outcome)]))
        if work.limits != NO_LIMITS:
            said += self.limits_said(work.limits)
            said.append(("Why", work.limits_why))
        return said

    def limits_said(self, limits) -> list[tuple[str, str]]:
        """(dial, sentence) of every dial that is turned."""
        turned = [dial for dial in DIALS if getattr(limits, dial) != DIALS[dial][0]]
        said = [(DIAL_LABELS[d], dict(self.fields[d].choices)[getattr(limits, d)]) for d in turned]
        return said + ([("Highest speed", f"{limits.speed} km/h")] if limits.speed else [])


class SignForm(forms.Form):
    """Second step: the password, for the text shown above it."""

    password = password()

    def __init__(self, data=None):
        super().__init__(data)
        say_what_is_needed(self)
        self.helper = FormHelper()
        self.helper.form_tag = False
        self.helper.disable_csrf = True


def refusal(form: forms.Form, refused: Refused) -> None:
    """Show a refusal as the form's own problem."""
    form.add_error("password" if "your password" in str(refused) else None, str(refused))
