"""What the report page asks about one unit, and the answers it offers."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.utils import timezone

from fleet.models import Place, Unit
from inspections import grading, words
from inspections.models import Finding
from inspections.models.findings import OPEN
from inspections.reports import face
from inspections.rules.facts import QUALITIES

STILL = "still:"
STILL_SHOWN = 12
UNIT_WANTED = "Enter the unit number, 3 to 6 digits"
# What the page or the coupler's pattern says already: never asked of a driver.
KNOWN_FACTS = {"seen-in", "contacts-dead"}


def read_unit(text: str) -> str:
    """The unit's number as typed, tidied; ValidationError when it can be none. It need not be on the list.

    Of "205 A" it is 205: the end is asked for by itself.
    """
    number = "".join(text.split()).upper()
    with_end = re.fullmatch(r"([0-9]{3,6})[AB](END)?", number)
    if with_end and not Unit.objects.filter(number=number).exists():
        return with_end[1]
    if not re.fullmatch(r"[0-9]{3,6}", number) and not Unit.objects.filter(number=number).exists():
        raise ValidationError(UNIT_WANTED)
    return number


class UnitField(forms.CharField):
    """A unit's number, typed."""

    def __init__(self, **kwargs):
        box = forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"})
        super().__init__(
            label="Unit number",
            widget=box,
            max_length=12,
            error_messages=dict.fromkeys(["required", "max_length", "null_characters_not_allowed"], UNIT_WANTED),
            **kwargs,
        )

    def clean(self, value):
        return read_unit(super().clean(value))


def typed(label: str, most: int, **kwargs) -> forms.CharField:
    """Words that may be left out, of `most` characters at most; each error names the field."""
    name = label if label.endswith("?") else f"{label}:"
    messages = {
        "max_length": f"{name} Use {most} characters at most",
        "null_characters_not_allowed": f"{name} Use letters, figures and signs only",
    }
    return forms.CharField(label=label, required=False, max_length=most, error_messages=messages, **kwargs)


class Answers(forms.RadioSelect):
    """Radios that carry what the page's script needs: `about` maps a value to data attributes."""

    about: Mapping[str, Mapping[str, str]] = {}

    def create_option(self, name, value, *args, **kwargs):
        option = super().create_option(name, value, *args, **kwargs)
        option["attrs"] |= self.about.get(str(value), {})
        return option


class Pictures(forms.FileInput):
    """Several files at once. The view reads them one by one: a photo that is none must not stop the report."""

    allow_multiple_selected = True


def radios(label, choices, error="", **kwargs):
    """A question with radio answers; required where there is an error sentence for leaving it out."""
    name = label if label.endswith("?") else f"{label}:"
    messages = {"required": error, "invalid_choice": error or f"{name} Choose one of the answers"}
    return forms.ChoiceField(
        label=label, choices=choices, widget=Answers, required=bool(error), error_messages=messages, **kwargs
    )


@dataclass(frozen=True, slots=True)
class Asked:
    """One page's questions. `number` is "" while no unit is picked; `unit` is None where it is not on the list.

    `drawings` are the pictures the page may need, the one to show first; `parts` is (code, label) in the order of the
    drawing, what is only on the list last; `still` are findings reported already; `carried` is what the page's
    script knows of the unit, see `carried.facts`.
    """

    number: str
    unit: Unit | None
    rules: object
    drawings: Sequence[str]
    parts: Sequence[tuple[str, str]]
    still: Sequence[Finding]
    places: Sequence[Place]
    carried: Mapping[str, object]

    @property
    def weather(self) -> str:
        """The worst class alerted or seen where the unit is, "" for the mildest."""
        unit = self.carried.get("units", {}).get(self.number, {})
        classes = [end.get("weather", "") for end in unit.get("ends", {}).values()]
        return max(classes, key=lambda code: self.rules.weathers.index(code) if code else 0, default="")

    @property
    def facts(self) -> list:
        """The facts a driver's answer counts for, in the ruleset's order."""
        wanted = {code for symptom in self.rules.symptoms.values() for code in symptom.asks} - KNOWN_FACTS
        return [fact for fact in self.rules.facts.values() if fact.code in wanted and told_by_driver(fact)]


def asked(number: str, now: datetime, signs: Iterable[str] = (), known: Mapping[str, object] | None = None) -> Asked:
    """The questions for this unit, in a fixed number of queries.

    `signs` are answers given already: what was reported and is meant by one of them is offered even if it was closed
    meanwhile. `known`: what is known of the unit, as the phone carries it.
    """
    rules = grading.ruleset(now)
    unit = Unit.objects.filter(number=number).select_related("type").first() if number else None
    ends = list(unit.ends.select_related("pattern").order_by("letter")) if unit else []
    drawing = ends[0].pattern.drawing if ends and ends[0].pattern.drawing in face.DRAWINGS else "P"
    slots = {slot for end in ends for slot in end.pattern.slots} or {part.slot for part in face.parts(drawing)}
    return Asked(
        number=number,
        unit=unit,
        rules=rules,
        drawings=[drawing],
        parts=parts(rules, drawing, slots),
        still=reported(unit, {sign.removeprefix(STILL) for sign in signs if sign.startswith(STILL)}),
        places=list(Place.objects.all()),
        carried=known or {},
    )


def asked_of_any(now: datetime) -> Asked:
    """The questions with the answers of every unit, for the page the phone fills by itself: nothing of any unit."""
    rules = grading.ruleset(now)
    return Asked(
        number="",
        unit=None,
        rules=rules,
        drawings=list(face.DRAWINGS),
        parts=parts(rules, "P", set(rules.parts)),
        still=[],
        places=[],
        carried={},
    )


def reported(unit: Unit | None, refs: set[str]) -> list[Finding]:
    """The worst open findings of a unit, and those meant by these references. One query."""
    if unit is None:
        return []
    here = Finding.objects.filter(Q(state__in=OPEN) | Q(ref__in=refs), unit=unit)
    rows = list(here.select_related("end", "unit", "current_grade").worst_first())
    return [found for place, found in enumerate(rows) if place < STILL_SHOWN or found.ref in refs]


def parts(rules, drawing: str, slots: set[str]) -> list[tuple[str, str]]:
    """(code, label) of the parts a pattern has, as numbered on the drawing, and of those on the list only."""
    # A drawing may call a part by another name than the ruleset: a draw hook is no lock hook.
    own = {part.slot: part.name for part in set(face.parts(drawing)) - set(face.PARTS)}
    return [
        (part.code, f"{part.number} {own.get(part.code, part.name)}" if part.number else part.name)
        for part in rules.parts.values()
        if not part.retired and (part.number is None or part.code in slots)
    ]


def told_by_driver(fact) -> bool:
    """True where a look from clear is evidence enough and the answer is a word."""
    return fact.kind == "words" and QUALITIES.index(fact.needs) <= QUALITIES.index("seen")


def signs(asked: Asked) -> tuple[list, dict[str, dict[str, str]]]:
    """Choices and data of "What is wrong?": what is open first, then symptoms under the parts they belong to.

    The data tell the script where a symptom stands in each part's own order, most used first.
    """
    labels = dict(asked.parts)
    groups: dict[tuple[str, ...], dict[str, str]] = {}
    about: dict[str, dict[str, str]] = {}
    for part in labels:
        for position, symptom in enumerate(asked.rules.symptoms_of(part)):
            under = tuple(code for code in labels if code in symptom.parts)
            groups.setdefault(under, {})[symptom.code] = symptom.words
            data = about.setdefault(symptom.code, {"data-for": "", "data-asks": " ".join(symptom.asks)})
            data["data-for"] = f"{data['data-for']} {part}:{position}".strip()
    choices = [(" or ".join(labels[code] for code in under), list(rows.items())) for under, rows in groups.items()]
    if asked.still:
        choices.insert(0, ("Already reported on this unit", [still_row(asked, found) for found in asked.still]))
        about |= {STILL + found.ref: still_data(asked, found) for found in asked.still}
    return choices, about


def still_row(asked: Asked, finding: Finding) -> tuple[str, str]:
    """The answer for what was reported already, facts only."""
    seen = timezone.localtime(finding.first_seen)
    where = f"{words.part(asked.rules, finding)}, {finding.end_words}"
    what = f"Already reported: {words.fault(asked.rules, finding)}"
    return STILL + finding.ref, f"{what}. {where}, seen {seen.day} {seen:%B %H:%M}, {finding.spoken_ref}"


def still_data(asked: Asked, finding: Finding) -> dict[str, str]:
    end = finding.end.letter if finding.end_id else "?"
    symptom = asked.rules.symptoms.get(finding.symptom)
    asks = " ".join(symptom.asks) if symptom else ""
    return {"data-for": f"{finding.slot}:-1", "data-end": end, "data-symptom": finding.symptom, "data-asks": asks}
