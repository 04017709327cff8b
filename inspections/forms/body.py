"""The shape of a report, version 1: what the page's form, the phone and a file all send.

    {"v": 1, "id": uuid, "author": user id, "sent": time, "occasion": "walk-round", "unit": "417",
     "seen": "2026-11-24T05:48:00+00:00", "place": "THO", "weather": "wet", "note": "…",
     "ends":   [{"end": "A", "situation": "U", "clean": false, "mate": "305 B", "stage": "contact",
                 "coupled": ""}],
     "faults": [{"id": uuid, "end": "A", "part": "air-upper", "symptom": "seal-torn", "kind": "first report",
                 "of": "00104289", "facts": {"may-fall": "no"}, "note": "…", "photos": [uuid, …]}]}

`coupled` records a coupling at that end: "coupled", "parted" or "could not couple"; then nobody looked at the end.
Only `v`, `id` and `author` must be there and readable; anything else that is missing or odd is kept as given.
"""

from django import forms

from inspections.models import Inspection
from inspections.rules.facts import KINDS

MAX_FAULTS = 12
MAX_ENDS = 2
MAX_PHOTOS = 4
REPORTED_KINDS = KINDS[:4]
COUPLED = ("coupled", "parted", "could not couple")


class BodyForm(forms.Form):
    """The report itself."""

    v = forms.IntegerField(min_value=1, max_value=1)
    id = forms.UUIDField()
    author = forms.IntegerField(min_value=1, max_value=2**31)
    sent = forms.CharField(required=False, max_length=40)
    occasion = forms.ChoiceField(required=False, choices=Inspection.Occasion.choices)
    unit = forms.CharField(max_length=40)
    seen = forms.CharField(required=False, max_length=40)
    place = forms.CharField(required=False, max_length=60)
    weather = forms.CharField(required=False, max_length=12)
    note = forms.CharField(required=False, max_length=4000)


class EndForm(forms.Form):
    """One end that was looked at."""

    end = forms.ChoiceField(choices=[("A", "A"), ("B", "B"), ("?", "?")])
    situation = forms.ChoiceField(choices=[("U", "U"), ("C", "C"), ("R", "R")])
    clean = forms.BooleanField(required=False)
    mate = forms.CharField(required=False, max_length=40)
    stage = forms.CharField(required=False, max_length=10)
    coupled = forms.ChoiceField(required=False, choices=[(word, word) for word in COUPLED])


class FaultForm(forms.Form):
    """One fault."""

    id = forms.UUIDField()
    end = forms.ChoiceField(choices=[("A", "A"), ("B", "B"), ("?", "?")])
    part = forms.CharField(max_length=24)
    symptom = forms.CharField(required=False, max_length=40)
    kind = forms.ChoiceField(required=False, choices=[(kind, kind) for kind in REPORTED_KINDS])
    of = forms.CharField(required=False, max_length=12)
    note = forms.CharField(required=False, max_length=4000)


def problems(form, where=""):
    """A form's errors as "where field: message" sentences."""
    return [
        f"{where}{name}: {' '.join(str(message) for message in messages)}" for name, messages in form.errors.items()
    ]
