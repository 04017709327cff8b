"""Forms that leave a finding not to repair yet, agree to it, extend it and end it; and the time it is left until."""

from __future__ import annotations

from datetime import UTC, datetime

from django import forms
from django.urls import reverse
from django.utils import timezone

from inspections import words
from inspections.delegation import Terms
from inspections.forms.acts import ActForm
from inspections.forms.fields import ClockTime, Words, why
from inspections.forms.layout import BigRadios
from inspections.models import Deferral

FIRST, SECOND = "first", "second"
HELP_EVENTS = "It ends as soon as one of these happens, whatever the time."


def readings(naive: datetime) -> tuple[datetime, datetime]:
    """A local clock time as the two moments it may mean; where clocks do not change they are one."""
    zone = timezone.get_current_timezone()
    return tuple(naive.replace(tzinfo=zone, fold=fold) for fold in (0, 1))


class UntilTime(ClockTime):
    """A local date and time to come, as typed. A time that clocks go forward over is refused in words."""

    def to_python(self, value):
        """The naive local time, or None when empty. Which moment it means is for the form to ask."""
        naive = self.naive(value)
        if naive is None:
            return None
        if not 2000 <= naive.year <= 2200:
            raise forms.ValidationError(self.error_messages["invalid"])
        early, late = readings(naive)
        if early.utcoffset() < late.utcoffset():
            day = f"{naive.day} {naive:%B}"
            raise forms.ValidationError(
                f"{naive:%H:%M} does not come on {day}: the clocks go forward over it. Choose another time"
            )
        return naive


def comes_twice(naive: datetime) -> bool:
    """True in the hour that comes again when clocks go back."""
    early, late = readings(naive)
    return early.utcoffset() > late.utcoffset()


class UntilForm(ActForm):
    """An act with a time to come. Of a time that comes twice it asks which; `until` is then a moment in UTC."""

    until = UntilTime(label="Until", error_messages={"required": "Say until when"})
    which = forms.ChoiceField(widget=forms.RadioSelect, error_messages={"required": "Choose which of the two"})

    def prepare(self):
        naive = self.typed_time()
        if naive is None or not comes_twice(naive):
            del self.fields["which"]
            return
        first, second = (f"{moment:%H:%M %Z}" for moment in readings(naive))
        day = f"{naive.day} {naive:%B}"
        self.fields["which"].label = f"{naive:%H:%M} comes twice on {day}, when the clocks go back. Which is it?"
        self.fields["which"].choices = [
            (FIRST, f"The first, {first}"),
            (SECOND, f"The second, {second}, an hour later"),
        ]

    def typed_time(self) -> datetime | None:
        """The time as it was posted, where it can be read."""
        try:
            return self.fields["until"].to_python(self.data.get("until"))
        except forms.ValidationError:
            return None

    def clean(self):
        """`until` becomes the moment meant."""
        values = super().clean()
        if values.get("until") and ("which" in values or "which" not in self.fields):
            late = values.get("which") == SECOND
            values["until"] = readings(values["until"])[late].astimezone(UTC)
        return values

    def time_rows(self) -> list:
        """The layout of the time and, where it is asked, which of two."""
        return ["until", *([BigRadios("which")] if "which" in self.fields else [])]


class DeferForm(UntilForm):
    """Leave it not to repair until a time, or until one of its events. `terms` are those it may be left on."""

    act, words = "defer", "Leave it until then"
    why = why("Why can it wait?")
    interim = Words(
        label="What is done in the meantime", max_length=300, widget=forms.Textarea(attrs={"rows": 2}), required=False
    )
    events = forms.MultipleChoiceField(
        label="Let it end with this as well",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text=HELP_EVENTS,
    )

    def __init__(self, *args, terms: Terms, expiry_events, **kwargs):
        self.terms, self.expiry_events = terms, expiry_events
        super().__init__(*args, **kwargs)

    def prepare(self):
        super().prepare()
        self.fields["until"].help_text = f"At the latest {words.moment(self.terms.latest, self.now)}."
        self.fields["interim"].required = self.terms.interim
        more = [(code, said[:1].upper() + said[1:]) for code, said in self.expiry_events.items()
                if code not in self.terms.events]  # fmt: skip
        self.fields["events"].choices = more
        if not more:
            del self.fields["events"]

    def rows(self):
        return [*self.time_rows(), "why", "interim", *(["events"] if "events" in self.fields else [])]


class DeferralForm(ActForm):
    """An act on one deferral of the finding."""

    def __init__(self, *args, deferral: Deferral, **kwargs):
        self.deferral = deferral
        super().__init__(*args, **kwargs)

    def where(self):
        return reverse(self.address or self.act, args=[self.deferral.pk])


class AgreeForm(DeferralForm):
    """The engineer agrees."""

    act, words = "agree", "I agree: it may be left so"


class ExtendForm(DeferralForm, UntilForm):
    """The engineer lets it be left once more, with a written reason."""

    act, words = "extend", "Extend it"
    why = why("Why can it wait longer?")

    def __init__(self, *args, terms: Terms, **kwargs):
        self.terms = terms
        super().__init__(*args, **kwargs)

    def prepare(self):
        super().prepare()
        latest = self.now + self.terms.longest
        self.fields["until"].help_text = f"At the latest {words.moment(latest, self.now)}."

    def rows(self):
        return [*self.time_rows(), "why"]


class RecallForm(DeferralForm):
    """End it early."""

    act, words = "recall", "End this deferral"
    why = why("Why is it ended?")
