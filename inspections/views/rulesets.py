"""Rulesets: the list, one of them, two compared; bringing one in, trying it, putting it in force."""

from datetime import datetime

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from inspections import grading, regrading, what_if, words
from inspections import rulesets as house
from inspections.forms.rules import CandidateForm, PutInForceForm, refusal
from inspections.grading import RulesetError
from inspections.models import RuleSet
from inspections.permissions import Refused, may, require
from inspections.rules.facts import CATEGORIES

MOST_IN_PAGE = 10_000  # findings a page may grade while somebody waits; more is for the command


def meant(digest):
    """The ruleset of this name, or 404."""
    named = RuleSet.objects.select_related("by").filter(sha256__startswith=digest)
    row = named.first() if len(digest) == house.SHORT else None
    if row is None:
        raise Http404("no such ruleset")
    return row


@require_safe
@require("see rules")
def rulesets(request):
    """The one in force, the candidates, the past ones; a form to bring one in for an engineer."""
    form = CandidateForm() if may(request.user, "own rules") else None
    return list_page(request, form)


def list_page(request, form, status=200):
    now = timezone.now()
    current = grading.in_force(now)
    rows = list(RuleSet.objects.select_related("by").defer("text"))
    context = {
        "current": next(row for row in rows if row.pk == current.pk),
        "rules": grading.parsed(current.text),
        "past": [row for row in rows if row.in_force_from and row.pk != current.pk],
        "candidates": [row for row in rows if not row.in_force_from],
        "form": form,
        "named": may(request.user, "see words"),
    }
    return render(request, "pages/rulesets.html", context, status=status)


@require_POST
@require("own rules")
def candidate(request):
    """Check a document and keep it as a candidate."""
    form = CandidateForm(request.POST, request.FILES)
    if not form.is_valid():
        return list_page(request, form, 422)
    text, why = form.cleaned_data["document"], form.cleaned_data["why"]
    try:
        row = house.bring(text, by=request.user, reason=why, now=timezone.now())
    except RulesetError as error:
        form.add_error("document", refusal(error))
        return list_page(request, form, 422)
    except Refused as refused:
        form.add_error(None, str(refused))
        return list_page(request, form, 422)
    messages.info(request, "The logbook keeps this ruleset as a candidate. It is not in force.")
    return redirect("ruleset", house.short(row))


@require_safe
@require("see rules")
def ruleset(request, digest):
    """One ruleset: what it says, what it would change, and the act that puts it in force."""
    row = meant(digest)
    form = PutInForceForm(row=row) if may(request.user, "own rules") else None
    return ruleset_page(request, row, form)


def ruleset_page(request, row, form, status=200):
    now = timezone.now()
    current = grading.in_force(now)
    against = house.why_not_now(row, now)
    context = {
        "row": row,
        "short": house.short(row),
        "rules": grading.parsed(row.text),
        "current": row.pk == current.pk,
        "candidate": row.in_force_from is None,
        "waiting": regrading.waiting(row).count() if row.pk == current.pk else 0,
        "against": against,
        "stale": bool(row.what_if) and row.what_if["against"] != current.sha256 and row.in_force_from is None,
        "form": form,
        "named": may(request.user, "see words"),
        "effect": effect(row.what_if) if row.what_if else None,
    }
    return render(request, "pages/ruleset.html", context, status=status)


def effect(found):
    """A stored what-if as rows of tables."""
    groups = [found[what_if.OPEN], found[what_if.PAST]]
    steps = [{(before, after): count for before, after, count in group["steps"]} for group in groups]
    return {
        "made": datetime.fromisoformat(found["made"]),
        "since": datetime.fromisoformat(found["since"]),
        "days": found["days"],
        "against": found["against"][: house.SHORT],
        "findings": [group["findings"] for group in groups],
        "changes": [(said, *(g["changes"][kind] for g in groups)) for kind, said in what_if.CHANGES.items()],
        "steps": [
            (CATEGORIES[before], CATEGORIES[after], *(group.get((before, after), 0) for group in steps))
            for before, after in sorted({step for group in steps for step in group})
        ],
        "dials": [
            (dial, *counts)
            for dial in groups[0]["dials"]
            if any(counts := [n for g in groups for n in g["dials"][dial]])
        ],
        "examples": [
            (what_if.CHANGES[kind], refs)
            for kind in what_if.SHOWN_BY_EXAMPLE
            if (refs := [ref for group in groups for ref in group["examples"][kind]])
        ],
    }


@require_safe
@require("see rules")
def document(request, digest):
    """The document itself, byte for byte, as a file."""
    row = meant(digest)
    response = HttpResponse(row.text, content_type="text/plain; charset=utf-8")
    response.headers["Content-Disposition"] = f'attachment; filename="ruleset-{house.short(row)}.toml"'
    return response


@require_safe
@require("see rules")
def compare(request, digest):
    """Its text beside another one's: the one named by `with`, else the one in force, else the one before it."""
    row, now = meant(digest), timezone.now()
    other = meant(request.GET["with"]) if request.GET.get("with") else grading.in_force(now)
    if other.pk == row.pk:
        before = RuleSet.objects.filter(in_force_from__lt=row.in_force_from or now).exclude(pk=row.pk)
        other = before.order_by("-in_force_from").first()
    context = {"row": row, "short": house.short(row), "other": other}
    if other is not None:
        lines, more = house.compared(other.text, row.text)
        context |= {"other_short": house.short(other), "lines": lines, "more": more}
    return render(request, "pages/compare.html", context)


@require_POST
@require("own rules")
def try_out(request, digest):
    """Work out what a candidate would change."""
    row = meant(digest)
    try:
        house.try_out(row, by=request.user, now=timezone.now(), most=MOST_IN_PAGE)
    except RulesetError as error:
        return refused_page(request, row, refusal(error))
    except Refused as refused:
        return refused_page(request, row, str(refused))
    messages.info(request, "Worked out what this ruleset would change. Read it before you decide.")
    return redirect("ruleset", house.short(row))


def refused_page(request, row, sentence):
    """The ruleset once more, with why it was not tried."""
    form = PutInForceForm({}, row=row)
    form.errors.clear()
    form.add_error(None, sentence)
    return ruleset_page(request, row, form, 422)


@require_POST
@require("own rules")
def put_in_force(request, digest):
    """Put a candidate in force; pressed twice it is done once."""
    row, now = meant(digest), timezone.now()
    form = PutInForceForm(request.POST, row=row)
    if not form.is_valid():
        return ruleset_page(request, row, form, 422)
    said = form.cleaned_data
    try:
        done = house.put_in_force(
            row,
            seen=said["seen"],
            password=said["password"],
            reason=said["why"],
            by=request.user,
            now=now,
            most=MOST_IN_PAGE,
        )
    except (Refused, RulesetError) as refused:
        row = meant(digest)
        if row.in_force_from and row.by_id == request.user.pk and row.pk == grading.in_force(now).pk:
            return redirect("ruleset", digest)
        form.add_error(None, str(refused))
        return ruleset_page(request, row, form, 409 if isinstance(refused, house.Overtaken) else 422)
    changed = f"Open findings graded anew: {done.graded}; with another worst category: {done.changed}."
    messages.info(request, f"In force since {words.clock(now)}. {changed}")
    return redirect("ruleset", digest)
