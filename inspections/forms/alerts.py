"""Forms of weather alerts: enter one, end one, confirm a hood."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from crispy_forms.bootstrap import InlineCheckboxes, InlineRadios
from django import forms
from django.urls import reverse
from django.utils import timezone

from fleet.models import CouplerEnd, Place, WeatherAlert
from inspections.forms.fields import ClockTime, Words, button, helper, say_what_is_needed


class Planned(ClockTime):
    """A local time that may be to come. Of a time that comes twice, the one that makes the alert longer."""

    def __init__(self, *args, last: bool, **kwargs):
        super().__init__(*args, **kwargs)
        self.fold = int(last)

    def to_python(self, value):
        """A time in UTC, or None when empty."""
        naive = self.naive(value)
        if naive is None:
            return None
        zone = timezone.get_current_timezone()
        aware = naive.replace(tzinfo=zone, fold=self.fold).astimezone(UTC)
        if aware.astimezone(zone).replace(tzinfo=None) != naive:
            raise forms.ValidationError("That time does not come: the clocks go forward over it")
        return aware


class AlertForm(forms.Form):
    """Weather at one place or several, from one time to another."""

    act, words = "alerts", "Alert this weather"
    places = forms.ModelMultipleChoiceField(
        label="Places",
        queryset=Place.objects.all(),
        to_field_name="code",
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Choose at least one place", "invalid_choice": "Choose places from the list"},
    )
    weather = forms.ChoiceField(
        label="Weather",
        widget=forms.RadioSelect,
        error_messages={"required": "Choose the weather", "invalid_choice": "Choose one of the classes shown"},
    )
    since = Planned(label="From", last=False, required=False, help_text="Leave it empty for now.")
    until = Planned(label="Until", last=True, required=False, help_text="Leave it empty: until somebody ends it.")

    def __init__(self, data=None, *, classes: Mapping[str, str], now: datetime):
        super().__init__(data, auto_id="id_alert_%s")
        self.now = now
        self.fields["weather"].choices = [(code, name.capitalize()) for code, name in classes.items()]
        say_what_is_needed(self)
        rows = [InlineCheckboxes("places"), InlineRadios("weather"), "since", "until"]
        self.helper = helper(reverse("alerts"), *rows, button(self.words, "primary"))

    def values(self) -> dict[str, object]:
        """What `alerts.enter` takes."""
        told = self.cleaned_data
        return {**told, "places": list(told["places"]), "since": told["since"] or self.now}


class EndForm(forms.Form):
    """End one alert; one that has not begun is called off."""

    act = "end-alert"

    def __init__(self, data=None, *, alert: WeatherAlert, now: datetime):
        super().__init__(data, auto_id=f"id_end_{alert.pk}_%s")
        self.words = "Call it off" if alert.since >= now else "End it now"
        self.helper = helper(reverse(self.act, args=[alert.pk]), button(self.words))


class HoodForm(forms.Form):
    """A hood is on, or the contacts are isolated."""

    act, words = "confirm-hood", "Confirm it"
    done = Words(
        label="What was done, and by whom",
        max_length=120,
        error_messages={"required": "Say what was done, and by whom"},
    )

    def __init__(self, data=None, *, end: CouplerEnd):
        super().__init__(data, auto_id=f"id_hood_{end.pk}_%s")
        say_what_is_needed(self)
        self.helper = helper(reverse(self.act, args=[end.pk]), "done", button(self.words))
