"""The driver's report as one form, and the body (version 1, see `body.py`) its answers make.

The same answers always make the same bytes: ids and the time the page was made travel in hidden fields, so that a
report sent twice is one report.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime, time, timedelta
from uuid import UUID, uuid4

from django import forms
from django.utils import timezone

from fleet.models import Coupling
from inspections import bodies
from inspections.forms.body import MAX_PHOTOS
from inspections.forms.questions import STILL, Asked, Pictures, UnitField, radios, signs, typed
from inspections.models import Finding, Inspection

SLOTS = tuple(f"photo{n}" for n in range(1, MAX_PHOTOS + 1))
IDS = ("id", "fault", *SLOTS)
SITUATIONS = [("U", "Uncoupled"), ("C", "About to couple"), ("R", "Coupled")]
ENDS = [("A", "A end"), ("B", "B end"), ("?", "I can’t tell")]
NOT_KNOWN = "not known"


class PickForm(forms.Form):
    """Which unit the driver has today."""

    unit = UnitField()


class PhotoForm(forms.Form):
    """More photos for a report that is in."""

    photos = forms.Field(label="Add a photo", widget=Pictures)


class ReportForm(forms.Form):
    """One fault at one end, or a look that found nothing (`found` is "nothing")."""

    made = forms.CharField(widget=forms.HiddenInput, required=False)
    kept = forms.IntegerField(widget=forms.HiddenInput, required=False)
    found = forms.CharField(widget=forms.HiddenInput, required=False)
    unit = UnitField()
    end = radios("Which end?", ENDS, "Choose which end", help_text="See the letter in the cab.")
    part = radios("Which part is damaged?", (), "Choose the part")
    sign = radios("What is wrong?", (), "Choose what is wrong")
    situation = radios("How is this end now?", SITUATIONS, "Choose how this end is now")
    photos = forms.Field(label="Photo", required=False, widget=Pictures)
    mate = typed("The other unit and its end", 40, help_text="For example 305 B")
    stage = radios("How far did they join?", Coupling.Stage.choices)
    note = typed("Anything else?", 4000, widget=forms.Textarea(attrs={"rows": 3}))
    weather = radios("Weather where you are", ())
    seen = forms.TimeField(
        label="When did you see it?",
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        help_text="Leave it empty for now.",
        error_messages={"invalid": "Enter the time you saw it, like 05:48"},
    )
    occasion = radios("What were you doing?", Inspection.Occasion.choices)
    place = typed("Where are you?", 60, widget=forms.TextInput(attrs={"list": "places"}))

    def __init__(self, data, *, asked: Asked, **kwargs):
        super().__init__(data, **kwargs)
        self.asked = asked
        for name in IDS:
            self.fields[name] = forms.UUIDField(widget=forms.HiddenInput, required=False)
        self.clean_look = self["found"].value() == "nothing"
        self.offer()

    def offer(self) -> None:
        """The answers that depend on the ruleset, the unit and what was found."""
        rules = self.asked.rules
        self.fields["part"].choices = self.asked.parts
        self.fields["sign"].choices, self.fields["sign"].widget.about = signs(self.asked)
        self.fields["part"].required = self.fields["sign"].required = not self.clean_look
        alerted = rules.weather_words[self.asked.weather].name if self.asked.weather else ""
        names = [(code, rules.weather_words[code].name.capitalize()) for code in rules.weathers]
        self.fields["weather"].choices = [("", f"As alerted: {alerted}" if alerted else "Not said"), *names]
        for fact in self.asked.facts:
            answers = [*zip(fact.words, fact.labels, strict=True), (NOT_KNOWN, "Not known")]
            self.fields[f"fact-{fact.code}"] = radios(fact.question, answers)

    @property
    def facts(self) -> list:
        """The fact questions, as fields to render."""
        return [self[f"fact-{fact.code}"] for fact in self.asked.facts]

    def said(self, name: str) -> str:
        """The label of the answer a radio question has now."""
        field = self[name]
        return dict(field.field.choices).get(field.value() or "", "")

    @property
    def weather_said(self) -> str:
        return self.said("weather")

    @property
    def occasion_said(self) -> str:
        return self.said("occasion")

    @property
    def opened(self) -> datetime:
        """When the page was made: what "now" means on it."""
        return bodies.instant(self["made"].value())[0]

    def clean(self):
        answers = super().clean()
        if self.clean_look:
            return answers
        still = self.finding_meant(answers.get("sign", ""))
        if still:
            self.take_from(still, answers)
        elif answers.get("part") and answers.get("sign"):
            self.refuse_sign_of_another_part(answers["part"], answers["sign"])
        return answers

    def refuse_sign_of_another_part(self, part: str, sign: str) -> None:
        if part not in self.asked.rules.symptoms[sign].parts:
            label = dict(self.asked.parts)[part]
            self.add_error("sign", f"Choose what is wrong with part {label}: your answer is about another part")

    def finding_meant(self, sign: str) -> Finding | None:
        """The open finding that is "still there"."""
        return next((found for found in self.asked.still if sign == STILL + found.ref), None)

    def take_from(self, finding: Finding, answers: dict) -> None:
        """ "Still there" answers the part, and the end where it was left out or could not be told."""
        answers["part"] = finding.slot
        self.errors.pop("part", None)
        if not finding.end_id:
            return
        if answers.get("end", "?") not in ("?", finding.end.letter):
            self.add_error(
                "sign", f"That report is on the {finding.end.letter} end. Choose that end, or another answer"
            )
            return
        answers["end"] = finding.end.letter
        self.errors.pop("end", None)

    def body(self, author: int, photos: int) -> dict[str, object]:
        """The body of a valid form, with the first `photos` slots named."""
        answers = self.cleaned_data
        made, _ = bodies.instant(answers["made"])
        return {
            "v": 1,
            "id": str(answers["id"]),
            "author": author,
            "sent": answers["made"],
            "occasion": answers["occasion"],
            "unit": answers["unit"],
            "seen": time_seen(made, answers["seen"]).isoformat(timespec="seconds"),
            "place": self.place_code(answers["place"]),
            "weather": answers["weather"],
            "note": answers["note"] if self.clean_look else "",
            "ends": [self.end_row()],
            "faults": [] if self.clean_look else [self.fault(photos)],
        }

    def end_row(self) -> dict[str, object]:
        """The end that was looked at; a mate and how far they joined only where there is one."""
        answers = self.cleaned_data
        joining = answers["situation"] in ("C", "R")
        return {
            "end": answers["end"],
            "situation": answers["situation"],
            "clean": self.clean_look,
            "mate": mate_words(answers["mate"]) if joining else "",
            "stage": answers["stage"] if joining else "",
        }

    def fault(self, photos: int) -> dict[str, object]:
        """The one fault of the body."""
        answers = self.cleaned_data
        still = self.finding_meant(answers["sign"])
        symptom = still.symptom if still else answers["sign"]
        return {
            "id": str(answers["fault"]),
            "end": answers["end"],
            "part": answers["part"],
            "symptom": symptom,
            "kind": "still there" if still else "first report",
            "of": still.ref if still else "",
            "facts": self.facts_told(symptom),
            "note": answers["note"],
            "photos": [str(answers[slot]) for slot in SLOTS[:photos]],
        }

    def facts_told(self, symptom: str) -> dict[str, str]:
        """Answers to the facts this symptom asks; how the end was when it was seen is one of them."""
        symptoms = self.asked.rules.symptoms
        asks = symptoms[symptom].asks if symptom in symptoms else ()
        told = {code: self.cleaned_data.get(f"fact-{code}", "") for code in asks}
        if "seen-in" in asks:
            told["seen-in"] = self.cleaned_data["situation"]
        return {code: word for code, word in told.items() if word not in ("", NOT_KNOWN)}

    def place_code(self, text: str) -> str:
        """The code of a place named in full; anything else as given."""
        codes = {place.name.casefold(): place.code for place in self.asked.places}
        return codes.get(text.strip().casefold(), text.strip())


def mate_words(text: str) -> str:
    """ "305b" as "305 B"; anything else as given."""
    found = re.fullmatch(r"([0-9A-Za-z]{1,12}?)[\s,-]*([ABab])(?:\s*end)?", text.strip())
    return f"{found[1].upper()} {found[2].upper()}" if found else text.strip()


def time_seen(made: datetime, clock: time | None) -> datetime:
    """The last moment up to `made`, the page's own time, when local clocks showed `clock`; `made` without one."""
    local = timezone.localtime(made)
    if clock is None:
        return local
    zone = timezone.get_current_timezone()
    moments = [
        datetime.combine(local.date() - timedelta(days=back), clock, tzinfo=zone).replace(fold=fold).astimezone(UTC)
        for back in (0, 1)
        for fold in (0, 1)
    ]
    return timezone.localtime(max(moment for moment in moments if moment <= made))


def fresh(now: datetime) -> dict[str, object]:
    """What a new page starts with: its ids, its time, and the lines that have an answer already."""
    ids = {name: uuid4() for name in IDS}
    return ids | {
        "made": now.astimezone(UTC).isoformat(timespec="seconds"),
        "kept": 0,
        "occasion": Inspection.Occasion.WALK_ROUND,
    }


def with_ids(posted, now: datetime):
    """Posted answers whose hidden fields can be relied on: what is missing or cannot be read is made anew."""
    data, new = posted.copy(), fresh(now)
    for name in IDS:
        try:
            UUID(data.get(name, ""))
        except ValueError:
            data[name] = str(new[name])
    made, _ = bodies.instant(data.get("made"))
    if made is None or made > now + bodies.AHEAD:
        data["made"] = new["made"]
    if data.get("kept") not in {str(number) for number in range(MAX_PHOTOS + 1)}:
        data["kept"] = "0"
    return data


def as_bytes(body: Mapping[str, object]) -> bytes:
    """The body as it is sent: the same answers give the same bytes."""
    return json.dumps(body, sort_keys=True, ensure_ascii=False, separators=(",", ":")).encode()
