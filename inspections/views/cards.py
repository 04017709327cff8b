"""The work card as a PDF."""

from __future__ import annotations

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_POST

from inspections import cards
from inspections.models import Visit
from inspections.permissions import require


@require_POST
@require("print card")
def card(request, pk, letter):
    """One end at one visit, all its open findings there. A POST: every print is logged."""
    visit = get_object_or_404(Visit.objects.select_related("unit", "depot"), pk=pk)
    host = f"{request.scheme}://{request.get_host()}"
    try:
        printed = cards.print_card(visit, letter, by=request.user, now=timezone.now(), host=host)
    except cards.NothingToPrint as nothing:
        raise Http404(str(nothing)) from nothing
    response = HttpResponse(printed.pdf, content_type="application/pdf")
    name = f"card-{visit.unit.number}-{letter}.pdf"
    response.headers["Content-Disposition"] = content_disposition_header(as_attachment=False, filename=name)
    return response
