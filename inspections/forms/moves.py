"""Forms that say what a finding is: another report's fault, one of another place, one come back, an occurrence."""

from __future__ import annotations

from collections.abc import Sequence

from crispy_forms.bootstrap import InlineRadios
from django import forms

from fleet.models import CouplerEnd, Unit
from inspections import references, words
from inspections.forms.acts import ActForm
from inspections.forms.fields import Words, why
from inspections.forms.layout import BigRadios
from inspections.models import Finding

OTHER, NONE = "other", "none"
UNKNOWN = "?"


class MergeForm(ActForm):
    """Choose the report that this one is the same fault as. `candidates` are (finding, words)."""

    act, words = "merge", "Merge it into that report"
    into = forms.ChoiceField(
        label="It is the same fault as", widget=forms.RadioSelect, error_messages={"required": "Choose a report"}
    )
    ref = Words(
        label="Its reference",
        required=False,
        max_length=20,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
    )
    why = why("Why")

    def __init__(self, *args, candidates: Sequence[tuple[Finding, str]], **kwargs):
        self.candidates = candidates
        super().__init__(*args, **kwargs)

    def prepare(self):
        choices = [(finding.ref, said) for finding, said in self.candidates]
        self.fields["into"].choices = [*choices, (OTHER, "Another one: I type its reference")]
        self.fields["why"].required = False
        if not choices:
            del self.fields["into"]
            self.fields["ref"].required = True
            self.fields["ref"].error_messages["required"] = "Enter the reference of the other report"

    def rows(self):
        return [*([BigRadios("into")] if "into" in self.fields else []), "ref", "why"]

    def clean(self):
        """`target`: the open finding meant; one that was merged leads on."""
        values = super().clean()
        chosen = values.get("into", OTHER if "into" not in self.fields else "")
        if self.errors or not chosen:
            return values
        if chosen != OTHER and values["ref"]:
            self.add_error("ref", "Choose “Another one”, or leave this empty")
        elif chosen == OTHER and not values["ref"]:
            self.add_error("ref", "Enter the reference of the other report")
        else:
            values["target"] = self.found(values["ref"] if chosen == OTHER else chosen)
        return values

    def found(self, ref: str) -> Finding | None:
        """The finding of a reference, or an error on the field."""
        try:
            ref = references.read(ref)
        except references.MistypedReference as error:
            self.add_error("ref", str(error))
            return None
        finding = Finding.objects.select_related("merged_into").filter(ref=ref).first()
        if finding is None:
            self.add_error("ref", f"No finding has the reference {words.spoken(ref)}")
        return finding.merged_into if finding and finding.merged_into_id else finding


class MoveForm(ActForm):
    """The right unit, end and part. What is wrong with it is asked once the part is another one."""

    act, words = "move", "Move it there"
    unit = Words(
        label="Unit",
        max_length=40,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
        error_messages={"required": "Enter the unit number"},
    )
    end = forms.ChoiceField(
        label="End",
        widget=forms.RadioSelect,
        choices=[("A", "A end"), ("B", "B end"), (UNKNOWN, "Not known")],
        error_messages={"required": "Choose which end"},
    )
    part = forms.ChoiceField(label="Part", error_messages={"required": "Choose the part"})
    symptom = forms.ChoiceField(
        widget=forms.RadioSelect, error_messages={"required": "The part is another one: choose what is wrong with it"}
    )
    why = why("Why is it moved?")

    def __init__(self, *args, rules, **kwargs):
        self.rules = rules
        super().__init__(*args, **kwargs)

    def prepare(self):
        finding = self.finding
        end = finding.end.letter if finding.end_id else UNKNOWN
        self.initial |= {"unit": words.unit(finding), "end": end, "part": finding.slot}
        kept = [part for part in self.rules.parts.values() if not part.retired or part.code == finding.slot]
        self.fields["part"].choices = [
            (part.code, f"{part.number} {part.name}" if part.number else part.name) for part in kept
        ]
        self.ask_symptom(self.data.get("part", finding.slot))

    def ask_symptom(self, part: str) -> None:
        """Ask what is wrong where the part posted is another one."""
        if part == self.finding.slot or part not in self.rules.parts:
            del self.fields["symptom"]
            return
        field = self.fields["symptom"]
        field.label = f"What is wrong with it ({self.rules.parts[part].name.lower()})"
        field.choices = [(symptom.code, symptom.words) for symptom in self.rules.symptoms_of(part)]

    def rows(self):
        asked = [BigRadios("symptom")] if "symptom" in self.fields else []
        return ["unit", InlineRadios("end"), "part", *asked, "why"]

    def clean(self):
        """`place`: (unit, end); a unit that is not on the list may stay what it was given as."""
        values = super().clean()
        if "unit" not in values:
            return values
        number = "".join(values["unit"].split()).upper()
        unit = Unit.objects.filter(number=number).first()
        same = self.finding.unit_id is None and number == "".join(self.finding.unit_given.split()).upper()
        if unit is None and not same:
            self.add_error("unit", f"Unit {values['unit']} is not on our list. Enter one that is")
            return values
        end = None
        if unit and values.get("end") in ("A", "B"):
            end = CouplerEnd.objects.named(unit.number, values["end"]).select_related("unit", "pattern").first()
            if end is None:
                self.add_error("end", f"Unit {unit} has no {values['end']} end on our list")
        return values | {"place": (unit, end)}


class RepeatForm(ActForm):
    """The closed fault that this one is, come back; or none. `candidates` are (finding, words)."""

    act, address, words = "name repeat", "repeat", "Say so"
    of = forms.ChoiceField(
        label="This is", widget=forms.RadioSelect, error_messages={"required": "Choose what it is"}
    )
    why = why("Why")

    def __init__(self, *args, candidates: Sequence[tuple[Finding, str]], **kwargs):
        self.candidates = candidates
        super().__init__(*args, **kwargs)

    def prepare(self):
        choices = [(finding.ref, said) for finding, said in self.candidates]
        self.fields["of"].choices = [*choices, (NONE, "No repeat: a fault of its own")]

    def rows(self):
        return [BigRadios("of"), "why"]

    def clean_of(self):
        """The finding chosen, None for no repeat."""
        chosen = self.cleaned_data["of"]
        return next((finding for finding, _ in self.candidates if finding.ref == chosen), None)


class OccurrenceForm(ActForm):
    """Is it reportable as an occurrence, and under which reference? Nothing is sent."""

    act, address, words = "decide occurrence", "occurrence", "Record the decision"
    reportable = forms.ChoiceField(
        label="Is it reportable?",
        widget=forms.RadioSelect,
        choices=[("yes", "Yes, reportable"), ("no", "No")],
        error_messages={"required": "Choose whether it is reportable"},
    )
    reference = Words(
        label="Reference", required=False, max_length=120, help_text="Of the report, or where it will be found."
    )
    why = why("Why")

    def prepare(self):
        self.fields["why"].required = False

    def rows(self):
        return [InlineRadios("reportable"), "reference", "why"]

    def clean(self):
        """What the answer needs."""
        values = super().clean()
        if values.get("reportable") == "yes" and "reference" in values and not values["reference"]:
            self.add_error("reference", "Give its reference, or say where it will be")
        if values.get("reportable") == "no" and "why" in values and not values["why"]:
            self.add_error("why", "Say why it is not reportable")
        return values
