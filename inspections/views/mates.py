"""The ends somebody is asked to look at."""

from __future__ import annotations

from django.core.paginator import Paginator
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from inspections import asked
from inspections.permissions import require

PAGE = 50


@require_safe
@require("see control")
def mates(request):
    """Every look that is asked for and not answered, the longest waiting first."""
    now = timezone.now()
    page = Paginator(asked.ends_waiting(), PAGE).get_page(request.GET.get("page"))
    context = {"page": page, "rows": asked.waiting([row["end"] for row in page], now), "now": now}
    return render(request, "pages/mates.html", context)
