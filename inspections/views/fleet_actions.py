"""Fleet actions: the list, one, start, done at an end, end."""

from __future__ import annotations

from datetime import timedelta

from django.contrib import messages
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inspections import fleet_actions, grading
from inspections.forms.fleet_actions import DoneForm, EndForm, StartForm
from inspections.history import figures
from inspections.models import FleetAction, FleetActionItem
from inspections.permissions import Refused, may, require

ENDED_SHOWN = timedelta(days=365)


@require_safe
@require("see recurring")
def actions(request):
    """What is going on, how far it is, and whether it works."""
    now = timezone.now()
    told = fleet_actions.between(now - ENDED_SHOWN, now, figures.figures(figures.cut_off_before(now)))
    context = {
        "open": [one for one in told if one.action.ended is None],
        "ended": [one for one in told if one.action.ended is not None],
        "warning": fleet_actions.REGRESSION,
        "may_start": may(request.user, "start fleet action"),
        "today": timezone.localdate(now),
        "now": now,
    }
    return render(request, "actions/list.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@require("start fleet action")
def new(request):
    """Start one; ends named in the address are filled in."""
    now = timezone.now()
    rules = grading.ruleset(now)
    if request.method != "POST":
        given = {name: request.GET.get(name, "") for name in ("on", "component")}
        return render(request, "actions/new.html", {"form": StartForm(rules=rules, initial=given)})
    form = StartForm(request.POST, rules=rules)
    if form.is_valid():
        try:
            action = fleet_actions.start(**form.cleaned_data, by=request.user, now=now)
        except Refused as refused:
            form.add_error("on", str(refused))
        else:
            messages.info(request, "The action is started.")
            return redirect("action", action.pk)
    return render(request, "actions/new.html", {"form": form}, status=422)


@require_safe
@require("see work")
def action(request, pk):
    """One action: where it is done, where not yet, and its effect."""
    row = get_object_or_404(FleetAction.objects.select_related("by", "ended_by"), pk=pk)
    return page(request, row, EndForm(action=row))


def page(request, row: FleetAction, form, status=200):
    """The page of one action around the form that ends it."""
    now = timezone.now()
    rules = grading.ruleset(now)
    doing = may(request.user, "do fleet action") and row.ended is None
    items = list(row.items.select_related("end__unit", "coupler", "done_by"))
    first = next((item for item in items if doing and not item.done), None)
    told = figures.figures(figures.cut_off_before(now)) if may(request.user, "see recurring") else None
    component = rules.components.get(row.component)
    context = {
        "action": row,
        "part": component.name if component else row.component,
        "items": [
            {"row": item, "form": DoneForm(item=item, first=item is first) if doing and not item.done else None}
            for item in items
        ],
        "first": first,
        "effect": fleet_actions.effect(row, told) if told else "",
        "warning": fleet_actions.REGRESSION,
        "form": form if may(request.user, "start fleet action") and row.ended is None else None,
    }
    return render(request, "actions/action.html", context, status=status)


@require_POST
@require("do fleet action")
def done(request, pk):
    """It is done at one end or coupler."""
    item = get_object_or_404(FleetActionItem.objects.select_related("action", "end__unit", "coupler"), pk=pk)
    try:
        fleet_actions.do(item, by=request.user, now=timezone.now())
    except Refused as refused:
        messages.warning(request, str(refused))
    else:
        messages.info(request, f"{item.end or item.coupler}: recorded as done.")
    return redirect(reverse("action", args=[item.action_id]))


@require_POST
@require("start fleet action")
def end(request, pk):
    """End an action."""
    row = get_object_or_404(FleetAction.objects.select_related("by", "ended_by"), pk=pk)
    form = EndForm(request.POST, action=row)
    if form.is_valid():
        try:
            fleet_actions.end(row, why=form.cleaned_data["why"], by=request.user, now=timezone.now())
        except Refused as refused:
            messages.warning(request, str(refused))
        else:
            messages.info(request, "The action is ended. Its effect is counted on.")
        return redirect("action", row.pk)
    return page(request, row, form, status=422)
