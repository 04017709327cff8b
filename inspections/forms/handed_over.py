"""The form that takes a hand-over file."""

from django import forms
from django.urls import reverse

from inspections.forms.fields import button, helper, say_what_is_needed
from inspections.handed_over import MAX_BYTES

NO_FILE = "Choose the hand-over file"


class HandedOverForm(forms.Form):
    """One file, read whole; `cleaned_data["file"]` is its bytes."""

    file = forms.FileField(
        label="The hand-over file",
        help_text="The person saved it on the phone, under “My reports”. It may have up to 20 MB.",
        widget=forms.FileInput(attrs={"accept": ".json,application/json"}),
        error_messages={
            "required": NO_FILE,
            "invalid": NO_FILE,
            "missing": NO_FILE,
            "empty": "The file is empty. Save it on the phone once more",
        },
    )

    def __init__(self, data=None, files=None):
        super().__init__(data, files)
        say_what_is_needed(self)
        self.helper = helper(reverse("handed-over"), "file", button("Load the file", "primary"))

    def clean_file(self):
        """The bytes; one more than may be, where there are too many."""
        return self.cleaned_data["file"].read(MAX_BYTES + 1)
