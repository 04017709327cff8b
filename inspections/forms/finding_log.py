"""The filter of a finding's log."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from django import forms
from django.urls import reverse

from inspections.finding_log import Asked
from inspections.forms.fields import button, helper, say_what_is_needed
from inspections.models import Finding


class FilterForm(forms.Form):
    """By kind, person and day; every field may be empty."""

    kind = forms.ChoiceField(label="What", required=False)
    person = forms.TypedChoiceField(label="By whom", required=False, coerce=int, empty_value=None)
    since = forms.DateField(
        label="Since", required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )

    def __init__(self, data, *, finding: Finding, kinds: Sequence[str], people: Mapping[int, str]):
        super().__init__(data, auto_id="id_filter_%s")
        self.fields["kind"].choices = [("", "Everything"), *((kind, kind.capitalize()) for kind in kinds)]
        self.fields["person"].choices = [("", "Anybody"), *((pk, name) for pk, name in people.items())]
        say_what_is_needed(self)
        self.helper = helper(
            reverse("finding-log", args=[finding.ref]), "kind", "person", "since", button("Show these")
        )
        self.helper.form_method = "get"

    def asked(self) -> Asked:
        """The filter; a field that is not understood counts as empty, and says so beside it."""
        self.is_valid()
        told = self.cleaned_data
        return Asked(told.get("kind", ""), told.get("person"), told.get("since"))
