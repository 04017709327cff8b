"""Forms about rulesets: bringing one in, putting one in force, trying the rules."""

from __future__ import annotations

from collections.abc import Iterable

from crispy_forms.layout import Layout
from django import forms
from django.urls import reverse

from inspections import rulesets
from inspections.forms.fields import button, helper, say_what_is_needed, why
from inspections.forms.layout import UnitSuffix
from inspections.grading import RulesetError
from inspections.rules import facts

SEEN = facts.QUALITIES.index("seen")
# The first is what is taken when nothing is said.
EVIDENCE = {
    "seen": "Seen by a driver",
    "examined": "Examined by a fitter",
    "measured": "Measured by a fitter",
    "not confirmed": "Nobody is sure",
}
UNTOUCHED = "The ruleset in force is untouched."
NOT_SAID = "Not said"
FACT = "fact-"
MOST_DIGITS = 9


class CandidateForm(forms.Form):
    """A ruleset document, and why it is brought in."""

    document = forms.FileField(
        label="The ruleset, a TOML file",
        widget=forms.FileInput(attrs={"accept": ".toml,text/plain"}),
        error_messages={
            "required": "Choose a file",
            "invalid": "Choose a file",
            "missing": "Choose a file",
            "empty": "The file is empty",
        },
    )
    why = why("Why it is brought in")

    def __init__(self, data=None, files=None):
        super().__init__(data, files)
        say_what_is_needed(self)
        self.helper = helper(reverse("candidate"), "document", "why", button("Check it and keep it", "primary"))

    def clean_document(self):
        """The text of the file, read as UTF-8."""
        file = self.cleaned_data["document"]
        try:
            return rulesets.text_of(file.read(rulesets.MOST_BYTES + 1))
        except RulesetError as error:
            raise forms.ValidationError(refusal(error)) from error


def refusal(error: RulesetError) -> str:
    """A broken ruleset's sentence for the page."""
    return f"{error}. {UNTOUCHED}"


class PutInForceForm(forms.Form):
    """Why, and the password, for the effects shown on the page (`seen`)."""

    seen = forms.CharField(widget=forms.HiddenInput, max_length=40)
    why = why("Why it is put in force")
    password = forms.CharField(
        label="Your password",
        strip=False,
        max_length=200,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )

    def __init__(self, data=None, *, row):
        super().__init__(data, initial={"seen": (row.what_if or {}).get("made", "")})
        say_what_is_needed(self)
        action = reverse("put-in-force", args=[rulesets.short(row)])
        self.helper = helper(action, "seen", "why", "password", button("Put it in force", "primary"))


class TryForm(forms.Form):
    """One part's fault with all that matters to it; everything but the part may be left out.

    The questions are those the rules ask for the symptom and mode picked so far. Sent by GET: the address is all.
    """

    part = forms.CharField(widget=forms.HiddenInput)
    symptom = forms.ChoiceField(label="What is wrong, as a driver sees it", required=False)
    mode = forms.ChoiceField(label="Failure mode, as a fitter judges it", required=False)
    quality = forms.ChoiceField(label="Evidence", choices=list(EVIDENCE.items()), required=False)
    other = forms.ChoiceField(label="Another open finding at this end", required=False)
    weather = forms.ChoiceField(label="Explain for this weather only", required=False)

    def __init__(self, data, *, rules, part):
        super().__init__(data)
        self.rules = rules
        candidates = rules.candidates(part)
        symptoms = {s.code: s for s in rules.symptoms_of(part)}
        self.fields["symptom"].choices = [("", "Another thing, or I can't tell"), *named(symptoms.values(), "words")]
        self.fields["mode"].choices = [("", NOT_SAID), *named(rules.modes[code] for code in candidates)]
        self.fields["other"].choices = [("", "None"), *by_component(rules)]
        self.fields["weather"].choices = [("", "All"), *named(rules.weather_words.values())]
        self.symptom, self.mode = symptoms.get(data.get("symptom")), rules.modes.get(data.get("mode"))
        self.asked = self.questions([self.mode.code] if self.mode else None, candidates)
        for fact in self.asked:
            self.fields[FACT + fact.code] = field_of(fact)
        for field in self.fields.values():
            field.error_messages.setdefault("invalid_choice", "Choose one of these")
            field.error_messages["invalid_choice"] = "This does not go with the part; choose one of these"
        self.helper = helper(reverse("try-it"))
        self.helper.form_method = "get"
        self.helper.layout = Layout(*self.rows(), button("Show the grade", "primary"))

    def questions(self, modes: list[str] | None, candidates: Iterable[str]) -> list:
        """The facts some rule asks for, of the mode judged or else of every candidate."""
        known = self.symptom and not self.symptom.cant_tell
        modes = modes or (self.symptom.modes if known else candidates)
        asked = {code for mode in modes for row in rows_of(self.rules.modes[mode]) for code, _ in row.when}
        asked |= {code for when in self.symptom.only.values() for code, _ in when} if known else {"may-fall"}
        facts_ = self.rules.facts
        asked |= {facts_[code].plus_minus for code in asked if code in facts_ and facts_[code].plus_minus}
        return [fact for code, fact in facts_.items() if code in asked]

    def rows(self):
        """The fields in order, numbers with their unit."""
        numbers = {FACT + fact.code: fact.unit for fact in self.asked if fact.kind == "number"}
        order = ["part", "symptom", "mode", "quality", *(FACT + f.code for f in self.asked), "other", "weather"]
        return [UnitSuffix(name, numbers[name]) if name in numbers else name for name in order]

    def observation(self) -> facts.Observation:
        """What was set, as an observation."""
        said = self.cleaned_data
        return facts.Observation(
            part=said["part"],
            symptom=said["symptom"],
            mode=said["mode"],
            quality=said["quality"] or "seen",
            facts={
                fact.code: said[FACT + fact.code] for fact in self.asked if said[FACT + fact.code] not in ("", None)
            },
        )

    def others(self) -> list[facts.Fault]:
        """The other open finding, if one was picked."""
        mode = self.cleaned_data["other"]
        return [facts.Fault("other", (facts.Observation("", mode=mode, quality="examined"),))] if mode else []


def rows_of(mode):
    """The rules of a mode."""
    return (*mode.hazards, *mode.limits)


def named(terms, words: str = "name") -> list[tuple[str, str]]:
    """(code, words) of terms of the ruleset."""
    return [(term.code, getattr(term, words)) for term in terms]


def by_component(rules) -> list[tuple[str, list[tuple[str, str]]]]:
    """Failure modes in use, under their components."""
    used = [mode for mode in rules.modes.values() if not mode.retired]
    groups = [(c.name, named(mode for mode in used if mode.component == c.code)) for c in rules.components.values()]
    return [group for group in groups if group[1]]


def field_of(fact) -> forms.Field:
    """The question of one fact; left open it counts as not known."""
    needs = facts.QUALITIES.index(fact.needs)
    help_text = f"Counts only when {fact.needs}." if needs > SEEN else ""
    if fact.kind == "words":
        choices = [("", NOT_SAID), *zip(fact.words, fact.labels, strict=True)]
        return forms.ChoiceField(label=fact.question, choices=choices, required=False, help_text=help_text)
    wrong = f"Enter a number of 0 or more, in {fact.unit}" if fact.unit else "Enter a number of 0 or more"
    return forms.DecimalField(
        label=fact.question,
        required=False,
        min_value=0,
        max_digits=MOST_DIGITS,
        help_text=help_text,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
        error_messages=dict.fromkeys(
            ("invalid", "min_value", "max_digits", "max_decimal_places", "max_whole_digits"), wrong
        ),
    )
