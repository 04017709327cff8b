"""Forms of the work between taking a job and signing it: examined, made safe, put back half done."""

from __future__ import annotations

from uuid import uuid4

from crispy_forms.layout import Fieldset
from django import forms

from inspections import grading, words, working
from inspections.forms.acts import ActForm
from inspections.forms.close import modes_offered
from inspections.forms.fault import NOT_KNOWN
from inspections.forms.fields import Words
from inspections.forms.layout import BigRadios, UnitSuffix
from inspections.models import Finding

NOT_SURE, NOT_SEEN = "not-sure", "not-seen"
FOUND_WORDS = {NOT_SURE: "I cannot tell which it is yet", NOT_SEEN: "I could not find the fault"}
# What the logbook or the coupler's pattern says already, or what the examination itself states.
STATED = {"seen-in", "contacts-dead", "repeats", "curve", "looked-at"}
SHUT_ROWS = 2


def found_offered(finding: Finding, rules) -> list[tuple[str, list[tuple[str, str]]]]:
    """What an examination may come to: a failure mode, not sure, or no fault to be seen."""
    return [*modes_offered(finding, rules), ("Neither", list(FOUND_WORDS.items()))]


def found_words(rules, found: str) -> str:
    """What was found, in words."""
    return FOUND_WORDS.get(found) or words.mode(rules, found)


def facts_asked(finding: Finding, found: str, rules) -> list:
    """The ruleset's facts that decide how these modes are graded, in its order; after each its uncertainty."""
    codes = [found] if found in rules.modes else reported(finding, rules)
    wanted = {code for mode in codes for code in facts_of(rules.modes[mode])}
    known = {"pipe"} if finding.end_id and finding.end.pattern.pipes.get(finding.slot) else set()
    found = [fact for code, fact in rules.facts.items() if code in wanted - STATED - known]
    both = dict.fromkeys(code for fact in found for code in (fact.code, fact.plus_minus) if code)
    return [rules.facts[code] for code in both]


def reported(finding: Finding, rules) -> list[str]:
    """The modes it may be as known now."""
    if finding.mode in rules.modes:
        return [finding.mode]
    modes = finding.current_grade.modes if finding.current_grade else []
    return [code for code in modes if code in rules.modes]


def facts_of(mode) -> set[str]:
    """The facts that a mode's hazards and limits turn on."""
    return {code for row in (*mode.hazards, *mode.limits) for code, _ in row.when}


class KeptForm(ActForm):
    """An act whose page keeps what is typed on the phone until it is saved; `kept_with`: what the page opens with."""

    kept_with = ""

    def __init__(self, data=None, **kwargs):
        super().__init__(data, **kwargs)
        self.helper.attrs = {"data-keep": self.kept, "data-keep-with": self.kept_with}
        self.helper.attrs |= {} if self.is_bound else {"data-fresh": ""}

    @property
    def kept(self) -> str:
        """The draft's key."""
        return f"{self.address or self.act}-{self.finding.ref}"


class ObservedForm(KeptForm):
    """An act that is an observation: it carries the observation's uuid, so that it is recorded once."""

    uuid = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, data=None, **kwargs):
        super().__init__(data, **kwargs)
        self.initial["uuid"] = uuid4()


class ExamineForm(ObservedForm):
    """What a fitter found: the facts of the mode chosen before, and words. `found`: a mode, NOT_SURE or NOT_SEEN."""

    act, words, kept_with = "examine", "Save the examination", "found"
    found = forms.CharField(max_length=40, widget=forms.HiddenInput)
    note = Words(
        label="What you saw, in your words",
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 4}),
    )

    def __init__(self, data=None, *, found: str, **kwargs):
        self.chosen = found
        super().__init__(data, **kwargs)
        self.initial["found"] = found

    def prepare(self):
        """One field per fact; a number with its unit."""
        self.rules = grading.ruleset(self.now)
        self.asked = facts_asked(self.finding, self.chosen, self.rules) if self.chosen != NOT_SEEN else []
        for fact in self.asked:
            self.fields[f"fact-{fact.code}"] = fact_field(fact)
        self.fields["note"].required = self.chosen not in self.rules.modes and not self.asked
        self.fields["note"].error_messages["required"] = "Write what you saw"

    def rows(self):
        asked = [self.fact_row(fact) for fact in self.asked]
        heading = "What you measured or saw"
        return ["uuid", "found", *([Fieldset(heading, *asked)] if asked else []), "note"]

    def fact_row(self, fact):
        name = f"fact-{fact.code}"
        if fact.kind != "number":
            return BigRadios(name)
        return UnitSuffix(name, fact.unit) if fact.unit else name

    def clean(self):
        """Something must be said."""
        values = super().clean()
        if not self.errors and not (values["note"].strip() or self.work().mode or self.work().facts):
            self.add_error("note", "Write what you saw")
        return values

    def work(self) -> working.Examination:
        """What is recorded."""
        values = self.cleaned_data
        told = {fact.code: told_word(values.get(f"fact-{fact.code}")) for fact in self.asked}
        return working.Examination(
            mode=self.chosen if self.chosen in self.rules.modes else "",
            seen=self.chosen != NOT_SEEN,
            facts={code: word for code, word in told.items() if word},
            note=values.get("note", ""),
        )


def fact_field(fact) -> forms.Field:
    """The field of one fact: a number of 0 or more, or one of its answers."""
    if fact.kind == "number":
        return forms.DecimalField(
            label=fact.question,
            required=False,
            min_value=0,
            max_digits=10,
            decimal_places=4,
            widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
            error_messages={"invalid": f"“{fact.question}”: enter a number with a point, like 0.15"},
        )
    answers = [*zip(fact.words, fact.labels, strict=True), (NOT_KNOWN, "Not known")]
    return forms.ChoiceField(label=fact.question, required=False, choices=answers, widget=forms.RadioSelect)


def told_word(value) -> str:
    """A fact as it is stored: a word, or a number as text; "" where nothing was said."""
    if value in (None, "", NOT_KNOWN):
        return ""
    return value if isinstance(value, str) else words.number(value)


class MakeSafeForm(ObservedForm):
    """What was done so that it can do no harm, and what that shut."""

    act, address, words = "make safe", "make-safe", "Record that it is made safe"
    done = Words(
        label="What was done", max_length=300, widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": "Say what was done to make it safe"},
    )  # fmt: skip
    secured = forms.BooleanField(label="What was loose is secured or taken off", required=False)

    def prepare(self):
        """Rows for what was shut; the codes and words are the ruleset's."""
        self.rules = grading.ruleset(self.now)
        kinds = [("", "Nothing"), *((one.code, one.name.capitalize()) for one in self.rules.isolations.values())]
        for n in range(1, SHUT_ROWS + 1):
            self.fields[f"kind-{n}"] = forms.ChoiceField(label=f"Isolated ({n})", choices=kinds, required=False)
            self.fields[f"where-{n}"] = Words(label=f"Where ({n})", max_length=120, required=False)
            self.fields[f"key-{n}"] = Words(label=f"Key, and who holds it ({n})", max_length=60, required=False)

    def clean(self):
        """An isolation says where; something makes it safe."""
        values = super().clean()
        for n in range(1, SHUT_ROWS + 1):
            kind, rest = values.get(f"kind-{n}"), values.get(f"where-{n}") or values.get(f"key-{n}")
            if kind and not values.get(f"where-{n}", "").strip():
                self.add_error(f"where-{n}", f"Say where it was isolated ({n})")
            elif rest and not kind:
                self.add_error(f"kind-{n}", f"Choose what was isolated ({n}), or take the rest away")
        if not self.errors and not values["secured"] and not self.shut():
            self.add_error("secured", "Say that it is secured or off, or what was isolated")
        return values

    def shut(self) -> tuple[working.Shut, ...]:
        """The isolations that were named."""
        values = self.cleaned_data
        rows = ((values.get(f"kind-{n}"), n) for n in range(1, SHUT_ROWS + 1))
        return tuple(working.Shut(kind, values[f"where-{n}"], values[f"key-{n}"]) for kind, n in rows if kind)


class PutBackForm(KeptForm):
    """The state a half-done job is left in."""

    act, address, words = "put back", "put-back", "Put it back half done"
    parts_off = Words(label="Which parts are off?", max_length=300, required=False)
    isolated = Words(label="What is isolated, and where?", max_length=300, required=False)
    key = Words(label="Who holds the key?", max_length=120, required=False, help_text="“No key” where there is none.")
    note = Words(
        label="What the next person must know",
        max_length=1000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
    )

    def clean(self):
        """Something is said of its state; what is isolated has a key."""
        values = super().clean()
        said = {name: values.get(name, "").strip() for name in ("parts_off", "isolated", "key", "note")}
        if not (said["parts_off"] or said["isolated"] or said["note"]):
            self.add_error("note", "Say in what state it is left. Where nothing was touched, write that")
        if said["isolated"] and not said["key"]:
            self.add_error("key", "Say who holds the key of what is isolated")
        return values
