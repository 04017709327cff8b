"""Acts on a finding and on a unit: each its own address, POST only, one call that acts.

What is refused comes back as a page with the sentence, what changed meanwhile and everything that was typed:
422 for what is not allowed or not filled in, 409 where somebody else was first.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.contrib import messages
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet.models import Place, Unit
from inspections import grading, log, words, workflow
from inspections.forms.acts import FORMS, LiftForm, RestrictForm
from inspections.models import Restriction
from inspections.permissions import Refused, require
from inspections.views.close import check as check
from inspections.views.close import close as close
from inspections.views.findings import finding_meant
from inspections.workflow import Stale

SECOND_PRESS = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class Repeat:
    """How the log tells that this very act was done already by the same person (a second press of a button).

    `within`: how long ago it may be where the same words may well be meant twice; None for any time.
    """

    kind: str
    data: dict
    within: timedelta | None = None

    def among(self, entries, user, now: datetime) -> bool:
        """True when one of these entries is the same act."""
        return any(
            entry.kind == self.kind
            and entry.actor_id == user.pk
            and (self.within is None or now - entry.written <= self.within)
            and all(entry.data.get(key) == value for key, value in self.data.items())
            for entry in entries
        )


def perform(request, ref, act, call, *, done, repeat):
    """One act on one finding: `call(finding, values, now)` acts; `repeat(values)` tells a second press."""
    now = timezone.now()
    finding = finding_meant(ref)
    form = FORMS[act](request.POST, finding=finding, now=now, primary=True)
    if not form.is_valid():
        return again(request, finding, form, now=now)
    try:
        call(finding, form.cleaned_data, now)
    except Stale as stale:
        if repeat(form.cleaned_data).among(stale.since, request.user, now):
            return redirect("finding", finding.ref)
        return again(request, stale.finding, form, refused=stale, now=now)
    except Refused as refused:
        return again(request, finding, form, refused=refused, now=now)
    messages.info(request, done)
    return redirect("finding", finding.ref)


def again(request, finding, form, *, now: datetime, refused: Refused | None = None):
    """The act's page once more, with why it was not done."""
    since = refused.since if isinstance(refused, Stale) else ()
    sentence = words.changed_since(since, request.user) if isinstance(refused, Stale) else str(refused or "")
    possible = workflow.may_from(finding, form.act)
    if sentence:
        form.add_error(None, sentence)
    form.see(finding.version)
    places = dict(Place.objects.depots().values_list("code", "name"))
    context = {
        "form": form,
        "possible": possible,
        "problem": True,
        "heading": words.heading(grading.ruleset(now), finding),
        "finding": finding,
        "since": [words.happening(entry, places=places, reader=request.user, named=True) for entry in since],
        "typed": [] if possible else [(label, text) for label, text in form.typed() if text],
        "back": reverse("finding", args=[finding.ref]),
        "back_words": f"Back to {finding}",
    }
    return render(request, "pages/act_refused.html", context, status=409 if since else 422)


@require_POST
@require("look")
def look(request, ref):
    """Control has looked."""

    def call(finding, values, now):
        workflow.look(finding, version=values["version"], by=request.user, now=now)

    done = "You have looked at this. Next: tell whom it concerns, and plan the work."
    return perform(request, ref, "look", call, done=done, repeat=lambda values: Repeat("looked at", {}))


@require_POST
@require("tell")
def tell(request, ref):
    """Record who was told, how and when."""

    def call(finding, values, now):
        workflow.tell(
            finding,
            version=values["version"],
            by=request.user,
            now=now,
            whom=values["whom"],
            how=values["how"],
            happened=values["when"],
        )

    def repeat(values):
        return Repeat("told", {"whom": values["whom"], "how": values["how"]}, within=SECOND_PRESS)

    return perform(request, ref, "tell", call, done="It is recorded who was told.", repeat=repeat)


@require_POST
@require("raise")
def raise_category(request, ref):
    """Raise the category, equal or higher, with a reason."""

    def call(finding, values, now):
        workflow.raise_category(
            finding, version=values["version"], by=request.user, now=now, to=values["to"], why=values["why"]
        )

    done = "The category was raised."
    return perform(request, ref, "raise", call, done=done, repeat=lambda v: Repeat("raised", {"why": v["why"]}))


@require_POST
@require("plan")
def plan(request, ref):
    """Where and when the work is to be done."""

    def call(finding, values, now):
        workflow.plan(
            finding,
            version=values["version"],
            by=request.user,
            now=now,
            depot=values["depot"],
            since=values["since"],
            shift=values["shift"],
            road=values["road"],
        )

    def repeat(values):
        road = {"road": values["road"]} if values["road"] else {}
        return Repeat("planned", {"depot": values["depot"].code, "since": log.plain(values["since"]), **road})

    return perform(request, ref, "plan", call, done="The work is planned.", repeat=repeat)


@require_POST
@require("take")
def take(request, ref):
    """A fitter takes the job."""

    def call(finding, values, now):
        workflow.take(finding, version=values["version"], by=request.user, now=now)

    done = "This job is yours. Enter the results when the work is done."
    return perform(request, ref, "take", call, done=done, repeat=lambda values: Repeat("taken", {}))


@require_POST
@require("withdraw")
def withdraw(request, ref):
    """The report was made in error."""

    def call(finding, values, now):
        workflow.withdraw(finding, version=values["version"], by=request.user, now=now, why=values["why"])

    done = "Withdrawn. It stays readable."
    return perform(request, ref, "withdraw", call, done=done, repeat=lambda v: Repeat("withdrawn", {"why": v["why"]}))


@require_POST
@require("restrict")
def restrict(request, number):
    """A person's limit on an end or a whole unit."""
    now = timezone.now()
    unit = get_object_or_404(Unit, number=number)
    ends = list(unit.ends.select_related("unit"))
    form = RestrictForm(request.POST, unit=unit, ends=ends, dial_words=grading.ruleset(now).dial_words)
    if not form.is_valid():
        return unit_again(request, unit, form)
    limits, why = form.limits(), form.cleaned_data["limits_why"]
    target = form.target(unit)
    if any(r.limits == limits and r.why == why for r in Restriction.objects.in_force(now).filter(**target)):
        messages.info(request, "This very restriction is in force already.")
        return redirect("unit", unit.number)
    try:
        workflow.restrict(**target, limits=limits, why=why, by=request.user, now=now)
    except Refused as refused:
        form.add_error(None, str(refused))
        return unit_again(request, unit, form)
    messages.info(request, "The restriction is in force. Tell the driver and whom else it concerns.")
    return redirect("unit", unit.number)


@require_POST
@require("lift")
def lift(request, pk):
    """Lift one restriction; the others stay."""
    restriction = get_object_or_404(Restriction.objects.select_related("end__unit", "unit"), pk=pk)
    unit = restriction.end.unit if restriction.end_id else restriction.unit
    form = LiftForm(request.POST, restriction=restriction)
    if not form.is_valid():
        return unit_again(request, unit, form)
    try:
        workflow.lift(restriction, by=request.user, now=timezone.now(), why=form.cleaned_data["why"])
    except Refused as refused:
        if restriction.lifted_by_id == request.user.pk:
            return redirect("unit", unit.number)
        form.add_error(None, str(refused))
        return unit_again(request, unit, form)
    messages.info(request, "The restriction is lifted. Others may still be in force.")
    return redirect("unit", unit.number)


def unit_again(request, unit, form):
    """The form of a unit once more, with why it was not done."""
    context = {
        "form": form,
        "possible": True,
        "heading": f"{unit}: {form.words.lower()}",
        "back": reverse("unit", args=[unit.number]),
        "back_words": f"Back to {unit}",
    }
    return render(request, "pages/act_refused.html", context, status=422)
