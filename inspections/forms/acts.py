"""Small forms of control's and the fitter's acts: one act, one form, one address.

Every form about a finding carries the version its author saw. Field ids carry the act's name, so that many of these
forms may stand on one page.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, time, timedelta
from types import MappingProxyType
from uuid import uuid4

from crispy_forms.bootstrap import InlineRadios
from django import forms
from django.urls import reverse
from django.utils import timezone

from fleet.models import Place, Unit
from inspections.forms.dials import DialsForm
from inspections.forms.fields import AHEAD, ClockTime, Words, button, helper, password, say_what_is_needed, why
from inspections.forms.layout import BigRadios
from inspections.models import Finding, Restriction, Visit
from inspections.models.dials import CATEGORY_CHOICES
from inspections.rules.limits import Limits

NOTHING: Mapping[str, str] = MappingProxyType({})
WHOLE_UNIT = "The whole unit"
TOLD_WITHIN = timedelta(days=7)
SHIFT_STARTS = {Visit.Shift.EARLY: time(6), Visit.Shift.LATE: time(14), Visit.Shift.NIGHT: time(22)}
HOW_TOLD = [(word, word.capitalize()) for word in ("by phone", "by radio", "in person", "in writing")]


class ActForm(forms.Form):
    """An act on a finding. `primary` makes its button the one primary of the page."""

    act = ""
    address = ""  # the name of its address; the act's where it is left empty
    words = ""
    version = forms.IntegerField(min_value=1, widget=forms.HiddenInput)

    def __init__(self, data=None, *, finding: Finding, now: datetime, primary: bool = False):
        super().__init__(data, auto_id=f"id_{self.address or self.act}_%s", initial={"version": finding.version})
        self.finding, self.now = finding, now
        self.prepare()
        say_what_is_needed(self)
        look = "primary" if primary else "secondary"
        self.helper = helper(self.where(), "version", *self.rows(), button(self.words, look))

    def prepare(self):
        """Fit the fields to the finding."""

    def where(self) -> str:
        """The address it posts to."""
        return reverse(self.address or self.act, args=[self.finding.ref])

    def rows(self):
        """The layout of the visible fields."""
        return [name for name in self.fields if name != "version"]

    def see(self, version: int) -> None:
        """The person has now been shown what changed: carry this version on."""
        self.data = self.data.copy()
        self.data["version"] = version

    def typed(self) -> list[tuple[str, str]]:
        """(label, words) of what was typed or chosen, to show where the act is no longer possible."""
        return [(field.label, self.said(field)) for field in self.visible_fields()]

    def said(self, field) -> str:
        """What was posted for a field; of a choice its words."""
        labels = {str(value): str(label) for value, label in getattr(field.field, "choices", ())}
        return ", ".join(labels.get(value, value) for value in self.data.getlist(field.html_name))


class LookForm(ActForm):
    """Control has looked."""

    act, words = "look", "I have looked"


class TakeForm(ActForm):
    """A fitter takes the job."""

    act, words = "take", "Take this job"


class TellForm(ActForm):
    """Who was told, how, and when."""

    act, words = "tell", "Record who was told"
    whom = Words(label="Who was told", max_length=120)
    how = forms.ChoiceField(label="How", choices=HOW_TOLD, widget=forms.RadioSelect)
    when = ClockTime(label="When", required=False, help_text="Leave it empty for now.")

    def rows(self):
        return ["whom", InlineRadios("how"), "when"]

    def clean_when(self):
        """A call that was made: not one still to come, and none of long ago."""
        when = self.cleaned_data["when"]
        if when and when > self.now + AHEAD:
            raise forms.ValidationError("That time is still to come")
        if when and when < self.now - TOLD_WITHIN:
            raise forms.ValidationError("That time is more than seven days ago: look at the date again")
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
    road = Words(label="Road", max_length=20, required=False)

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
    password = password()

    def typed(self):
        """A password is not shown again."""
        return []


FORMS = {form.act: form for form in (LookForm, TakeForm, TellForm, RaiseForm, PlanForm, WithdrawForm)}


class RestrictForm(DialsForm):
    """A person's limit on an end of a unit, or on the whole unit. `ends` are the unit's ends.

    `isolations` are those of the ruleset (code → its words), `findings` the unit's open ones as (ref, words); with
    `because`, the reference of one, it is set because of that one and no other is offered.
    """

    act, title, words = "restrict", "Set a restriction", "Set this restriction"
    uuid = forms.UUIDField(widget=forms.HiddenInput)
    where = forms.ChoiceField(label="Where", widget=forms.RadioSelect)
    isolations = forms.MultipleChoiceField(
        label="To be isolated", required=False, widget=forms.CheckboxSelectMultiple
    )
    because = forms.ChoiceField(label="Because of this report", required=False)

    def __init__(
        self,
        data=None,
        *,
        unit: Unit,
        ends,
        dial_words: Mapping[str, Mapping[str, str]],
        isolations: Mapping[str, str] = NOTHING,
        findings: Sequence[tuple[str, str]] = (),
        because: str = "",
        primary: bool = False,
    ):
        start = {"uuid": uuid4(), "because": because}
        super().__init__(data, auto_id="id_restrict_%s", initial=start)
        self.ends = {end.letter: end for end in ends}
        self.fields["where"].choices = [
            *((letter, f"{letter} end") for letter in sorted(self.ends)),
            ("unit", WHOLE_UNIT),
        ]
        self.fields["isolations"].choices = list(isolations.items())
        self.fields["because"].choices = [("", "None of these"), *findings]
        if because:
            self.fields["because"].widget = forms.HiddenInput()
        if not isolations:
            del self.fields["isolations"]
        self.add_dials(dial_words)
        say_what_is_needed(self)
        asked = [name for name in ("isolations", "limits_why", "because") if name in self.fields]
        self.helper = helper(
            reverse(self.act, args=[unit.number]),
            "uuid",
            InlineRadios("where"),
            *self.dial_rows(),
            *asked,
            button(self.words, "primary" if primary else "secondary"),
        )

    def clean(self):
        """At least one dial must be turned, or one isolation asked for."""
        values = super().clean()
        if not self.errors and self.limits() == Limits():
            raise forms.ValidationError("Choose at least one limit: this would restrict nothing")
        return values

    def limits(self) -> Limits:
        """The dials, and what is to be isolated."""
        return replace(super().limits(), isolations=frozenset(self.cleaned_data.get("isolations", ())))

    def renew(self) -> None:
        """Another uuid: what is sent next is another restriction."""
        self.data = self.data.copy()
        self.data["uuid"] = str(uuid4())

    def target(self, unit: Unit) -> dict[str, object]:
        """`end` and `unit` as `workflow.restrict` takes them: one of them is None."""
        end = self.ends.get(self.cleaned_data["where"])
        return {"end": end, "unit": None if end else unit}


class LiftForm(forms.Form):
    """Lift one restriction."""

    act, words = "lift", "Lift this restriction"
    why = why("Why is it lifted?")

    def __init__(self, data=None, *, restriction: Restriction, primary: bool = False):
        super().__init__(data, auto_id=f"id_lift_{restriction.pk}_%s")
        say_what_is_needed(self)
        look = "primary" if primary else "secondary"
        self.helper = helper(reverse(self.act, args=[restriction.pk]), "why", button(self.words, look))
