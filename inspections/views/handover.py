"""Control's handover: one page to read, to print and to talk over."""

from __future__ import annotations

from datetime import date, timedelta

from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from inspections import handover as handed
from inspections.models import Visit
from inspections.permissions import require

LONG_AGO = timedelta(days=366)


@require_safe
@require("see control")
def handover(request):
    """What is open, promised and about to end; the shift that is on, or the one asked for."""
    now = timezone.now()
    current = handed.shift_at(now)
    shift = asked_for(request, now) or current
    shifts = [current]
    for _ in range(handed.EARLIER):
        shifts.append(handed.before(shifts[-1]))
    told = handed.handover(shift, reader=request.user, now=now)
    context = {"shift": shift, "shifts": shifts, "told": told, "now": now, "lines": range(8)}
    return render(request, "pages/handover.html", context)


def asked_for(request, now):
    """The shift the address names; None where it names none, or one that cannot be."""
    code = request.GET.get("shift", "")
    try:
        day = date.fromisoformat(request.GET.get("day", ""))
    except ValueError:
        return None
    today = timezone.localdate(now)
    if code not in Visit.Shift.values or not today - LONG_AGO <= day <= today:
        return None
    return handed.shift_of(code, day)
