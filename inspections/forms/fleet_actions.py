"""Forms of fleet actions: start one, say that it is done somewhere, end it."""

from __future__ import annotations

from django import forms
from django.urls import reverse

from inspections.forms.fields import Words, button, helper, say_what_is_needed
from inspections.models import FleetAction, FleetActionItem


class StartForm(forms.Form):
    """What is done, on what, by when."""

    what = Words(label="What is done", max_length=200, error_messages={"required": "Say what is done"})
    why = Words(
        label="Why", max_length=2000, widget=forms.Textarea(attrs={"rows": 3}), error_messages={"required": "Say why"}
    )
    component = forms.ChoiceField(
        label="Which part’s faults it is to lessen",
        help_text="Its faults are counted before and after.",
        error_messages={"required": "Choose a part"},
    )
    on = Words(
        label="Ends and couplers",
        help_text="Like 305 A, 211 B or a coupler’s serial; one a line, or with commas between.",
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 4}),
        error_messages={"required": "Name at least one end or coupler"},
    )
    due = forms.DateField(
        label="To be done by",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"required": "Choose a day"},
    )

    def __init__(self, data=None, *, rules, initial=None):
        super().__init__(data, initial=initial)
        parts = [(code, component.name) for code, component in rules.components.items()]
        self.fields["component"].choices = [("", "Choose a part"), *parts]
        say_what_is_needed(self)
        rows = ["what", "why", "component", "on", "due"]
        self.helper = helper(reverse("action-new"), *rows, button("Start it", "primary"))


class DoneForm(forms.Form):
    """It is done at one end or coupler."""

    def __init__(self, data=None, *, item: FleetActionItem, first: bool = False):
        super().__init__(data, auto_id=f"id_done_{item.pk}_%s")
        press = button("It is done here", "primary") if first else button("It is done here")
        self.helper = helper(reverse("action-done", args=[item.pk]), press)


class EndForm(forms.Form):
    """End the action."""

    why = Words(label="How it ended", max_length=200, error_messages={"required": "Say how it ended"})

    def __init__(self, data=None, *, action: FleetAction):
        super().__init__(data, auto_id="id_end_%s")
        say_what_is_needed(self)
        self.helper = helper(reverse("action-end", args=[action.pk]), "why", button("End it"))
