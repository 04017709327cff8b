"""The dials of a limit as a form: what a restriction and a release with limits ask alike."""

from __future__ import annotations

from collections.abc import Mapping

from django import forms

from inspections.forms.fields import why
from inspections.forms.layout import UnitSuffix
from inspections.rules.limits import DIALS, Limits

DIAL_LABELS = {
    "couple": "Coupling at this end",
    "uncouple": "Uncoupling",
    "move": "Moving",
    "passengers": "Passengers",
    "rescue": "Rescue by this end",
}


def dial_choices(words: Mapping[str, Mapping[str, str]], dial: str) -> list[tuple[str, str]]:
    """The dial's values as sentences of the ruleset; its loosest is "No limit"."""
    loosest, *rest = DIALS[dial]
    return [(loosest, "No limit"), *((value, words.get(dial, {}).get(value, value)) for value in rest)]


class DialsForm(forms.Form):
    """The dials of a limit and why; `words` are `dial_words` of the ruleset. `limits()` reads them once valid."""

    speed = forms.IntegerField(label="Highest speed", required=False, min_value=1, max_value=400)
    limits_why = why("Why")

    def add_dials(self, words: Mapping[str, Mapping[str, str]]) -> None:
        """One choice per dial, before the speed."""
        for dial, label in DIAL_LABELS.items():
            self.fields[dial] = forms.ChoiceField(
                label=label, choices=dial_choices(words, dial), initial=DIALS[dial][0], required=False
            )
        self.order_fields(
            [*(name for name in self.fields if name not in ("speed", "limits_why")), "speed", "limits_why"]
        )

    def dial_rows(self):
        """Their layout."""
        self.fields["speed"].widget.attrs["inputmode"] = "numeric"
        return [*DIAL_LABELS, UnitSuffix("speed", "km/h")]

    def limits(self) -> Limits:
        """What was chosen, as the value that joins."""
        chosen = {dial: self.cleaned_data.get(dial) or DIALS[dial][0] for dial in DIALS}
        return Limits(**chosen, speed=self.cleaned_data.get("speed"))
