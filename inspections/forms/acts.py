"""Small forms of control's and the fitter's acts: one act, one form, one address.

Every form about a finding carries the version its author saw. Field ids carry the act's name, so that many of these
forms may stand on one page.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, time, timedelta

from crispy_forms.bootstrap import InlineRadios
from crispy_forms.helper import FormHelper
from crispy_forms.layout import HTML, Layout
from django import forms
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html

from fleet.models import Place, Unit
from inspections.forms.layout import BigRadios, UnitSuffix
from inspections.models import Finding, Restriction, Visit
from inspections.models.dials import CATEGORY_CHOICES
from inspections.rules.limits import DIALS, Limits

AHEAD = timedelta(minutes=10)
SHIFT_STARTS = {Visit.Shift.EARLY: time(6), Visit.Shift.LATE: time(14), Visit.Shift.NIGHT: time(22)}
HOW_TOLD = [(word, word.capitalize()) for word in ("by phone", "by radio", "in person", "in writing")]

# Field → what its person is told when it is empty.
NEEDED = {
    "whom": "Say who was told",
    "how": "Choose how they were told",
    "to": "Choose a category",
    "why": "Say why",
    "limits_why": "Say why",
    "depot": "Choose a depot",
    "day": "Choose a day",
    "shift": "Choose a shift",
    "where": "Choose an end or the whole unit",
    "found": "Choose what you found",
    "cause": "Choose a cause",
    "action": "Choose what was done",
    "outcome": "Choose an outcome",
    "password": "Enter your password",
}


def say_what_is_needed(form: forms.Form) -> None:
    """Give an empty field its own sentence."""
    for name, field in form.fields.items():
        field.error_messages["required"] = NEEDED.get(name, field.error_messages["required"])


def button(words: str, look: str = "secondary") -> HTML:
    """One submit button; its words are escaped."""
    return HTML(format_html('<div class="actions"><button class="{}">{}</button></div>', look, words))


def helper(action: str, *fields) -> FormHelper:
    """A helper that posts to `action`."""
    made = FormHelper()
    made.form_action = action
    made.layout = Layout(*fields)
    return made


class ActForm(forms.Form):
    """An act on a finding. `primary` makes its button the one primary of the page."""

    act = ""
    words = ""
    version = forms.IntegerField(min_value=1, widget=forms.HiddenInput)

    def __init__(self, data=None, *, finding: Finding, now: datetime, primary: bool = False):
        super().__init__(data, auto_id=f"id_{self.act}_%s", initial={"version": finding.version})
        self.finding, self.now = finding, now
        self.prepare()
        say_what_is_needed(self)
        look = "primary" if primary else "secondary"
        self.helper = helper(reverse(self.act, args=[finding.ref]), "version", *self.rows(), button(self.words, look))

    def prepare(self):
        """Fit the fields to the finding."""

    def rows(self):
        """The layout of the visible fields."""
        return [name for name in self.fields if name != "version"]

    def see(self, version: int) -> None:
        """The person has now been shown what changed: carry this version on."""
        self.data = self.data.copy()
        self.data["version"] = version

    def typed(self) -> list[tuple[str, str]]:
        """(label, words) of what was typed, to show where the act is no longer possible."""
        return [(field.label, self.data.get(field.html_name, "")) for field in self.visible_fields()]


def why(label: str, most: int = 300) -> forms.CharField:
    """A reason in a person's words."""
    return forms.CharField(label=label, max_length=most, widget=forms.Textarea(attrs={"rows": 3}))


class ClockTime(forms.DateTimeField):
    """A local date and time. Of a time that comes twice when clocks go back, the later that is not in the future."""

    widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
    default_error_messages = {"invalid": "Enter a date and time, like 24/11/2026 05:50"}

    def to_python(self, value):
        """A time in UTC, or None when empty."""
        naive = self.naive(value)
        if naive is None:
            return None
        zone = timezone.get_current_timezone()
        aware = naive.replace(tzinfo=zone, fold=1).astimezone(UTC)
        if aware > timezone.now() + AHEAD:
            aware = naive.replace(tzinfo=zone, fold=0).astimezone(UTC)
        if aware.astimezone(zone).replace(tzinfo=None) != naive:
            raise forms.ValidationError("That time did not happen: the clocks went forward over it")
        return aware

    def naive(self, value):
        for shape in ("%Y-%m-%dT%H:%M", "%d/%m/%Y %H:%M", "%Y-%m-%d %H:%M"):
            try:
                return datetime.strptime(str(value or "").strip(), shape)  # noqa: DTZ007 - made aware by the caller
            except ValueError:
                continue
        if value in self.empty_values:
            return None
        raise forms.ValidationError(self.error_messages["invalid"])


class LookForm(ActForm):
    """Control has looked."""

    act, words = "look", "I have looked"


class TakeForm(ActForm):
    """A fitter takes the job."""

    act, words = "take", "Take this job"


class TellForm(ActForm):
    """Who was told, how, and when."""

    act, words = "tell", "Record who was told"
    whom = forms.CharField(label="Who was told", max_length=120)
    how = forms.ChoiceField(label="How", choices=HOW_TOLD, widget=forms.RadioSelect)
    when = ClockTime(label="When", required=False, help_text="Leave it empty for now.")

    def rows(self):
        return ["whom", InlineRadios("how"), "when"]

    def clean_when(self):
        """A call that was made: not one still to come."""
        when = self.cleaned_data["when"]
        if when and when > self.now + AHEAD:
            raise forms.ValidationError("That time is still to come")
        return when


class RaiseForm(ActForm):
    """Raise the category: to an equal or a higher one."""

    act, words = "raise", "Raise the category"
    to = forms.TypedChoiceField(label="Raise to", coerce=int, widget=forms.RadioSelect)
    why = why("Why")

    def prepare(self):
        lowest = self.finding.worst or 0
        self.fields["to"].choices = [choice for choice in CATEGORY_CHOICES if choice[0] >= lowest]

    def rows(self):
        return [BigRadios("to"), "why"]


class PlanForm(ActForm):
    """Where and when the work is to be done."""

    act, words = "plan", "Plan the work"
    depot = forms.ModelChoiceField(label="Depot", queryset=Place.objects.depots(), to_field_name="code")
    day = forms.DateField(label="Day", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
    shift = forms.ChoiceField(label="Shift", choices=Visit.Shift.choices, widget=forms.RadioSelect)
    road = forms.CharField(label="Road", max_length=20, required=False)

    def prepare(self):
        self.fields["depot"].empty_label = "Choose a depot"
        self.fields["shift"].choices = [
            (shift.value, f"{shift.value.capitalize()}, from {start:%H:%M}") for shift, start in SHIFT_STARTS.items()
        ]

    def rows(self):
        return ["depot", "day", BigRadios("shift"), "road"]

    def clean_day(self):
        """A day that can still be planned for."""
        chosen = self.cleaned_data["day"]
        today = timezone.localdate(self.now)
        if chosen < today - timedelta(days=1):
            raise forms.ValidationError("That day is past")
        if chosen > today + timedelta(days=400):
            raise forms.ValidationError("That day is more than a year away")
        return chosen

    def clean(self):
        """`since`: the start of the shift, an aware time."""
        values = super().clean()
        if "day" in values and "shift" in values:
            start = datetime.combine(values["day"], SHIFT_STARTS[values["shift"]])
            values["since"] = start.replace(tzinfo=timezone.get_current_timezone())
        return values


class WithdrawForm(ActForm):
    """The report was made in error."""

    act, words = "withdraw", "Withdraw this report"
    why = why("Why is it withdrawn?")


class CheckForm(ActForm):
    """The second person signs."""

    act, words = "check", "I have checked it: sign"
    password = forms.CharField(
        label="Your password",
        strip=False,
        max_length=200,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )

    def typed(self):
        """A password is not shown again."""
        return []


FORMS = {form.act: form for form in (LookForm, TakeForm, TellForm, RaiseForm, PlanForm, WithdrawForm)}
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


class RestrictForm(DialsForm):
    """A person's limit on an end of a unit, or on the whole unit. `ends` are the unit's ends."""

    act, words = "restrict", "Set this restriction"
    where = forms.ChoiceField(label="Where", widget=forms.RadioSelect)

    def __init__(self, data=None, *, unit: Unit, ends, dial_words: Mapping[str, Mapping[str, str]]):
        super().__init__(data, auto_id="id_restrict_%s")
        self.ends = {end.letter: end for end in ends}
        self.fields["where"].choices = [
            *((letter, f"{letter} end") for letter in sorted(self.ends)),
            ("unit", "The whole unit"),
        ]
        self.add_dials(dial_words)
        say_what_is_needed(self)
        self.helper = helper(
            reverse(self.act, args=[unit.number]),
            InlineRadios("where"),
            *self.dial_rows(),
            "limits_why",
            button(self.words),
        )

    def clean(self):
        """At least one dial must be turned."""
        values = super().clean()
        if not self.errors and self.limits() == Limits():
            raise forms.ValidationError("Choose at least one limit: this would restrict nothing")
        return values

    def target(self, unit: Unit) -> dict[str, object]:
        """`end` and `unit` as `workflow.restrict` takes them: one of them is None."""
        end = self.ends.get(self.cleaned_data["where"])
        return {"end": end, "unit": None if end else unit}


class LiftForm(forms.Form):
    """Lift one restriction."""

    act, words = "lift", "Lift this restriction"
    why = why("Why is it lifted?")

    def __init__(self, data=None, *, restriction: Restriction):
        super().__init__(data, auto_id=f"id_lift_{restriction.pk}_%s")
        say_what_is_needed(self)
        self.helper = helper(reverse(self.act, args=[restriction.pk]), "why", button(self.words))
