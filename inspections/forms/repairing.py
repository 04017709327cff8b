"""Found and repaired: where and what, then which fault, then the close-out, as one form in three steps.

Every step carries the answers before it; nothing is saved before the last is signed.
"""

from __future__ import annotations

from crispy_forms.helper import FormHelper
from crispy_forms.layout import Layout
from django import forms

from fleet.models import Unit
from inspections import words
from inspections.forms.close import CloseForm, modes_offered
from inspections.forms.fault import SITUATIONS
from inspections.forms.fields import button, say_what_is_needed
from inspections.forms.layout import BigRadios
from inspections.models import CloseOut, Finding

CARRIED = ("end", "situation", "sign")  # the first answers, hidden in the steps after


def helper(action: str, *fields) -> FormHelper:
    """A question that is asked by GET; it changes nothing."""
    made = FormHelper()
    made.form_method = "get"
    made.form_action = action
    made.layout = Layout(*fields, button("Go on", "primary"))
    return made


class WhereForm(forms.Form):
    """Which end, and what was seen there. `sign` is "part:symptom"."""

    end = forms.ChoiceField(
        label="Which end?", widget=forms.RadioSelect, error_messages={"required": "Choose which end"}
    )
    situation = forms.ChoiceField(
        label="How was this end when you saw it?",
        choices=SITUATIONS,
        widget=forms.RadioSelect,
        error_messages={"required": "Choose how this end was"},
    )
    sign = forms.ChoiceField(label="What did you see?", error_messages={"required": "Choose what you saw"})

    def __init__(self, data=None, *, unit: Unit, ends, rules, action: str):
        super().__init__(data)
        self.unit, self.rules = unit, rules
        self.ends = {end.letter: end for end in ends}
        self.fields["end"].choices = [(letter, f"{letter} end") for letter in sorted(self.ends)]
        self.fields["sign"].choices = [("", "Choose what you saw"), *signs(rules)]
        say_what_is_needed(self)
        self.fields["end"].error_messages["required"] = "Choose which end"
        self.fields["situation"].error_messages["required"] = "Choose how this end was"
        self.fields["sign"].error_messages["required"] = "Choose what you saw"
        self.helper = helper(action, BigRadios("end"), BigRadios("situation"), "sign")

    def finding(self) -> Finding:
        """The finding as it would be opened: not saved."""
        end = self.ends[self.cleaned_data["end"]]
        part, _, symptom = self.cleaned_data["sign"].partition(":")
        component = self.rules.parts[part].component
        unit = {"unit": self.unit, "unit_given": self.unit.number}
        return Finding(**unit, end=end, end_given=end.letter, slot=part, symptom=symptom, component=component)


def signs(rules) -> list[tuple[str, list[tuple[str, str]]]]:
    """What can be seen, under the part it is seen on."""
    groups = []
    for part in rules.parts.values():
        rows = [(f"{part.code}:{symptom.code}", symptom.words) for symptom in rules.symptoms_of(part.code)]
        if rows and not part.retired:
            groups.append((words.part_named(rules, part.code), rows))
    return groups


class WhichForm(forms.Form):
    """Which failure mode it was."""

    end = forms.CharField(max_length=1, widget=forms.HiddenInput)
    situation = forms.CharField(max_length=1, widget=forms.HiddenInput)
    sign = forms.CharField(max_length=80, widget=forms.HiddenInput)
    found = forms.ChoiceField(label="Which fault was it?", widget=forms.RadioSelect)

    def __init__(self, data=None, *, finding: Finding, rules, action: str, initial=None):
        super().__init__(data, initial=initial)
        symptom = rules.symptoms.get(finding.symptom)
        seen = symptom.modes if symptom and not symptom.cant_tell else ()
        self.fields["found"].choices = modes_offered(finding, rules, seen)
        say_what_is_needed(self)
        self.helper = helper(action, *CARRIED, BigRadios("found"))


class RepairedForm(CloseForm):
    """The close-out of a fault that has no finding yet; it carries where and what, and the report's own uuid."""

    act = "repair at once"
    uuid = forms.UUIDField(widget=forms.HiddenInput)
    end = forms.CharField(max_length=1, widget=forms.HiddenInput)
    situation = forms.CharField(max_length=1, widget=forms.HiddenInput)
    sign = forms.CharField(max_length=80, widget=forms.HiddenInput)

    def outcomes(self) -> list[tuple[str, str]]:
        """Repaired, or released with limits: a look that found nothing is a report of its own."""
        return [choice for choice in super().outcomes() if choice[0] != CloseOut.Outcome.NOT_FOUND]

    def entry_helper(self):
        """The close-out's layout, with what it carries."""
        made = super().entry_helper()
        made.layout.fields[:0] = ["uuid", *CARRIED]
        return made
