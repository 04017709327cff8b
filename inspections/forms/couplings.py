"""The record of a coupling: six taps, and the body (version 1, see `body.py`) they make. And the import's form."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from types import MappingProxyType
from uuid import uuid4

from crispy_forms.layout import HTML
from django import forms
from django.urls import reverse
from django.utils import timezone
from django.utils.functional import cached_property
from django.utils.html import format_html

from fleet.cells import Refused
from fleet.coupling_rows import MET, fitting
from fleet.models import Coupling, Place
from inspections import bodies
from inspections.forms.body import COUPLED
from inspections.forms.fields import AHEAD, ClockTime, Words, button, helper, say_what_is_needed
from inspections.forms.questions import UnitField, radios, read_unit, typed
from inspections.models import Inspection

DONE, PARTED, FAILED = COUPLED
HAPPENED = [(DONE, "Coupled"), (PARTED, "Parted"), (FAILED, "Could not couple")]
ENDS = [("A", "A end"), ("B", "B end")]
ITS_ENDS = [*ENDS, ("?", "I can’t tell")]
END_NOT_KNOWN = "end not known"
UNITS_OFFERED = 5
ANOTHER = ("another", "Another unit")
MOST_ROWS, MOST_BYTES = 20_000, 5_000_000  # of a file that a page waits for
NOTHING: Mapping[str, str] = MappingProxyType({})


class OtherUnit(UnitField):
    """One of the units offered. What is posted need not be among them any more."""

    widget = forms.RadioSelect

    def __init__(self):
        super().__init__(required=False)
        self.label, self.widget = "Which other unit?", forms.RadioSelect()

    def clean(self, value):
        return "" if value in ("", None, ANOTHER[0]) else read_unit(value)


class CouplingForm(forms.Form):
    """What happened at one end of a unit, with which other end, and how far it came.

    `mates`: letter → the end it is recorded as coupled to ("305 B"), of `number`; `offered`: units to pick from.
    """

    id = forms.UUIDField(widget=forms.HiddenInput, required=False)
    made = forms.CharField(widget=forms.HiddenInput, required=False)
    unit = UnitField()
    end = radios("Which end of it?", ENDS, "Choose which end", help_text="See the letter in the cab.")
    what = radios("What happened?", HAPPENED, "Choose what happened")
    other = OtherUnit()
    number = typed("The other unit’s number", 12, widget=forms.TextInput(attrs={"inputmode": "numeric"}))
    other_end = radios("Which end of the other unit?", ITS_ENDS)
    stage = radios("How far did they join?", Coupling.Stage.choices)
    seen = ClockTime(label="When was it?", required=False, help_text="Leave it empty for now.")
    place = typed("Where was it?", 60, widget=forms.TextInput(attrs={"list": "places"}))

    def __init__(self, data, *, number="", mates=NOTHING, offered: Sequence[str] = (), places=(), **kwargs):
        super().__init__(data, **kwargs)
        self.of, self.mates, self.places = number, mates, places
        for name in ("other", "other_end", "stage"):
            self.fields[name].optional_note = "not needed for “parted”"
        mated = [mate.rpartition(" ")[0] for mate in mates.values()]
        units = [*mated, *offered, self["other"].value() or ""]
        units = [unit for unit in dict.fromkeys(units) if unit not in ("", number, ANOTHER[0])]
        self.fields["other"].widget.choices = [*((unit, unit) for unit in units[: UNITS_OFFERED + 1]), ANOTHER]

    def clean(self):
        answers = super().clean()
        if answers.get("what") and answers.get("unit"):
            self.settle_mate(answers)
        if answers.get("what") in (DONE, FAILED):
            self.check_stage(answers)
        if answers.get("seen") and answers["seen"] > self.opened + AHEAD:
            self.add_error("seen", "That time is still to come")
        return answers

    def settle_mate(self, answers: dict) -> None:
        """The other end: tapped or typed; of a parting what is recorded, where nobody says another."""
        unit, letter = self.other_unit(answers), answers.get("other_end", "")
        if not unit and answers["what"] != PARTED:
            self.add_error("other", "Choose the other unit, or type its number")
        elif unit and not letter and answers["what"] != PARTED:
            self.add_error("other_end", "Choose which end of the other unit")
        elif unit == answers["unit"]:
            self.add_error("number" if answers.get("number") else "other", f"Both ends are of unit {unit}")
        recorded = self.mates.get(answers.get("end"), "") if answers["unit"] == self.of else ""
        if not unit or (not letter and recorded.startswith(f"{unit} ")):
            answers["mate"] = recorded
        else:
            answers["mate"] = f"{unit} {letter if letter in ('A', 'B') else END_NOT_KNOWN}"

    def other_unit(self, answers: dict) -> str:
        """The number tapped or typed; two of them are no answer."""
        tapped, given = answers.get("other", ""), answers.get("number", "").strip()
        if not given:
            return tapped
        try:
            number = read_unit(given)
        except forms.ValidationError as error:
            self.add_error("number", error)
            return tapped
        if tapped and tapped != number:
            self.add_error("number", f"You chose {tapped} and typed {number}. Keep one of them")
        return number

    def check_stage(self, answers: dict) -> None:
        if not answers.get("stage"):
            if "stage" not in self.errors:
                self.add_error("stage", "Choose how far they joined")
            return
        try:
            fitting(answers["what"], answers["stage"])
        except Refused:
            words = dict(Coupling.Stage.choices)[answers["stage"]]
            self.add_error("stage", f"“{words}” does not go with “{dict(HAPPENED)[answers['what']]}”")

    @cached_property
    def opened(self) -> datetime:
        """When the page was made: what "now" means on it."""
        return bodies.instant(self["made"].value())[0] or timezone.now()

    def body(self, author: int) -> dict[str, object]:
        """The body of a valid form. The same answers make the same bytes."""
        told = self.cleaned_data
        parted = told["what"] == PARTED
        end = {
            "end": told["end"],
            "situation": "R" if told["what"] == DONE else "U",
            "clean": False,
            "mate": told.get("mate", ""),
            "stage": "" if parted else told["stage"],
            "coupled": told["what"],
        }
        return {
            "v": 1,
            "id": str(told["id"]),
            "author": author,
            "sent": told["made"],
            "occasion": Inspection.Occasion.UNCOUPLING if parted else Inspection.Occasion.COUPLING,
            "unit": told["unit"],
            "seen": timezone.localtime(told["seen"] or self.opened).isoformat(timespec="seconds"),
            "place": place_code(told["place"], self.places),
            "weather": "",
            "note": "",
            "ends": [end],
            "faults": [],
        }


def place_code(text: str, places: Iterable[Place]) -> str:
    """The code of a place named in full; anything else as given."""
    codes = {place.name.casefold(): place.code for place in places}
    return codes.get(text.strip().casefold(), text.strip())


def fresh(now: datetime) -> dict[str, object]:
    """What a new page starts with."""
    return {"id": uuid4(), "made": now.astimezone(UTC).isoformat(timespec="seconds")}


def page_context(form: CouplingForm, **more) -> dict[str, object]:
    """What the page's template asks of a form. `met`: the stages that go with "coupled"."""
    return {"form": form, "number": form.of, "places": form.places, "met": " ".join(MET), **more}


def shell_context() -> dict[str, object]:
    """The page for any unit, as the phone keeps it: no person, no token, nothing of any unit."""
    return page_context(CouplingForm(None)) | {"shell": True}


class ImportForm(forms.Form):
    """A CSV file of couplings; `cleaned_data["file"]` is its bytes."""

    file = forms.FileField(
        label="The CSV file",
        widget=forms.FileInput(attrs={"accept": ".csv,text/csv"}),
        error_messages=dict.fromkeys(["required", "invalid", "missing"], "Choose the CSV file")
        | {"empty": "The file is empty"},
    )
    source = Words(
        label="The system it comes from",
        required=False,
        max_length=20,
        help_text="Leave it empty where the file has a column “source”.",
    )
    local = forms.BooleanField(label="Times without an offset are local time", required=False)

    def __init__(self, data=None, files=None, *, checked: bool = False):
        """`checked`: the file before was found good, and may be imported."""
        super().__init__(data, files)
        say_what_is_needed(self)
        again = [button("Check another file")] if checked else []
        go = named_button("import", "Import the file that was checked") if checked else button("Check it", "primary")
        self.helper = helper(reverse("couplings-import"), "file", "source", "local", go, *again)

    def clean_file(self) -> bytes:
        """The bytes; refused where there is more than a page can wait for."""
        data = self.cleaned_data["file"].read(MOST_BYTES + 1)
        if len(data) > MOST_BYTES or data.count(b"\n") > MOST_ROWS + 1:
            raise forms.ValidationError(
                f"The file has more than {MOST_ROWS:,} rows. Whoever runs the logbook imports it with "
                "“manage.py import_couplings”, or split it"
            )
        return data


def named_button(name: str, words: str) -> HTML:
    """The primary button, which says that it was pressed."""
    return HTML(
        format_html('<div class="actions"><button class="primary" name="{}" value="1">{}</button></div>', name, words)
    )
