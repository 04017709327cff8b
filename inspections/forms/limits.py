"""Forms for what is put on a unit and taken off: labels, isolations; and for its assistance plan."""

from __future__ import annotations

from collections.abc import Sequence

from crispy_forms.bootstrap import InlineRadios
from django import forms
from django.urls import reverse

from fleet.models import CouplerEnd, Unit
from inspections.forms.acts import NOTHING, WHOLE_UNIT
from inspections.forms.fields import Words, button, helper, say_what_is_needed
from inspections.forms.layout import BigRadios
from inspections.models import Restriction

NO_RESTRICTION = "none"
IN_CABS = "In the cabs of the unit"


class UnitForm(forms.Form):
    """An act on one unit. `ends` are its ends."""

    act = ""
    title = ""
    words = ""

    def __init__(self, data=None, *, unit: Unit, ends: Sequence[CouplerEnd] = (), primary: bool = False):
        super().__init__(data, auto_id=f"id_{self.act}_%s")
        self.unit, self.ends = unit, {end.letter: end for end in ends}
        self.prepare()
        say_what_is_needed(self)
        look = "primary" if primary else "secondary"
        self.helper = helper(reverse(self.act, args=[unit.number]), *self.rows(), button(self.words, look))

    def prepare(self):
        """Fit the fields to the unit."""

    def rows(self):
        """The layout."""
        return list(self.fields)

    def places(self, whole: str) -> list[tuple[str, str]]:
        """The unit's ends, and the unit."""
        return [*((letter, f"{letter} end") for letter in sorted(self.ends)), ("unit", whole)]

    def target(self) -> dict[str, object]:
        """`end` and `unit`, one of them None."""
        end = self.ends.get(self.cleaned_data["where"])
        return {"end": end, "unit": None if end else self.unit}


class LabelForm(UnitForm):
    """A numbered label was hung. `restrictions` are those in force on the unit as (row, words)."""

    act, title, words = "label", "Record a label", "The label hangs there"
    restriction = forms.ChoiceField(
        label="It shows", widget=forms.RadioSelect, error_messages={"required": "Choose what it shows"}
    )
    number = Words(
        label="Number on the label",
        max_length=12,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
        error_messages={"required": "Enter the number printed on the label"},
    )
    where = forms.ChoiceField(label="Where it hangs", widget=forms.RadioSelect)
    shows = Words(
        label="Words on it",
        required=False,
        max_length=200,
        help_text="Leave it empty for the words of the restriction.",
    )

    def __init__(self, *args, restrictions: Sequence[tuple[Restriction, str]], **kwargs):
        self.restrictions = {str(row.pk): (row, said) for row, said in restrictions}
        super().__init__(*args, **kwargs)

    def prepare(self):
        self.fields["restriction"].choices = [
            *((key, said) for key, (_, said) in self.restrictions.items()),
            (NO_RESTRICTION, "Something else, in my words below"),
        ]
        self.fields["where"].choices = self.places(IN_CABS)

    def rows(self):
        return [BigRadios("restriction"), "number", InlineRadios("where"), "shows"]

    def clean(self):
        """`row`: the restriction it shows or None; `shows`: the words on it."""
        values = super().clean()
        row, said = self.restrictions.get(values.get("restriction"), (None, ""))
        if row is None and "shows" in values and "restriction" in values and not values["shows"]:
            self.add_error("shows", "Say what the label shows")
        return values | {"row": row, "shows": (values.get("shows") or said)[:200]}


class IsolateForm(UnitForm):
    """Something was shut or cut out. `isolations` are the ruleset's: code → name; `findings` as (ref, words)."""

    act, title, words = "isolate", "Record an isolation", "It is isolated"
    kind = forms.ChoiceField(
        label="What was isolated", widget=forms.RadioSelect, error_messages={"required": "Choose what was isolated"}
    )
    where = forms.ChoiceField(label="Which end", widget=forms.RadioSelect)
    place = Words(label="Where exactly", max_length=120, error_messages={"required": "Say where it was isolated"})
    key = Words(label="Key number, and who holds it", max_length=60, required=False)
    because = forms.ChoiceField(label="Because of this report", required=False)

    def __init__(self, *args, isolations=NOTHING, findings: Sequence[tuple[str, str]] = (), **kwargs):
        self.isolations, self.findings = isolations, findings
        super().__init__(*args, **kwargs)

    def prepare(self):
        self.fields["kind"].choices = list(self.isolations.items())
        self.fields["where"].choices = self.places(WHOLE_UNIT)
        self.fields["because"].choices = [("", "None of these"), *self.findings]

    def rows(self):
        return [BigRadios("kind"), InlineRadios("where"), "place", "key", "because"]


class AssistanceForm(UnitForm):
    """How a unit with neither end usable would be got away."""

    act, words = "assistance", "Record the assistance plan"
    title = words
    way = Words(
        label="How it would be got away",
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": "Say how it would be got away"},
    )
    means = Words(
        label="With what",
        max_length=120,
        help_text="Adapter, locomotive, unit; where it is held.",
        error_messages={"required": "Say with what: adapter, locomotive, unit"},
    )
    agreed = Words(label="Agreed with", max_length=120, error_messages={"required": "Say with whom this was agreed"})


class OffForm(forms.Form):
    """One press: a label was taken down, an isolation removed."""

    def __init__(self, data=None, *, act: str, words: str, pk: int, primary: bool = False):
        super().__init__(data, auto_id=f"id_{act}_{pk}_%s")
        self.act, self.words = act, words
        self.helper = helper(reverse(act, args=[pk]), button(words, "primary" if primary else "secondary"))
