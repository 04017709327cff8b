"""Work cards and shift packs as PDFs."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta

from django.contrib import messages
from django.http import Http404, HttpResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_POST, require_safe

from fleet.models import Place
from inspections import cards
from inspections.handover import Shift, shift_of
from inspections.models import Visit
from inspections.permissions import require
from inspections.views.work import depot_asked

YEAR = timedelta(days=366)
SECONDS_A_CARD = 0.15  # what the page says beforehand; `tests/long pack` measures it


@require_POST
@require("print card")
def card(request, pk, letter):
    """One end at one visit, all its open findings there. A POST: every print is logged."""
    visit = get_object_or_404(Visit.objects.select_related("unit", "depot"), pk=pk)
    try:
        printed = cards.print_card(visit, letter, by=request.user, now=timezone.now(), host=host_of(request))
    except cards.NothingToPrint as nothing:
        raise Http404(str(nothing)) from nothing
    return pdf(printed.pdf, f"card-{visit.unit.number}-{letter}.pdf")


@require_safe
@require("print card")
def pack(request):
    """What a depot's pack of one shift will hold, and the button that makes it."""
    now = timezone.now()
    depots = list(Place.objects.depots())
    depot = depot_asked(request, depots)
    if depot is None:
        return render(request, "pages/pack.html", {"depot": None, "now": now})
    offered = cards.shifts_of(depot, now)
    shift = shift_meant(request.GET, now) or offered[0]
    jobs = cards.jobs_of(depot, shift)
    count = len(cards.cards_in(jobs))
    context = {
        "depot": depot,
        "depots": depots,
        "shift": shift,
        "shifts": offered,
        "jobs": len(jobs),
        "carried": sum(job.visit.since < shift.begins for job in jobs),
        "count": count,
        "seconds": max(1, round(count * SECONDS_A_CARD)),
        "last": cards.last_pack(depot),
        "now": now,
    }
    return render(request, "pages/pack.html", context)


@require_POST
@require("print card")
def pack_pdf(request):
    """The pack. A POST: it and every card in it are logged. With `progress` it says how far it is meanwhile."""
    now = timezone.now()
    depot = Place.objects.depots().filter(code=request.POST.get("depot", "")).first()
    shift = shift_meant(request.POST, now)
    if not depot or not shift:
        messages.error(request, "Choose the depot and the shift, then make the pack. Nothing was printed.")
        return redirect("pack")
    printed = cards.print_pack(depot, shift, by=request.user, now=now, host=host_of(request))
    if request.POST.get("progress"):
        # Encoded as it is, or the lines would wait for each other to be squeezed.
        headers = {"Content-Encoding": "identity"}
        return StreamingHttpResponse(told(printed), content_type="application/octet-stream", headers=headers)
    return pdf(cards.finished(printed), f"pack-{depot.code}-{shift.day}-{shift.code}.pdf")


def told(printed: cards.PackPrinted) -> Iterator[bytes]:
    """A line "done total" after each step, then "pdf length" and the PDF."""
    steps = printed.steps
    while True:
        try:
            yield f"{next(steps)} {printed.total}\n".encode()
        except StopIteration as end:
            yield f"pdf {len(end.value)}\n".encode()
            yield end.value
            return


def shift_meant(said, now: datetime) -> Shift | None:
    """The shift that `day` and `shift` name, at most a year off; None where they name none."""
    code = said.get("shift", "")
    try:
        day = date.fromisoformat(said.get("day", ""))
    except ValueError:
        return None
    near = abs(day - timezone.localdate(now)) <= YEAR
    return shift_of(code, day) if near and code in Visit.Shift.values else None


def host_of(request) -> str:
    """ "https://HOST" for the short links."""
    return f"{request.scheme}://{request.get_host()}"


def pdf(data: bytes, name: str) -> HttpResponse:
    """The PDF, to be looked at in the browser."""
    response = HttpResponse(data, content_type="application/pdf")
    response.headers["Content-Disposition"] = content_disposition_header(as_attachment=False, filename=name)
    return response
