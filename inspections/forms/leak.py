"""The leak test as a form: which test, with what, what was read. What no test can have is named by its field."""

from __future__ import annotations

from datetime import datetime
from uuid import uuid4

from crispy_forms.layout import Fieldset
from django import forms
from django.urls import reverse
from django.utils import timezone

from fleet.models import Gauge
from inspections import leak, leak_tests, words
from inspections.forms.fields import Words, button, helper, say_what_is_needed
from inspections.forms.layout import BigRadios, UnitSuffix
from inspections.models import Finding

UNITS = {name: unit for name, (_, _, _, unit) in leak.BOUNDS.items()}
HELP = {
    "start": "On the gauge, after the air has settled.",
    "end": "On the same gauge, nothing touched in between.",
    "start_c": "Of the air or the pipe. Leave it empty if you cannot read it: it counts as ± 3 °C.",
    "end_c": "At the same spot. Leave it empty if you cannot read it.",
    "barometer": f"Leave it empty: {leak.STANDARD_BAROMETER} bar.",
}
MAY_BE_EMPTY = {*leak.MAY_BE_MISSING, "barometer"}


def reading(name: str) -> forms.DecimalField:
    """A figure that was read; its bounds are those of the arithmetic."""
    label = leak.BOUNDS[name][0]
    # A phone's number pad has no minus sign.
    pad = {} if name in leak.MAY_BE_MISSING else {"inputmode": "decimal"}
    return forms.DecimalField(
        label=label,
        help_text=HELP.get(name, ""),
        required=name not in MAY_BE_EMPTY,
        max_digits=10,
        decimal_places=4,
        widget=forms.TextInput(attrs={**pad, "autocomplete": "off"}),
        error_messages={
            "invalid": f"“{label}”: enter a number with a point, like 8.95",
            "required": f"“{label}” is empty",
        },
    )


class GaugeField(forms.ModelChoiceField):
    """A pressure gauge, with its step and the end of its calibration."""

    def label_from_instance(self, gauge: Gauge) -> str:
        """ "P-017: step 0.05 bar, in date to 3 March 2027"; what is wrong with one stands first."""
        if leak_tests.why_not(gauge, self.today):
            return f"{gauge}: {'NOT IN DATE' if gauge.overdue(self.today) else 'NO STEP IN BAR'}"
        due = gauge.calibrated_until
        return f"{gauge}: step {words.number(gauge.step)} {gauge.unit}, in date to {due.day} {due:%B %Y}"


class LeakForm(forms.Form):
    """One leak test. `readings()` is what the arithmetic takes; an overdue gauge is refused by its field."""

    uuid = forms.UUIDField(widget=forms.HiddenInput)
    test = forms.ChoiceField(
        label="Which test",
        widget=forms.RadioSelect,
        error_messages={"required": "Choose which test", "invalid_choice": "Choose one of the tests shown"},
    )
    gauge = GaugeField(
        label="Gauge",
        queryset=Gauge.objects.none(),
        empty_label="Choose a gauge",
        error_messages={"required": "Choose the gauge", "invalid_choice": "Choose a gauge from the list"},
    )
    volume = reading("volume")
    start, start_c = reading("start"), reading("start_c")
    minutes = reading("minutes")
    end, end_c = reading("end"), reading("end_c")
    barometer = reading("barometer")
    mate = Words(
        label="Coupled to",
        required=False,
        max_length=60,
        help_text="Unit and end, where it was tested coupled.",
    )

    def __init__(self, data=None, *, finding: Finding, rules, now: datetime):
        pipe, litres = leak_tests.section(finding)
        super().__init__(data, initial={"uuid": uuid4(), "volume": litres})
        self.finding, self.today = finding, timezone.localdate(now)
        self.tests = leak_tests.offered(finding, rules)
        asked = {test.code for test in leak_tests.asked_for(finding, rules)}
        self.fields["test"].choices = [(test.code, choice(test, test.code in asked)) for test in self.tests]
        self.fields["test"].help_text = " ".join(f"{test.name}: {test.method}" for test in self.tests)
        self.fields["gauge"].queryset = Gauge.objects.filter(kind=Gauge.Kind.PRESSURE, retired=None)
        self.fields["gauge"].today = self.today
        self.fields["volume"].help_text = volume_help(finding, pipe, litres)
        say_what_is_needed(self)
        self.helper = helper(reverse("leak", args=[finding.ref]), *self.rows())

    def rows(self) -> list:
        """The fields in the order of the work."""

        def suffixed(*names):
            return [UnitSuffix(name, UNITS[name]) for name in names]

        return [
            "uuid",
            BigRadios("test"),
            "gauge",
            *suffixed("volume"),
            Fieldset("At the start", *suffixed("start", "start_c")),
            Fieldset("At the end", *suffixed("minutes", "end", "end_c")),
            Fieldset("Also", *suffixed("barometer"), "mate"),
            button("Save this test", "primary"),
        ]

    def clean_gauge(self) -> Gauge:
        """A gauge whose value counts today."""
        gauge = self.cleaned_data["gauge"]
        refused = leak_tests.why_not(gauge, self.today)
        if refused:
            raise forms.ValidationError(refused)
        return gauge

    def clean(self):
        """The readings as one, where every field is well in itself."""
        values = super().clean()
        for name in leak_tests.READ:
            if name in self.fields and name not in self.errors and values.get(name) is not None:
                self.check(name, values[name])
        if not self.errors:
            values["readings"] = self.readings(values)
        return values

    def typed(self) -> list[tuple[str, str]]:
        """(label, what was typed) of every field that was filled in, for a page that cannot take it any more."""
        filled = [(field.label, self.data.get(field.html_name, "")) for field in self.visible_fields()]
        return [(label, text) for label, text in filled if text]

    def check(self, name: str, value) -> None:
        """Name the field whose value no test can have."""
        try:
            leak.checked(name, value)
        except leak.BadReading as bad:
            self.add_error(name, str(bad))

    def readings(self, values) -> leak.Readings:
        """What was read, for `leak_tests.record`."""
        read = {name: values[name] for name in leak_tests.READ if values.get(name) is not None}
        return leak.Readings(**read, step=values["gauge"].step)


def choice(test, asked: bool) -> str:
    """ "Air leak, coupled: at most 0.2 bar in 5 min", and whether the fault asks for it."""
    limit = f"at most {words.number(test.high)} {test.unit} in {words.number(test.minutes)} min"
    return f"{test.name}: {limit}{' (asked for by this fault)' if asked else ''}"


def volume_help(finding: Finding, pipe: str, litres) -> str:
    """Where the volume comes from."""
    if litres is None:
        return "All the air shut in between the cocks. It is not recorded for this unit’s type: ask the engineer."
    known = f"{finding.unit.type}, {pipe} section: {words.number(litres)} L."
    return f"{known} Tested coupled, add the other unit’s section."
