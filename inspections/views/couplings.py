"""Couplings: the six-tap record of a driver, and the import of a file."""

from __future__ import annotations

import json
from hashlib import sha256

from django.contrib import messages
from django.db import IntegrityError, OperationalError
from django.http import JsonResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from fleet.coupling_rows import NEEDED, OPTIONAL
from fleet.models import Place
from inspections import bodies, couplings, intake
from inspections.forms.couplings import MOST_ROWS, CouplingForm, ImportForm, fresh, page_context, shell_context
from inspections.forms.report import as_bytes
from inspections.models import Submission
from inspections.permissions import require
from inspections.views import today
from inspections.views.phone import for_nobody, spoken
from inspections.views.reports import is_uuid, tidy

CHECKED = "couplings checked"  # session: key of the file that was found good


@require_http_methods(["GET", "HEAD", "POST"])
@require("report")
def coupling_new(request):
    """Coupled, parted, could not couple: at which end, with whom, how far. The same post again records nothing."""
    now = timezone.now()
    if request.method != "POST":
        number = tidy(request.GET["unit"]) if "unit" in request.GET else today.number(request)
        return page(request, form_for(request, None, number, now, initial=fresh(now) | {"unit": number}))
    data = with_ids(request.POST, now)
    form = form_for(request, data, tidy(data.get("unit", "")), now)
    if not form.is_valid():
        return page(request, form, status=422)
    return send(request, form, now)


def form_for(request, data, number, now, **kwargs) -> CouplingForm:
    """The form with what is known of the unit's mates and the person's recent units."""
    known = {"mates": couplings.mates_of(number, now), "offered": today.recent(request)}
    return CouplingForm(data, number=number, places=Place.objects.all(), **known, **kwargs)


def with_ids(posted, now):
    """Posted answers whose id and time can be relied on."""
    data, new = posted.copy(), fresh(now)
    if not is_uuid(data.get("id", "")):
        data["id"] = str(new["id"])
    made, _ = bodies.instant(data.get("made"))
    if made is None or made > now + bodies.AHEAD:
        data["made"] = new["made"]
    return data


def page(request, form, status=200):
    """The page; `known` is for its script."""
    known = json.dumps({"unit": form.of, "mates": form.mates})
    return render(request, "pages/coupling_new.html", page_context(form, known=known), status=status)


def send(request, form, now):
    """By the same door as every report, then its receipt."""
    receipt = intake.receive(
        raw=as_bytes(form.body(request.user.pk)),
        submitted_by=request.user,
        channel=Submission.Channel.PAGE,
        received=now,
    )
    if receipt.status == 400:
        form.add_error(None, receipt.words)
        return page(request, form, status=422)
    if receipt.words:
        messages.warning(request, receipt.words)
    today.remember(request, form.cleaned_data["unit"])
    return redirect("receipt", uuid=receipt.id)


@require_safe
@for_nobody
def coupling_shell(request):
    """The page for any unit, as the phone keeps it."""
    return render(request, "pages/coupling_new.html", shell_context())


@require_safe
@spoken("see standing")
def known_mates(request):
    """What the ends of a unit are recorded as coupled to, for the phone's page: {"unit", "mates": {"A": "305 B"}}."""
    number = tidy(request.GET.get("unit", ""))
    return JsonResponse({"unit": number, "mates": couplings.mates_of(number, timezone.now())})


@require_http_methods(["GET", "HEAD", "POST"])
@require("import")
def couplings_import(request):
    """A file is checked first. Only the very file that was checked is imported, and once."""
    now = timezone.now()
    if request.method != "POST":
        return import_page(request, ImportForm())
    form = ImportForm(request.POST, request.FILES, checked=CHECKED in request.session)
    if not form.is_valid():
        return import_page(request, form, status=422)
    wanted = "import" in request.POST
    known = wanted and request.session.pop(CHECKED, "") == key_of(form)
    try:
        done = run_import(request, form, now, dry_run=not known)
    except (OperationalError, IntegrityError):
        form.add_error(None, "The logbook was busy and nothing was written. Choose the file and try again")
        return import_page(request, form, status=503)
    good = not done.fault_count and bool(done.new or done.updated) and not done.written
    if good:
        request.session[CHECKED] = key_of(form)
    told = {key: form.cleaned_data[key] for key in ("source", "local")}
    again = ImportForm(checked=good)
    again.initial = told
    other = wanted and not known
    status = 422 if done.fault_count else 409 if other and good else 200
    return import_page(request, again, done=done, good=good, other=other, status=status)


def key_of(form) -> str:
    """What was checked: the bytes of the file, and how it is read."""
    told = form.cleaned_data
    return f"{sha256(told['file']).hexdigest()} {told['local']} {told['source']}"


def run_import(request, form, now, *, dry_run):
    told = form.cleaned_data
    zone = timezone.get_current_timezone() if told["local"] else None
    return couplings.import_file(
        told["file"], by=request.user, now=now, source=told["source"], zone=zone, dry_run=dry_run
    )


def import_page(request, form, status=200, **told):
    """The page; `done` is what came of a file, `good` that it may be imported, `other` that another was checked."""
    context = {"form": form, "needed": NEEDED, "optional": OPTIONAL, "most": MOST_ROWS, **told}
    if told.get("done"):
        context["more"] = told["done"].fault_count - len(told["done"].faults)
    return render(request, "pages/couplings_import.html", context, status=status)
