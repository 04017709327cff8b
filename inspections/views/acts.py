"""Acts on a finding: each its own address, POST only, one call that acts.

What is refused comes back as a page with the sentence, what changed meanwhile and everything that was typed:
422 for what is not allowed or not filled in, 409 where somebody else was first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.contrib import messages
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet.models import Place
from inspections import grading, log, words, workflow
from inspections.forms.acts import FORMS
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
    form = FORMS[act](request.POST, finding=finding_meant(ref), now=now, primary=True)
    return act_on(request, form, call, done=done, repeat=repeat)


@dataclass(frozen=True, slots=True)
class Page:
    """The page of an act: its template, and what that shows of the finding besides the form."""

    template: str = "pages/act_refused.html"
    about: Callable = lambda finding: {}


PLAIN = Page()


def act_on(request, form, call, *, done, repeat, page: Page = PLAIN, then="finding"):
    """The same with a form that is made already. `then` is the address it leads on to."""
    finding, now = form.finding, form.now
    if not form.is_valid():
        return again(request, finding, form, now=now, page=page)
    try:
        call(finding, form.cleaned_data, now)
    except Stale as stale:
        if repeat(form.cleaned_data).among(stale.since, request.user, now):
            return redirect(then, finding.ref)
        return again(request, stale.finding, form, refused=stale, now=now, page=page)
    except Refused as refused:
        return again(request, finding, form, refused=refused, now=now, page=page)
    messages.info(request, done)
    return redirect(then, finding.ref)


def again(request, finding, form, *, now: datetime, refused: Refused | None = None, page: Page = PLAIN):
    """The act's page once more, with why it was not done."""
    since = refused.since if isinstance(refused, Stale) else ()
    sentence = words.changed_since(since, request.user) if isinstance(refused, Stale) else str(refused or "")
    if sentence:
        form.add_error(None, sentence)
    form.see(finding.version)
    return render(
        request,
        page.template,
        {
            **context(request, finding, form, page),
            "problem": True,
            "since": happenings(since, request.user),
        },
        status=409 if since else 422,
    )


def happenings(entries, reader):
    """Log entries in words, for those who may see names."""
    places = dict(Place.objects.depots().values_list("code", "name"))
    return [words.happening(entry, places=places, reader=reader, named=True) for entry in entries]


def asked(request, form, page: Page):
    """The page of an act before anything is sent."""
    return render(request, page.template, context(request, form.finding, form, page))


def context(request, finding, form, page: Page) -> dict:
    """What the page of an act shows."""
    possible = workflow.may_from(finding, form.act)
    return {
        "form": form,
        "possible": possible,
        "heading": words.heading(grading.ruleset(form.now), finding),
        "line": words.lines([finding], grading.ruleset(form.now), form.now)[0],
        "finding": finding,
        "typed": [] if possible or not form.is_bound else [(label, text) for label, text in form.typed() if text],
        "back": reverse("finding", args=[finding.ref]),
        "back_words": f"Back to {finding}",
        "now": form.now,
        **page.about(finding),
    }


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
