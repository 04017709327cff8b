"""The driver's report as one form, and the body (version 1, see `body.py`) its answers make.

The same answers always make the same bytes: ids and the time the page was made travel in hidden fields, so that a
report sent twice is one report.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime, time, timedelta
from uuid import UUID, uuid4

from django import forms
from django.utils import timezone

from inspections import bodies
from inspections.forms import earlier
from inspections.forms.body import MAX_ENDS, MAX_FAULTS, MAX_PHOTOS
from inspections.forms.fault import SITUATIONS, FaultQuestions, plain_lines
from inspections.forms.fields import LOST
from inspections.forms.questions import Asked, Pictures, UnitField, radios, typed
from inspections.models import Inspection

SLOTS = tuple(f"photo{n}" for n in range(1, MAX_PHOTOS + 1))
IDS = ("id", "fault", *SLOTS)
OTHER = [("", "Not looked at"), *((code, f"Nothing found there, {words.lower()}") for code, words in SITUATIONS)]


class PickForm(forms.Form):
    """Which unit the driver has today."""

    unit = UnitField()


class PhotoForm(forms.Form):
    """More photos for a report that is in."""

    photos = forms.Field(label="Add a photo", widget=Pictures)


class ReportForm(FaultQuestions):
    """A report: the faults in `said` and mostly one more; or a look that found nothing (`found` is "nothing")."""

    made = forms.CharField(widget=forms.HiddenInput, required=False)
    kept = forms.IntegerField(widget=forms.HiddenInput, required=False)
    found = forms.CharField(widget=forms.HiddenInput, required=False)
    said = forms.CharField(widget=forms.HiddenInput, required=False)
    unit = UnitField()
    photos = forms.Field(label="Photo", required=False, widget=Pictures)
    other = radios("The other end", OTHER)
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
    field_order = ["unit"]

    def __init__(self, data, *, asked: Asked, more: bool = False, **kwargs):
        """`more`: one fault more must be answered, as photos came with it or somebody asked to add it."""
        super().__init__(data, asked=asked, **kwargs)
        for name in IDS:
            self.fields[name] = forms.UUIDField(widget=forms.HiddenInput, required=False)
        self.damaged = False
        self.earlier = self.read_said()
        self.clean_look = self["found"].value() == "nothing" and not self.earlier
        self.ended = bool(self.earlier) and not more and not self.begun()
        self.offer()

    def read_said(self) -> list[earlier.Earlier]:
        """The faults of this report so far. A field that cannot be relied on is emptied, and `damaged` says so."""
        try:
            return earlier.read(self["said"].value() or "")
        except earlier.Damaged:
            self.damaged = True
            self.initial = {**self.initial, "said": ""}
            if self.is_bound:
                self.data = self.data.copy()
                self.data["said"] = ""
            return []

    def begun(self) -> bool:
        """True where anything is answered of one more fault."""
        return any(self[name].value() for name in self.of_one_fault) or str(self["kept"].value() or 0) != "0"

    @property
    def of_one_fault(self) -> list[str]:
        """The questions that are asked anew for each fault."""
        return [*earlier.ANSWERS, *(field.html_name for field in self.facts)]

    def offer(self) -> None:
        """The answers that depend on the ruleset, the unit and what was found; what may be left out."""
        rules = self.asked.rules
        for name in ("part", "sign"):
            self.fields[name].required = not self.clean_look and not self.ended
        for name in ("end", "situation"):
            self.fields[name].required = not self.ended
        alerted = rules.weather_words[self.asked.weather].name if self.asked.weather else ""
        names = [(code, rules.weather_words[code].name.capitalize()) for code in rules.weathers]
        self.fields["weather"].choices = [("", f"As alerted: {alerted}" if alerted else "Not said"), *names]

    @property
    def weather_said(self) -> str:
        return self.label_of("weather")

    @property
    def occasion_said(self) -> str:
        return self.label_of("occasion")

    @property
    def other_said(self) -> str:
        return self.label_of("other")

    @property
    def opened(self) -> datetime:
        """When the page was made: what "now" means on it."""
        return bodies.instant(self["made"].value())[0]

    @property
    def last(self) -> bool:
        """True where one fault more is the last a report holds."""
        return len(self.earlier) >= MAX_FAULTS - 1

    @property
    def so_far(self) -> list[dict[str, object]]:
        """The faults said already, as the page lists them."""
        return [
            {"fault": one.fault, "words": earlier.in_words(one, self.asked), "photos": len(one.photos)}
            for one in self.earlier
        ]

    def clean(self):
        self.checked = list(earlier.questions(self.earlier, self.asked))
        answers = super().clean()
        if self.damaged:
            self.add_error(None, LOST)
        if len(self.earlier) + (not self.ended) > MAX_FAULTS:
            self.add_error(None, f"A report holds {MAX_FAULTS} faults. Send this one, then start another")
        for number, form in enumerate(self.checked, 1):
            for messages in form.errors.values():
                self.add_error(None, f"Fault {number} in this report: {messages[0]}. Remove it and add it again")
        self.agree_on_situations()
        if not self.errors:
            self.refuse_a_third_end()
        return answers

    def agree_on_situations(self) -> None:
        """How an end is was said with an earlier fault of it: it need not be said again, and cannot be two things."""
        words, known = dict(SITUATIONS), {}
        for number, form in enumerate(self.checked, 1):
            end, situation = form.cleaned_data.get("end"), form.cleaned_data.get("situation")
            if situation and known.setdefault(end, situation) != situation:
                also = f"Fault {number} in this report says {end_words(end)} is {words[situation].lower()}"
                self.add_error(None, f"{also}, another says {words[known[end]].lower()}. Remove one of them")
        answers, end = self.cleaned_data, self.cleaned_data.get("end")
        if end not in known:
            return
        if not self["situation"].value():
            answers["situation"] = known[end]
            self.errors.pop("situation", None)
        elif answers.get("situation", known[end]) != known[end]:
            said = f"You said before that {end_words(end)} is {words[known[end]].lower()}"
            self.add_error("situation", f"{said}. Choose that, or remove that fault")

    def refuse_a_third_end(self) -> None:
        """Two ends at most, and "the other end" only where it is clear which that is."""
        letters = self.letters()
        if len(letters) > MAX_ENDS:
            self.add_error("end", "A report is about two ends at most. Choose one you named, or send this one first")
        elif self.cleaned_data["other"] and letters not in (["A"], ["B"]):
            why = "which end is the other cannot be told" if "?" in letters else "both ends are in this report"
            self.add_error("other", f"The other end: {why}. Choose “Not looked at”")

    def letters(self) -> list[str]:
        """The ends with a fault or the look, each once, in the order they were named."""
        return list(dict.fromkeys(form.cleaned_data["end"] for form in self.answered()))

    def answered(self) -> list[FaultQuestions]:
        """Every fault's questions of a valid form, the last one's unless it was left out."""
        return self.checked if self.ended else [*self.checked, self]

    def body(self, author: int, photos: int) -> dict[str, object]:
        """The body of a valid form, with the first `photos` slots named for the last fault."""
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
            "note": plain_lines(answers["note"]) if self.clean_look else "",
            "ends": self.end_rows(),
            "faults": [] if self.clean_look else self.fault_rows(photos),
        }

    def end_rows(self) -> list[dict[str, object]]:
        """Every end once; of a mate what was said last stands."""
        rows: dict[str, dict] = {}
        for form in self.answered():
            row = form.end_row()
            rows.setdefault(row["end"], row).update({name: row[name] for name in ("mate", "stage") if row[name]})
        if self.cleaned_data["other"]:
            letter = "B" if "A" in rows else "A"
            row = {"end": letter, "situation": self.cleaned_data["other"], "clean": True, "mate": "", "stage": ""}
            rows[letter] = row
        return list(rows.values())

    def fault_rows(self, photos: int) -> list[dict[str, object]]:
        """Every fault under its uuid, with its photos."""
        rows = [form.fault_row(one.fault, one.photos) for form, one in zip(self.checked, self.earlier, strict=True)]
        if not self.ended:
            rows.append(self.fault_row(self.cleaned_data["fault"], self.slots(photos)))
        return rows

    def slots(self, count: int) -> list[UUID]:
        """The ids of the first photos of the fault asked for now."""
        return [self.cleaned_data[slot] for slot in SLOTS[:count]]

    def next_fault(self) -> dict[str, object]:
        """What the page starts with for one fault more: this one joins those said, what is of the report stays."""
        answers = {name: self[name].value() for name in self.of_one_fault if self[name].value()}
        # What was taken from an open finding or remembered of the end is said by itself from now on.
        answers |= {name: self.cleaned_data[name] for name in ("end", "part", "situation")}
        photos = tuple(self.slots(self.cleaned_data["kept"]))
        one = earlier.Earlier(self.cleaned_data["fault"], photos, answers)
        stays = {name: self[name].value() for name in self.fields if name not in self.of_one_fault}
        new = {name: uuid4() for name in ("fault", *SLOTS)}
        return stays | new | {"kept": 0, "said": earlier.written([*self.earlier, one])}

    def place_code(self, text: str) -> str:
        """The code of a place named in full; anything else as given."""
        codes = {place.name.casefold(): place.code for place in self.asked.places}
        return codes.get(text.strip().casefold(), text.strip())


def end_words(letter: str) -> str:
    return f"the {letter} end" if letter in ("A", "B") else "the end you can’t tell"


def without(said: str, fault: str) -> str:
    """The hidden field `said` less the fault of this uuid; as it is where it cannot be read."""
    try:
        return earlier.written([one for one in earlier.read(said) if str(one.fault) != fault])
    except earlier.Damaged:
        return said


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
