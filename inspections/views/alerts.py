"""Weather alerts: entered and ended by control; hoods asked for at exposed ends, and confirmed."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import Q
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleet.models import CouplerEnd, WeatherAlert
from inspections import alerts as acts
from inspections import grading, labels, words
from inspections import hoods as hooded
from inspections.forms.alerts import AlertForm, EndForm, HoodForm
from inspections.models import Isolation
from inspections.permissions import Refused, may, require

OVER_SHOWN = 50


@require_http_methods(["GET", "HEAD", "POST"])
@require("see control")
def alerts(request):
    """What is alerted, was and will be; and, for control, the form that enters one."""
    now = timezone.now()
    known = acts.classes(grading.ruleset(now))
    if request.method != "POST":
        return page(request, AlertForm(classes=known, now=now), known, now)
    if not may(request.user, "alert"):
        raise PermissionDenied("alert")
    form = AlertForm(request.POST, classes=known, now=now)
    if form.is_valid():
        try:
            made = acts.enter(**form.values(), by=request.user, now=now)
        except Refused as refused:
            form.add_error(None, str(refused))
        else:
            at = words.listed(alert.place.name for alert in made)
            messages.info(
                request, f"{known[made[0].weather].capitalize()} is alerted at {at}. Tell whom it concerns."
            )
            return redirect("alerts")
    return page(request, form, known, now, status=422)


def page(request, form, known, now, status=200):
    """The page of alerts around a form."""
    rows = WeatherAlert.objects.select_related("place").order_by("since", "place__name")
    open_rows = list(rows.filter(Q(until=None) | Q(until__gt=now)))
    may_alert = may(request.user, "alert")
    exposed = hooded.exposed(now)
    context = {
        "form": form if may_alert else None,
        "now": now,
        "in_force": [shown(row, known, may_alert, now) for row in open_rows if row.since <= now],
        "to_come": [shown(row, known, may_alert, now) for row in open_rows if row.since > now],
        "over": [
            shown(row, known, False, now) for row in rows.filter(until__lte=now).order_by("-until")[:OVER_SHOWN]
        ],
        "bare": sum(one.confirmed is None for one in exposed),
        "exposed": len(exposed),
    }
    return render(request, "pages/alerts.html", context, status=status)


def shown(row, known, may_end, now) -> dict:
    """One alert, with the form that ends it for whoever may."""
    name = known.get(row.weather, row.weather)
    return {"row": row, "weather": name.capitalize(), "form": EndForm(alert=row, now=now) if may_end else None}


@require_POST
@require("alert")
def end(request, pk):
    """End an alert now, or call it off."""
    now = timezone.now()
    alert = get_object_or_404(WeatherAlert.objects.select_related("place"), pk=pk)
    try:
        ended = acts.end(alert, by=request.user, now=now)
    except Refused as refused:
        messages.warning(request, str(refused))
    else:
        what = "is ended" if ended else "is called off"
        messages.info(request, f"The alert at {alert.place} {what}. Tell whom it concerns.")
    return redirect("alerts")


@require_safe
@require("see work")
def hoods(request):
    """Exposed ends where bad weather is alerted: which hoods are not confirmed."""
    now = timezone.now()
    known = acts.classes(grading.ruleset(now))
    confirming = may(request.user, "isolate")
    rows = [
        {"one": one, "form": HoodForm(end=one.end) if confirming and not one.confirmed else None}
        for one in hooded.exposed(now)
    ]
    context = {
        "bare": [row for row in rows if not row["one"].confirmed],
        "confirmed": [row for row in rows if row["one"].confirmed],
        "weathers": known,
        "may_see_alerts": may(request.user, "see control"),
        "now": now,
    }
    return render(request, "pages/hoods.html", context)


@require_POST
@require("isolate")
def confirm_hood(request, pk):
    """Somebody saw the hood on, or isolated the contacts."""
    now = timezone.now()
    end = get_object_or_404(CouplerEnd.objects.select_related("unit", "pattern"), pk=pk)
    if Isolation.objects.in_force(now).filter(kind=hooded.HOOD).filter(Q(end=end) | Q(unit=end.unit_id)).exists():
        messages.info(request, f"{end}: it is confirmed already.")
        return redirect("hoods")
    form = HoodForm(request.POST, end=end)
    if form.is_valid():
        try:
            labels.isolate(
                kind=hooded.HOOD,
                end=end,
                unit=None,
                where=form.cleaned_data["done"],
                key="",
                by=request.user,
                now=now,
            )
        except Refused as refused:
            form.add_error(None, str(refused))
        else:
            messages.info(request, f"{end}: the hood is confirmed. Have it taken off before the end couples.")
            return redirect("hoods")
    context = {
        "form": form,
        "possible": True,
        "heading": f"{end}: confirm the hood",
        "back": reverse("hoods"),
        "back_words": "Back to the hoods",
    }
    return render(request, "pages/act_refused.html", context, status=422)
