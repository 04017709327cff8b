"""Fields, buttons and the words of empty fields that the small forms share."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from crispy_forms.helper import FormHelper
from crispy_forms.layout import HTML, Layout
from django import forms
from django.utils import timezone
from django.utils.functional import Promise
from django.utils.html import format_html

from inspections.bodies import clean_text

AHEAD = timedelta(minutes=10)
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
# What is wrong with a value → its sentence, of the field's label. %(…)s is filled in by the check itself.
WRONG = {
    "required": "“{}” is empty",
    "invalid": "“{}” is not understood",
    "invalid_choice": "“{}”: choose one of the answers shown",
    "max_length": "“{}” is too long: at most %(limit_value)s characters",
    "null_characters_not_allowed": "“{}” holds a character that cannot be kept",
    "min_value": "“{}”: at least %(limit_value)s",
    "max_value": "“{}”: at most %(limit_value)s",
    "max_digits": "“{}” has too many digits: at most %(max)s",
    "max_whole_digits": "“{}” has too many digits: at most %(max)s before the point",
    "max_decimal_places": "“{}” has too many digits: at most %(max)s after the point",
}
NOT_UNDERSTOOD = {
    forms.DateField: "“{}” is no date: enter it like 24/11/2026",
    forms.IntegerField: "“{}”: enter a whole number",
}
LOST = "This page had lost part of itself. Look at what stands here now, then send it again."


def say_what_is_needed(form: forms.Form) -> None:
    """Give an empty field its own sentence, and every other refusal of a field one that names it."""
    for name, field in form.fields.items():
        say_what_is_wrong(name, field)
        field.error_messages["required"] = NEEDED.get(name, field.error_messages["required"])


def say_what_is_wrong(name: str, field: forms.Field) -> None:
    """Replace the framework's sentences, which name no field; those a form wrote itself stay."""
    label = str(field.label or name.replace("_", " ").capitalize()).partition(":")[0].replace("%", "per cent")
    own = dict(WRONG, invalid=NOT_UNDERSTOOD.get(type(field), WRONG["invalid"]))
    if name in NEEDED:
        own["invalid_choice"] = NEEDED[name]
    for code, sentence in own.items():
        if isinstance(field.error_messages.get(code, Promise()), Promise):
            field.error_messages[code] = LOST if field.widget.is_hidden else sentence.format(label)


class Words(forms.CharField):
    """Words of a person: kept as they are, but for signs that nobody sees and that turn the text around them."""

    def to_python(self, value):
        """Cleaned as the words of a report are."""
        return super().to_python(clean_text(value))


def button(words: str, look: str = "secondary") -> HTML:
    """One submit button; its words are escaped."""
    return HTML(format_html('<div class="actions"><button class="{}">{}</button></div>', look, words))


def helper(action: str, *fields) -> FormHelper:
    """A helper that posts to `action`."""
    made = FormHelper()
    made.form_action = action
    made.layout = Layout(*fields)
    return made


def why(label: str, most: int = 300) -> forms.CharField:
    """A reason in a person's words."""
    return Words(label=label, max_length=most, widget=forms.Textarea(attrs={"rows": 3}))


def password() -> forms.CharField:
    """The password asked again where somebody signs."""
    widget = forms.PasswordInput(attrs={"autocomplete": "current-password"})
    return forms.CharField(label="Your password", strip=False, max_length=200, widget=widget)


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
