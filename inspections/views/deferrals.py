"""Leaving a finding not to repair yet: the terms, giving it, and what the engineer and control do with it then."""

from __future__ import annotations

from django.core.exceptions import PermissionDenied
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from inspections import deferring, delegation, grading, log, standing, words, workflow
from inspections.forms.deferrals import AgreeForm, DeferForm, ExtendForm, RecallForm
from inspections.models import Deferral
from inspections.permissions import may, require
from inspections.rules.facts import CATEGORIES, SITUATION_WORDS
from inspections.views.acts import Page, Repeat, act_on, asked
from inspections.views.findings import finding_meant


@require_http_methods(["GET", "HEAD", "POST"])
@require("see work")
def defer(request, ref):
    """The terms on which it may be left and how it is left now; POST leaves it."""
    finding, now = finding_meant(ref), timezone.now()
    if request.method == "POST" and not may(request.user, "defer"):
        raise PermissionDenied("defer")
    if finding.merged_into_id:
        return redirect("defer", finding.merged_into.ref)
    on, rules = delegation.terms(finding, now), grading.ruleset(now)
    posted = request.POST if request.method == "POST" else None
    form = DeferForm(posted, finding=finding, now=now, primary=True, terms=on, expiry_events=rules.expiry_events)

    def terms_now(changed):
        """The terms once more, where somebody acted meanwhile."""
        return on if changed.version == finding.version else delegation.terms(changed, now)

    page = Page("pages/defer.html", lambda changed: about(request.user, changed, terms_now(changed), now))
    if posted is None:
        return asked(request, form, page)

    def call(finding, values, now):
        deferring.defer(
            finding,
            version=values["version"],
            by=request.user,
            now=now,
            until=values["until"],
            why=values["why"],
            interim=values["interim"],
            events=values.get("events", ()),
        )

    def repeat(values):
        return Repeat("deferred", {"until": log.plain(values["until"]), "why": values["why"]})

    done = (
        "It waits for an engineer to agree."
        if on.engineer
        else "It is left until then. It loosens nothing: every limit stays."
    )
    return act_on(request, form, call, done=done, page=page, repeat=repeat)


def about(user, finding, on, now) -> dict:
    """What the page says: the terms in words, what is missing with its link, how it is left now, who may do what."""
    rules = grading.ruleset(now)
    left = deferring.left_of(finding, now, coupled=on.coupled)
    return {
        "terms": on,
        "category": CATEGORIES[on.category],
        "situations": words.listed((SITUATION_WORDS[s] for s in on.situations), "or"),
        "latest": words.moment(on.latest, now),
        "over": on.latest <= now,
        "events": [rules.expiry_events.get(code, code) for code in on.events],
        "missing": [(delegation.MISSING[need], link_to(need, finding)) for need in on.missing],
        "left": left,
        "left_words": deferring.said_of(left, rules, now) if left else (),
        "on_expiry": on_expiry(finding, rules),
        "forms": forms_for(user, finding, left, on, now) if left else [],
        "may_defer": may(user, "defer") and workflow.may_from(finding, "defer"),
        "named": may(user, "see words"),
    }


def link_to(need: str, finding) -> str:
    """Where what is missing is put right."""
    if need == "restriction":
        return f"{reverse('finding', args=[finding.ref])}#acts"
    return f"{reverse('unit', args=[finding.unit.number])}#in-force"


def on_expiry(finding, rules) -> list[tuple[str, tuple[str, ...]]]:
    """(situation, sentences) of what joins in once it has run out."""
    return [(SITUATION_WORDS[s], said) for s, said in standing.words_on_expiry(finding, rules).items() if said]


def forms_for(user, finding, left, on, now) -> list:
    """The forms of what this person may do with the deferral now."""
    made = {"finding": finding, "now": now, "deferral": left.row}
    open_to = workflow.acts_open_to(user, finding)
    forms = []
    if left.state == deferring.WAITING:
        forms += (
            [AgreeForm(**made, primary=True)]
            if "agree" in open_to and left.row.by_id != user.pk and not left.why
            else []
        )
    else:
        forms += [ExtendForm(**made, terms=on)] if "extend" in open_to and left.extensions < on.extensions else []
    if left.state != deferring.OVER and "recall" in open_to:
        forms.append(RecallForm(**made))
    return forms


def deferral_meant(pk):
    """The deferral with its finding as the pages read it; 404 where there is none."""
    row = get_object_or_404(Deferral.objects.select_related("by"), pk=pk)
    row.finding = finding_meant(row.finding.ref)
    return row


@require_POST
@require("agree")
def agree(request, pk):
    """The engineer agrees: it counts."""
    row, now = deferral_meant(pk), timezone.now()
    form = AgreeForm(request.POST, finding=row.finding, now=now, primary=True, deferral=row)

    def call(finding, values, now):
        deferring.agree(row, version=values["version"], by=request.user, now=now)

    done = "You have agreed: it may be left."
    return act_on(request, form, call, done=done, repeat=lambda v: Repeat("deferral agreed", {"deferral": row.pk}))


@require_POST
@require("extend")
def extend(request, pk):
    """The engineer lets it be left once more."""
    row, now = deferral_meant(pk), timezone.now()
    on = delegation.terms(row.finding, now)
    form = ExtendForm(request.POST, finding=row.finding, now=now, primary=True, deferral=row, terms=on)

    def call(finding, values, now):
        deferring.extend(
            row, version=values["version"], by=request.user, now=now, until=values["until"], why=values["why"]
        )

    def repeat(values):
        return Repeat("deferral extended", {"deferral": row.pk, "until": log.plain(values["until"])})

    return act_on(request, form, call, done="It is extended.", repeat=repeat)


@require_POST
@require("recall")
def recall(request, pk):
    """It is ended early."""
    row, now = deferral_meant(pk), timezone.now()
    form = RecallForm(request.POST, finding=row.finding, now=now, primary=True, deferral=row)

    def call(finding, values, now):
        deferring.recall(row, version=values["version"], by=request.user, now=now, why=values["why"])

    done = "The deferral is ended. Plan the work."
    return act_on(request, form, call, done=done, repeat=lambda v: Repeat("deferral ended", {"deferral": row.pk}))
