"""Crispy layout objects of the logbook's own template pack (`templates/logbook/`)."""

from crispy_forms.bootstrap import AppendedText
from crispy_forms.layout import HTML, Field
from django.utils.html import format_html


class BigRadios(Field):
    """One question with its answers as full-width targets (64 px on a driver's page, 44 px elsewhere).

    `step` is shown above the question ("Question 2 of 6"). `before` names a template that is shown between the
    question and its answers, with the form's context: the coupler face goes there.
    """

    template = "%s/answers.html"

    def __init__(self, field, *, step="", before="", **kwargs):
        super().__init__(field, **kwargs)
        self.extra = {"step": step, "before": before}

    def render(self, form, context, extra_context=None, **kwargs):
        """The field's HTML. `extra_context` of an outer layout object wins over the question's own."""
        return super().render(form, context, extra_context={**self.extra, **(extra_context or {})}, **kwargs)


class PhotoInput(Field):
    """A file field as two buttons, *Take a photo* (rear camera) and *Choose a photo*.

    Both inputs carry the field's name, so read the files with `request.FILES.getlist`. The second takes several
    at once where the field's widget has `allow_multiple_selected`.
    """

    template = "%s/layout/photo.html"


class UnitSuffix(AppendedText):
    """A value with its unit after the box ("bar", "mm"); the unit is part of the spoken label."""

    def __init__(self, field, unit, **kwargs):
        super().__init__(field, unit, **kwargs)


def folded(summary: str, *fields, shown: bool) -> list:
    """Fields behind a summary that opens them; open from the start where `shown`. Works without scripts."""
    opening = format_html("<details{}><summary>{}</summary>", " open" if shown else "", summary)
    return [HTML(opening), *fields, HTML("</details>")]
