"""What is asked to say whether two ends can couple. Sent by GET: the address is all, so that it can be told on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from django import forms

from fleet.models import Place
from inspections import couple
from inspections.forms.fields import say_what_is_needed
from inspections.forms.questions import UnitField

LETTERS = [("A", "A end"), ("B", "B end")]
NO_PLACE = "Not on the list, or not said"


def letter(words: str) -> forms.ChoiceField:
    messages = dict.fromkeys(["required", "invalid_choice"], "Choose which end of each unit")
    return forms.ChoiceField(label=words, choices=LETTERS, widget=forms.RadioSelect, error_messages=messages)


def measured(words: str, help_text: str, most: int, **kwargs) -> forms.DecimalField:
    """A number that somebody looked up or measured there; it may be left out."""
    box = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})
    return forms.DecimalField(
        label=words, help_text=help_text, required=False, min_value=0, max_value=most, widget=box, **kwargs
    )


class CoupleForm(forms.Form):
    """Two units and their ends; where, and what was looked at there."""

    one = UnitField()
    one_end = letter("Its end")
    other = UnitField()
    other_end = letter("Its end")
    place = forms.ChoiceField(label="Place", required=False)
    apart = measured("Difference in height of the two heads, in mm", "As measured.", 2000, decimal_places=1)
    curve = measured(
        "Radius of the curve there, in metres", "0 where the track is straight.", 99_999, decimal_places=0
    )
    gradient = measured("Gradient there, per mille", "0 where it is level.", 999, decimal_places=1)
    weather = forms.ChoiceField(label="Weather there", required=False, widget=forms.RadioSelect)

    def __init__(self, data, *, places: Sequence[Place], classes: Mapping[str, str], **kwargs):
        super().__init__(data, **kwargs)
        self.places = {place.code: place for place in places}
        self.fields["one"].label, self.fields["other"].label = "One unit", "The other unit"
        self.fields["place"].choices = [("", NO_PLACE), *((place.code, place.name) for place in places)]
        self.fields["weather"].choices = [("", "As alerted"), *classes.items()]
        say_what_is_needed(self)

    def asked(self) -> couple.Asked:
        """The question of a valid form."""
        told = self.cleaned_data
        return couple.Asked(
            one=(told["one"], told["one_end"]),
            other=(told["other"], told["other_end"]),
            place=self.places.get(told["place"]),
            apart=told["apart"],
            curve=None if told["curve"] is None else int(told["curve"]),
            gradient=told["gradient"],
            weather=told["weather"],
        )
