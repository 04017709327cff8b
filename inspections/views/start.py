"""S1: where a driver begins. Everybody else is led to their own first page."""

import json

from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from fleet.models import Unit
from inspections import case, grading, receipts, standing
from inspections.models import Finding
from inspections.permissions import CONTROLLER, DRIVER, FITTER, MANAGER, groups_of, require
from inspections.views import today

FIRST_PAGE = {CONTROLLER: "new-reports", FITTER: "work", MANAGER: "recurring"}
NEWEST = 3


@require_safe
@require("report")
def start(request):
    """Today's unit with its standing, *Report damage*, the newest reports."""
    held = groups_of(request.user)
    if DRIVER not in held:
        return redirect(next(page for role, page in FIRST_PAGE.items() if role in held))
    now = timezone.now()
    rules = grading.ruleset(now)
    number = today.number(request)
    unit = Unit.objects.filter(number=number).select_related("type").first() if number else None
    known = standing.of_units([unit], now)[unit.pk].ends if unit else ()
    context = {
        "number": number,
        "unit": unit,
        "standings": [case.standing_words(end, rules) | {"letter": end.end.letter} for end in known],
        "now": now,
        "open": Finding.objects.open().filter(unit=unit).count() if unit else 0,
        "newest": receipts.sent(receipts.of_person(request.user)[:NEWEST], rules, now),
        "cautions": today.cautions(rules),
        "recent": json.dumps(today.recent(request)),
    }
    return render(request, "pages/start.html", context)
