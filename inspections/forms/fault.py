"""What is asked of one fault at one end, and what its answers become in the body (version 1, see `body.py`)."""

from __future__ import annotations

import re
from collections.abc import Sequence

from django import forms

from fleet.models import Coupling
from inspections.forms.questions import STILL, Asked, radios, signs, typed
from inspections.models import Finding

SITUATIONS = [("U", "Uncoupled"), ("C", "About to couple"), ("R", "Coupled")]
ENDS = [("A", "A end"), ("B", "B end"), ("?", "I can’t tell")]
CHANGES = [("still there", "The same"), ("worse", "Worse"), ("not there now", "Not there now")]
STILL_THERE, GONE = CHANGES[0][0], CHANGES[2][0]
NOT_KNOWN = "not known"


class FaultQuestions(forms.Form):
    """One fault at one end, or an end that was looked at and found sound (`clean_look`)."""

    end = radios("Which end?", ENDS, "Choose which end", help_text="See the letter in the cab.")
    part = radios("Which part is damaged?", (), "Choose the part")
    sign = radios("What is wrong?", (), "Choose what is wrong")
    changed = radios("Has it changed?", CHANGES)
    situation = radios("How is this end now?", SITUATIONS, "Choose how this end is now")
    mate = typed("The other unit and its end", 40, help_text="For example 305 B")
    stage = radios("How far did they join?", Coupling.Stage.choices)
    note = typed("Anything else?", 4000, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(self, data, *, asked: Asked, **kwargs):
        super().__init__(data, **kwargs)
        self.asked = asked
        self.clean_look = False
        self.fields["part"].choices = asked.parts
        self.fields["sign"].choices, self.fields["sign"].widget.about = signs(asked)
        for fact in asked.facts:
            answers = [*zip(fact.words, fact.labels, strict=True), (NOT_KNOWN, "Not known")]
            self.fields[f"fact-{fact.code}"] = radios(fact.question, answers)

    @property
    def facts(self) -> list:
        """The fact questions, as fields to render."""
        return [self[f"fact-{fact.code}"] for fact in self.asked.facts]

    def label_of(self, name: str) -> str:
        """The label of the answer a radio question has now."""
        field = self[name]
        return dict(field.field.choices).get(field.value() or "", "")

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
        """The finding that was reported already."""
        return next((found for found in self.asked.still if sign == STILL + found.ref), None)

    def take_from(self, finding: Finding, answers: dict) -> None:
        """What was reported already answers the part, and the end where it was left out or could not be told."""
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

    def end_row(self) -> dict[str, object]:
        """The end that was looked at; a mate and how far they joined only where there is one."""
        answers = self.cleaned_data
        joining = answers["situation"] != "U"
        return {
            "end": answers["end"],
            "situation": answers["situation"],
            "clean": self.clean_look,
            "mate": mate_words(answers["mate"]) if joining else "",
            "stage": answers["stage"] if joining else "",
        }

    def fault_row(self, uuid: object, photos: Sequence[object]) -> dict[str, object]:
        """The fault under its own uuid, with the photos that go with it."""
        answers = self.cleaned_data
        still = self.finding_meant(answers["sign"])
        symptom = still.symptom if still else answers["sign"]
        kind = (answers["changed"] or STILL_THERE) if still else "first report"
        return {
            "id": str(uuid),
            "end": answers["end"],
            "part": answers["part"],
            "symptom": symptom,
            "kind": kind,
            "of": still.ref if still else "",
            "facts": {} if kind == GONE else self.facts_told(symptom),
            "note": plain_lines(answers["note"]),
            "photos": [str(photo) for photo in photos],
        }

    def facts_told(self, symptom: str) -> dict[str, str]:
        """Answers to the facts this symptom asks; how the end was when it was seen is one of them."""
        symptoms = self.asked.rules.symptoms
        asks = symptoms[symptom].asks if symptom in symptoms else ()
        told = {code: self.cleaned_data.get(f"fact-{code}", "") for code in asks}
        if "seen-in" in asks:
            told["seen-in"] = self.cleaned_data["situation"]
        return {code: word for code, word in told.items() if word not in ("", NOT_KNOWN)}


def plain_lines(text: str) -> str:
    """Lines end in one sign, whoever sent them: a page posts two."""
    return text.replace("\r\n", "\n")


def mate_words(text: str) -> str:
    """ "305b" as "305 B"; anything else as given."""
    found = re.fullmatch(r"([0-9A-Za-z]{1,12}?)[\s,-]*([ABab])(?:\s*end)?", text.strip())
    return f"{found[1].upper()} {found[2].upper()}" if found else text.strip()
