"""The rules as anybody may read them: the phone's table, the glossary, and a page to try them on."""

from django.http import JsonResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from config.squeeze import squeezed
from inspections import grading, words
from inspections.forms.rules import TryForm
from inspections.permissions import require
from inspections.rules import facts

COMPACT = {"separators": (",", ":"), "ensure_ascii": False}


@require_safe
@squeezed
@require("see standing")
def table(request):
    """The finished cells of the ruleset in force (`rules.publish.table`)."""
    response = JsonResponse(grading.published(), json_dumps_params=COMPACT)
    response.headers["Cache-Control"] = "private, max-age=300"
    return response


@require_safe
@require("see rules")
def glossary(request):
    """The words and numbers of the ruleset in force."""
    rules = grading.ruleset(timezone.now())
    context = {
        "rules": rules,
        "parts": [
            (part, [s for s in rules.symptoms.values() if part.code in s.parts]) for part in in_use(rules.parts)
        ],
        "modes": [
            (component, [mode for mode in in_use(rules.modes) if mode.component == component.code])
            for component in rules.components.values()
        ],
        "speed": rules.dial_words["speed"]["cap"].replace("{speed}", "…"),
        "tests": [(t, words.limit(t.low, t.high, t.unit)) for t in rules.tests.values()],
        "categories": [(name, rules.delegation[n].words) for n, name in reversed(list(enumerate(facts.CATEGORIES)))],
        "situations": [(words_, rules.exposure[code]) for code, words_ in facts.SITUATION_WORDS.items()],
        "dials": [
            (dial, said, rules.running_words.get(dial, {}))
            for dial, said in rules.dial_words.items()
            if dial != "speed"
        ],
    }
    return render(request, "pages/glossary.html", context)


def in_use(terms):
    """The terms of a kind that are not retired."""
    return [term for term in terms.values() if not term.retired]


@require_safe
@require("see rules")
def try_it(request):
    """First the part; then its questions, and the grade of what is known so far. Nothing is stored."""
    rules = grading.ruleset(timezone.now())
    part = rules.parts.get(request.GET.get("part", ""))
    if part is None:
        return render(request, "pages/try_it.html", {"parts": in_use(rules.parts)})
    form = TryForm(request.GET, rules=rules, part=part.code)
    context = {"part": part, "form": form, "rules": rules}
    if not form.is_valid():
        return render(request, "pages/try_it.html", context, status=422)
    value = grading.grade_of(rules, facts.Fault("", (form.observation(),)), form.others(), facts.Pattern())
    context |= {
        "category": facts.CATEGORIES[value.worst],
        "judged": [words.mode(rules, code) for code in value.modes],
        "weathers": [rules.weather_words[code].name for code in rules.weathers],
        "rows": answer_rows(rules, value, form.cleaned_data["weather"]),
        "only": form.cleaned_data["weather"],
    }
    return render(request, "pages/try_it.html", context)


def answer_rows(rules, value, only):
    """Per situation: its cells by weather in words, and the reasons, told once for the weathers that share them."""
    rows = []
    for situation, said in facts.SITUATION_WORDS.items():
        cells = {weather: grading.told(rules, value, situation, weather) for weather in rules.weathers}
        reasons = {}
        for weather, told in cells.items():
            if only in ("", weather):
                reasons.setdefault(told.why[1:], []).append(rules.weather_words[weather].name)
        rows.append(
            {
                "situation": said.capitalize(),
                "cells": [(rules.weather_words[weather].name, told) for weather, told in cells.items()],
                "reasons": [(words.listed(names), sentences) for sentences, names in reasons.items()],
            }
        )
    return rows
