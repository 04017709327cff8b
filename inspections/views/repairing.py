"""Found and repaired in one visit: three questions of one form; signing saves it all, nothing before it."""

from __future__ import annotations

from uuid import uuid4

from django.contrib import messages
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from fleet.models import Unit
from inspections import deferring, grading, repairing, words
from inspections.forms.close import SignForm, refusal
from inspections.forms.repairing import CARRIED, RepairedForm, WhereForm, WhichForm
from inspections.models import Finding
from inspections.permissions import Refused, require
from inspections.views import keeping

SHOWN = 12  # open reports of the unit that the page names first


@require_http_methods(["GET", "HEAD", "POST"])
@require("repair at once")
def repaired(request, number):
    """GET: where and what, then which fault, then the entries. POST `step`: check, change, more, or sign."""
    now = timezone.now()
    unit = get_object_or_404(Unit, number=number.upper())
    rules = grading.ruleset(now)
    source = request.POST if request.method == "POST" else request.GET
    asked = {"rules": rules, "action": reverse("repaired", args=[unit.number])}
    ends = unit.ends.select_related("pattern", "unit")
    where = WhereForm(source if "sign" in source else None, unit=unit, ends=ends, **asked)
    if not where.is_valid():
        return question(request, unit, where, now)
    finding = where.finding()
    which = WhichForm(source, finding=finding, **asked)
    if not which.is_valid():
        said = {name: source[name] for name in CARRIED}
        shown = which if "found" in source else WhichForm(finding=finding, initial=said, **asked)
        return question(request, unit, shown, now, finding)
    return entries(request, unit, finding, which.cleaned_data["found"], rules, now)


def question(request, unit, form, now, finding=None):
    """One of the questions before the entries; 422 where its answer is none."""
    return page(request, unit, now, finding, status=422 if form.errors else 200, question=form)


def page(request, unit, now, finding, status=200, **more):
    """The page with what is open on the unit already: a fault that was reported is closed there."""
    rules = grading.ruleset(now)
    here = Finding.objects.open().filter(unit=unit).worst_first().for_list()[:SHOWN]
    context = {"unit": unit, "now": now, "problem": status == 422, "here": deferring.lines(here, rules, now)}
    if finding is not None:
        context |= {"part": words.part(rules, finding), "saw": words.symptom(rules, finding.symptom)}
        context |= {"end_words": finding.end_words}
    return render(request, "pages/repaired.html", context | more, status=status)


def entries(request, unit, finding, found, rules, now):
    """The entries: empty, shown again, shown as what is signed, or signed."""
    fit = {"finding": finding, "rules": rules, "found": found, "today": timezone.localdate(now)}
    context = {"chosen": words.mode(rules, found)}
    if request.method != "POST":
        said = {"uuid": uuid4(), "rows": request.GET.get("rows", "")}
        said |= {name: request.GET[name] for name in CARRIED}
        return page(request, unit, now, finding, form=RepairedForm(initial=said, **fit), **context)
    form, step = RepairedForm(request.POST, **fit), request.POST.get("step", "check")
    if step in ("change", "more"):
        given = request.POST.dict() | ({"rows": form.row_count + 1} if step == "more" else {})
        return page(request, unit, now, finding, form=RepairedForm(initial=given, **fit), **context)
    if not form.is_valid():
        return page(request, unit, now, finding, status=422, form=form, **context)
    sign = SignForm(request.POST if step == "sign" else None)
    try:
        if step == "sign" and sign.is_valid():
            return keeping.done(request, signed(request, unit, finding, form, sign, now), f"repaired-{unit.number}")
    except Refused as refused:
        refusal(sign, refused)
    status = 422 if step == "sign" else 200
    copies, summary = form.copies(), form.summary()
    return page(request, unit, now, finding, status=status, sign=sign, copies=copies, summary=summary, **context)


def signed(request, unit, finding, form, sign, now):
    """Sign it all, and lead to the finding it became."""
    said = form.cleaned_data
    fault = repairing.Fault(said["uuid"], unit, finding.end, said["situation"], finding.slot, finding.symptom)
    close_out = repairing.found_and_repaired(
        fault, by=request.user, now=now, password=sign.cleaned_data["password"], work=form.work()
    )
    after = "A second person must check it before it is closed." if close_out.check_needed else "It is closed."
    messages.info(request, f"Reported and signed at {words.clock(now)}: {close_out.outcome}. {after}")
    return redirect("finding", close_out.finding.ref)
