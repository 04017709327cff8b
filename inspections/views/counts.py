"""The counts that control's open pages keep fresh, as JSON."""

from __future__ import annotations

from django.http import JsonResponse
from django.template.loader import render_to_string
from django.utils import timezone
from django.views.decorators.http import require_safe

from inspections import words
from inspections.counts import counts as counted
from inspections.permissions import require


@require_safe
@require("see control")
def counts(request):
    """What waits for control, and the strip as it reads now; `clock` says as of when."""
    now = timezone.now()
    found = counted(now)
    said = {"unlooked": found.pop("unlooked"), "stale": found.pop("stale")}
    strip = render_to_string("_control_strip.html", said)
    return JsonResponse({"at": now, "clock": words.clock(now), "strip": strip, **found})
