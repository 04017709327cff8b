"""Forms of the register of gauges: enter one, calibrate one, retire one."""

from __future__ import annotations

from crispy_forms.bootstrap import InlineRadios
from django import forms
from django.urls import reverse

from fleet.models import Gauge, Place
from inspections.forms.fields import Words, button, helper, say_what_is_needed, why


def due(*, required: bool) -> forms.DateField:
    """The day on which a calibration ends."""
    return forms.DateField(
        label="Calibration ends on",
        required=required,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text="From the day after, its values do not count.",
    )


class GaugeForm(forms.Form):
    """A gauge that is new to the register."""

    act, words = "gauge-new", "Enter this gauge"
    number = Words(label="Number on the gauge", max_length=20)
    kind = forms.ChoiceField(
        label="What it measures",
        choices=[(kind.value, kind.value.capitalize()) for kind in Gauge.Kind],
        widget=forms.RadioSelect,
        error_messages={"required": "Choose what it measures", "invalid_choice": "Choose what it measures"},
    )
    step = forms.DecimalField(
        label="Smallest step you can read",
        required=False,
        max_digits=10,
        decimal_places=4,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
        help_text="A pressure gauge needs it: it decides how sure a leak test is.",
        error_messages={"invalid": "“Smallest step you can read”: enter a number with a point, like 0.05"},
    )
    unit = Words(label="Unit of the step", required=False, max_length=20, help_text="bar, °C, Nm, mm …")
    depot = forms.ModelChoiceField(
        label="Kept at",
        queryset=Place.objects.depots(),
        to_field_name="code",
        required=False,
        empty_label="No depot",
        error_messages={"invalid_choice": "“Kept at”: choose a depot from the list"},
    )
    calibrated_until = due(required=False)
    certificate = Words(label="Certificate", required=False, max_length=60)

    def __init__(self, data=None):
        super().__init__(data, auto_id="id_gauge_%s")
        say_what_is_needed(self)
        fields = ["number", InlineRadios("kind"), "step", "unit", "depot", "calibrated_until", "certificate"]
        self.helper = helper(reverse(self.act), *fields, button(self.words, "primary"))

    def clean_step(self):
        """More than nothing."""
        step = self.cleaned_data["step"]
        if step is not None and step <= 0:
            raise forms.ValidationError("“Smallest step you can read” is more than 0")
        return step

    def clean(self):
        """A step has a unit; a pressure gauge has a step, in bar."""
        values = super().clean()
        if values.get("step") and not values.get("unit"):
            self.add_error("unit", "Enter the unit of the step")
        if values.get("kind") == Gauge.Kind.PRESSURE:
            if values.get("step") is None and "step" not in self.errors:
                self.add_error("step", "Enter the smallest step of the pressure gauge")
            if values.get("unit") and values["unit"] != "bar":
                self.add_error("unit", "A pressure gauge is read in bar: enter bar")
        return values


class CalibrateForm(forms.Form):
    """A new calibration of a gauge."""

    act, words = "calibrate", "Record the calibration"
    until = due(required=True)
    certificate = Words(label="Certificate", max_length=60)

    def __init__(self, data=None, *, gauge: Gauge):
        super().__init__(data, auto_id="id_calibrate_%s")
        say_what_is_needed(self)
        self.helper = helper(
            reverse(self.act, args=[gauge.pk]), "until", "certificate", button(self.words, "primary")
        )


class RetireForm(forms.Form):
    """A gauge taken out of use for good."""

    act, words = "retire", "Retire this gauge"
    why = why("Why is it retired?")

    def __init__(self, data=None, *, gauge: Gauge):
        super().__init__(data, auto_id="id_retire_%s")
        say_what_is_needed(self)
        self.helper = helper(reverse(self.act, args=[gauge.pk]), "why", button(self.words))
