"""Sample forms and pages: every field kind and every component, with fixed words."""

from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

from crispy_forms.bootstrap import InlineCheckboxes, InlineRadios, PrependedAppendedText, StrictButton
from crispy_forms.helper import FormHelper
from crispy_forms.layout import HTML, Button, Column, Div, Field, Fieldset, Hidden, Layout, Reset, Row, Submit
from django import forms
from django.core.exceptions import ValidationError
from django.template import engines
from django.template.loader import render_to_string

from inspections.forms.layout import BigRadios, PhotoInput, UnitSuffix
from inspections.reports.face import svg

NOON = datetime(2026, 11, 24, 5, 52, tzinfo=UTC)
PERSON = SimpleNamespace(is_authenticated=True, get_full_name="Driver 1", get_username="driver1")
NAV = [("/", "Start", True), ("/reports/", "My reports", False), ("/units/", "Units", False)]
DESK_NAV = [("/findings/new/", "New reports", True), ("/work/", "Work list", False), ("/units/", "Units", False)]
ENDS = [("A", "A end (cab with letter A)"), ("B", "B end"), ("?", "I can’t tell")]
FAULTS = [("torn", "Torn"), ("cracked", "Cracked"), ("loose", "Loose"), ("missing", "Missing"), ("other", "Other")]
GROUPED = [
    ("Doors of air", [("upper", "5 Upper air seal"), ("lower", "6 Lower air seal")]),
    ("Other", [("none", "None")]),
]


class Several(forms.FileInput):
    allow_multiple_selected = True


class Everything(forms.Form):
    """One field of every kind the pack draws."""

    unit = forms.CharField(help_text="3 to 6 digits", widget=forms.TextInput(attrs={"inputmode": "numeric"}))
    note = forms.CharField(required=False, widget=forms.Textarea(attrs={"rows": 3}), help_text="Your own words")
    depot = forms.ChoiceField(choices=[("", "Choose"), ("BRK", "Brackwater"), ("ELM", "Elmsgate")])
    gauges = forms.MultipleChoiceField(choices=[("1", "G 1"), ("2", "G 2")], required=False)
    end = forms.ChoiceField(choices=ENDS, widget=forms.RadioSelect, help_text="Look for the cab letter")
    part = forms.ChoiceField(choices=GROUPED, widget=forms.RadioSelect)
    fault = forms.ChoiceField(choices=FAULTS, widget=forms.RadioSelect)
    isolated = forms.MultipleChoiceField(choices=FAULTS[:3], widget=forms.CheckboxSelectMultiple)
    tools = forms.MultipleChoiceField(choices=FAULTS[:2], widget=forms.CheckboxSelectMultiple, required=False)
    gap = forms.DecimalField(help_text="Limit: not over 0.2")
    speed = forms.IntegerField(required=False)
    seen = forms.DateField(widget=forms.DateInput(attrs={"type": "date"}))
    window = forms.SplitDateTimeField(
        widget=forms.SplitDateTimeWidget(
            {"aria-label": "Date"}, None, None, {"aria-label": "Time"}, {"aria-label": "Clock"}
        )
    )
    password = forms.CharField(widget=forms.PasswordInput)
    photo = forms.FileField(widget=Several, help_text="No flash towards trains")
    table = forms.FileField(widget=forms.FileInput(attrs={"accept": ".csv"}), required=False)
    agreed = forms.BooleanField(help_text="Both ends were looked at", label="I looked from clear")
    reference = forms.CharField(widget=forms.HiddenInput)

    def clean(self):
        raise ValidationError("The end was moved. <b>Look</b> again")

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["speed"].optional_note = "only with a cap"
        self.helper = FormHelper()
        self.helper.add_input(Submit("send", "Send for unit 417"))
        self.helper.layout = Layout(
            *("unit", "note", Row(Column("depot"), Column("gauges")), BigRadios("end", step="Question 2 of 6")),
            *("part", InlineRadios("fault"), "isolated", InlineCheckboxes("tools")),
            Fieldset(
                "Test of {{ form.prefix|default:'the seal' }}",
                UnitSuffix("gap", "bar"),
                PrependedAppendedText("speed", "up to", "km/h"),
            ),
            *(Field("seen", css_class="day", wrapper_class="narrow"), "window", "password", PhotoInput("photo")),
            *("table", "agreed", "reference"),
            Div(
                HTML("<p>Then send it.</p>"),
                StrictButton("Work it out", name="sum", css_class="secondary"),
                css_class="actions",
            ),
            *(Hidden("key", "4289"), Button("look", "Look again"), Reset("clear", "Clear the form")),
        )


class Row1(forms.Form):
    value = forms.DecimalField(label="Reading")
    verdict = forms.ChoiceField(choices=FAULTS[:2], widget=forms.RadioSelect)


class Driver(forms.Form):
    end = forms.ChoiceField(label="Which end is damaged?", choices=ENDS, widget=forms.RadioSelect)
    part = forms.ChoiceField(
        label="Which part is damaged?",
        choices=[("hook", "4 Lock hook"), ("upper", "5 Upper air seal")],
        widget=forms.RadioSelect,
    )
    fault = forms.ChoiceField(label="What is wrong?", choices=FAULTS, widget=forms.RadioSelect)
    photo = forms.FileField(label="Photo", widget=Several, required=False, help_text="No flash towards trains.")

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.helper = FormHelper()
        self.helper.layout = Layout(
            BigRadios("end", step="Question 2 of 6"),
            HTML("{{ face|safe }}"),
            BigRadios("part", step="Question 3 of 6"),
            BigRadios("fault", step="Question 4 of 6"),
            PhotoInput("photo"),
            Div(HTML('<button class="primary">Send for unit 417</button>'), css_class="sendbar"),
        )


def everything(*, wrong=False):
    return Everything({"end": "Z"}, {}) if wrong else Everything()


def formset(*, wrong=False):
    kind = forms.formset_factory(Row1, extra=2)
    data = {"form-TOTAL_FORMS": "2", "form-INITIAL_FORMS": "0", "form-0-value": "many", "form-1-value": "1"}
    return kind(data) if wrong else kind()


def context(**more):
    return {
        "user": PERSON,
        "nav": NAV,
        "csrf_token": "t",
        "control_phone": "01632 960 100",
        "operator": "Ostrel Valley",
        **more,
    }


def page(name, **more):
    """The HTML of a sample page of this folder."""
    source = (Path(__file__).parent / f"{name}.html").read_text()
    return engines["django"].from_string(source).render(context(**more))


def form_page(form, **more):
    return page("form_page", form=form, nav=DESK_NAV, **more)


def driver_page(*, wrong=False):
    return page(
        "driver_page",
        form=Driver({"end": "A"}) if wrong else Driver(),
        face=svg("P", marked=frozenset({"air-upper"})),
    )


def desk_page():
    situations = [
        {"words": "Uncoupled", "now": True, "limits": ["Do not couple at this end.", "Speed not over 60 km/h."]},
        {"words": "About to couple", "limits": ["Do not couple at this end."]},
        {"words": "Coupled and running", "limits": ["Stand: not to move until control agrees."]},
    ]
    return page("desk_page", nav=DESK_NAV, noon=NOON, situations=situations, limits=["Do not couple at this end"])


def trouble(name, **more):
    """An error page, rendered as when nothing else works: no user, no database, no request."""
    return render_to_string(name, {"control_phone": "01632 960 100", **more})
