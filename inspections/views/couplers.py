"""One coupler: where it is and was, its slots, what is in them and what was."""

from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from fleet.models import Coupler
from inspections import grading, part_history
from inspections.permissions import DRIVER, groups_of, require


@require_safe
@require("see standing")
def coupler(request, serial):
    """Its places, its slots with the lives of their parts, its open findings."""
    now = timezone.now()
    found = get_object_or_404(Coupler.objects.select_related("pattern"), serial__iexact=serial)
    told = part_history.history(found, grading.ruleset(now), now)
    context = {"told": told, "driver": DRIVER in groups_of(request.user), "now": now}
    return render(request, "pages/coupler.html", context)
