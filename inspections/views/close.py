"""Closing out and checking: what was found, what is signed, the signature; then the second person's."""

from __future__ import annotations

from django.contrib import messages
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from fleet.models import Place
from inspections import grading, happened, lowering, words, workflow
from inspections.forms.acts import CheckForm
from inspections.forms.close import NOT_FOUND, CloseForm, FoundForm, SignForm, refusal
from inspections.permissions import Refused, require
from inspections.views import keeping
from inspections.views.findings import finding_meant
from inspections.workflow import Stale

NOT_NOW = {
    "reported": "Control has not looked at this yet, so it cannot be closed out.",
    "acknowledged": "Take this job first, then enter the results.",
    "planned": "Take this job first, then enter the results.",
}


def page(request, template, finding, *, now, status=200, **context):
    """One of the pages of this file, with what all of them show."""
    heading = words.heading(grading.ruleset(now), finding)
    line = words.lines([finding], grading.ruleset(now), now)[0]
    problem = status != 200
    context |= {"finding": finding, "heading": heading, "line": line, "problem": problem}
    return render(request, template, context, status=status)


def not_now(request, finding):
    """Back to the finding, with why this cannot be done in its state."""
    words_ = NOT_NOW.get(finding.state, f"This finding is {finding.state}; this is not possible now.")
    messages.warning(request, words_)
    return redirect("finding", finding.ref)


def changed(request, stale):
    """What was logged meanwhile, in words."""
    places = dict(Place.objects.depots().values_list("code", "name"))
    return [words.happening(entry, places=places, reader=request.user, named=True) for entry in stale.since]


@require_http_methods(["GET", "HEAD", "POST"])
@require("close")
def close(request, ref):
    """GET: what was found, then the entries. POST `step`: check (show what is signed), change, or sign."""
    now = timezone.now()
    finding, rules = finding_meant(ref), grading.ruleset(now)
    source = request.POST if request.method == "POST" else request.GET
    question = FoundForm({"found": source.get("found", "")}, finding=finding, rules=rules)
    if request.method != "POST" and not workflow.may_from(finding, "close"):
        return not_now(request, finding)
    if not question.is_valid():
        asked = question if "found" in source else FoundForm(finding=finding, rules=rules)
        status = 422 if "found" in source else 200
        return page(request, "pages/close.html", finding, now=now, status=status, found=asked)
    chosen = question.cleaned_data["found"]
    if request.method != "POST":
        more = {"rows": request.GET.get("rows", "")}
        form = CloseForm(finding=finding, rules=rules, found=chosen, today=timezone.localdate(now), initial=more)
        return page(request, "pages/close.html", finding, now=now, form=form, chosen=chosen_words(rules, chosen))
    return entered(request, finding, rules, chosen, now)


def chosen_words(rules, chosen):
    """What was found, in words."""
    return "No fault found" if chosen == NOT_FOUND else words.mode(rules, chosen)


def entered(request, finding, rules, chosen, now):
    """The posted entries: shown again (with one part more), shown as what is signed, or signed."""
    today = timezone.localdate(now)
    form = CloseForm(request.POST, finding=finding, rules=rules, found=chosen, today=today)
    step = request.POST.get("step", "check")
    if step in ("change", "more"):
        given = request.POST.dict() | ({"rows": form.row_count + 1} if step == "more" and form.confirmed else {})
        form = CloseForm(finding=finding, rules=rules, found=chosen, today=today, initial=given)
    if step in ("change", "more") or not form.is_valid():
        if "version" in form.errors:
            form.see(finding.version)
        status = 200 if step in ("change", "more") else 422
        words_ = chosen_words(rules, chosen)
        return page(request, "pages/close.html", finding, now=now, status=status, form=form, chosen=words_)
    sign = SignForm(request.POST if step == "sign" else None)
    since, status = (), 200
    if step == "sign":
        status = 422
        try:
            if sign.is_valid():
                return keeping.done(request, signed(request, finding, form, sign, now), f"close-{finding.ref}")
        except Stale as stale:
            if any(e.kind == "signed" and e.actor_id == request.user.pk for e in stale.since):
                return redirect("finding", finding.ref)
            form.see(stale.finding.version)
            sign.add_error(None, words.changed_since(stale.since, request.user))
            finding, since, status = stale.finding, changed(request, stale), 409 if stale.since else 422
        except Refused as refused:
            refusal(sign, refused)
    return page(
        request,
        "pages/close.html",
        finding,
        now=now,
        status=status,
        sign=sign,
        copies=form.copies(),
        summary=form.summary(),
        since=since,
        possible=workflow.may_from(finding, "close"),
    )


def signed(request, finding, form, sign, now):
    """Sign the work, and say what follows."""
    close_out = workflow.close_out(
        finding,
        version=form.cleaned_data["version"],
        by=request.user,
        now=now,
        password=sign.cleaned_data["password"],
        work=form.work(),
    )
    after = "A second person must check it before it is closed." if close_out.check_needed else "It is closed."
    messages.info(request, f"Signed at {words.clock(now)}: {close_out.outcome}. {after}")
    return redirect("finding", finding.ref)


@require_http_methods(["GET", "HEAD", "POST"])
@require("check")
def check(request, ref):
    """The second person reads what was signed, looks at the work, and signs."""
    now = timezone.now()
    finding = finding_meant(ref)
    close_out = happened.close_out_of(finding)
    if request.method != "POST":
        if not workflow.may_from(finding, "check"):
            return not_now(request, finding)
        form = CheckForm(finding=finding, now=now, primary=True)
        return check_page(request, finding, close_out, form, now=now)
    form = CheckForm(request.POST, finding=finding, now=now, primary=True)
    if not form.is_valid():
        form.see(finding.version)
        return check_page(request, finding, close_out, form, now=now, status=422)
    since, status = (), 422
    try:
        workflow.check(
            finding,
            version=form.cleaned_data["version"],
            by=request.user,
            now=now,
            password=form.cleaned_data["password"],
        )
        messages.info(request, f"Checked and signed at {words.clock(now)}. It is closed.")
        return redirect("finding", finding.ref)
    except Stale as stale:
        if any(e.kind == "checked" and e.actor_id == request.user.pk for e in stale.since):
            return redirect("finding", finding.ref)
        form.see(stale.finding.version)
        form.add_error(None, words.changed_since(stale.since, request.user))
        finding, since, status = stale.finding, changed(request, stale), 409 if stale.since else 422
    except Refused as refused:
        refusal(form, refused)
    return check_page(request, finding, close_out, form, now=now, status=status, since=since)


def check_page(request, finding, close_out, form, *, now, status=200, since=()):
    """What was signed, and the form to sign the check; no form for the one who did the work."""
    rules = grading.ruleset(now)
    return page(
        request,
        "pages/check.html",
        finding,
        now=now,
        status=status,
        form=form,
        signed=happened.signed(close_out, rules, now, reader=request.user, named=True),
        own=close_out is not None and close_out.by_id == request.user.pk,
        examined=lowering.last_by(finding) == request.user.pk,
        possible=workflow.may_from(finding, "check"),
        since=since,
    )
