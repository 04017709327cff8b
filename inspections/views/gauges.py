"""The register of gauges: what is due, one gauge with its history and its tests, and the acts of who keeps it."""

from __future__ import annotations

from datetime import date

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import F, Q
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from fleet.models import Gauge, Place
from inspections import gauges as register
from inspections import words
from inspections.forms.gauges import CalibrateForm, GaugeForm, RetireForm
from inspections.models import TestResult
from inspections.permissions import Refused, may, require

PAGE = 50
TESTS_SHOWN = 50
KINDS = {
    "gauge entered": "Entered",
    "gauge calibrated": "Calibrated",
    "gauge retired": "Retired",
}
DATED = {"until": "in date to", "before": "before that to"}


@require_safe
@require("see work")
def gauges(request):
    """Gauges by the day their calibration ends, the first to end first; retired ones on asking. `depot` narrows."""
    now = timezone.now()
    on = timezone.localdate(now)
    depots = list(Place.objects.depots())
    depot = next((one for one in depots if one.code == request.GET.get("depot")), None)
    retired = request.GET.get("show") == "retired"
    rows = Gauge.objects.filter(retired__isnull=not retired).select_related("depot")
    rows = rows.filter(depot=depot) if depot else rows
    shown = Paginator(rows.order_by(F("calibrated_until").asc(nulls_first=True), "number"), PAGE)
    page = shown.get_page(request.GET.get("page"))
    asked = {**({"depot": depot.code} if depot else {}), **({"show": "retired"} if retired else {})}
    context = {
        "rows": [{"gauge": gauge, "step": step(gauge), "due": due(gauge, on)} for gauge in page],
        "page": page,
        "link": urlencode(asked),
        "overdue": rows.filter(calibrated_until__lt=on).count() if not retired else 0,
        "depots": depots,
        "depot": depot,
        "retired": retired,
        "keeper": may(request.user, register.ACT),
        "now": now,
    }
    return render(request, "pages/gauges.html", context)


def step(gauge: Gauge) -> str:
    """ "0.05 bar"."""
    return f"{words.number(gauge.step)} {gauge.unit}" if gauge.step else "Not recorded"


def due(gauge: Gauge, on) -> dict:
    """When its calibration ends, in words and a weight: "old" is past, "soon" within a month."""
    until = gauge.calibrated_until
    if until is None:
        return {"words": "No calibration recorded", "look": "age-2"}
    said = f"{until.day} {until:%B %Y}"
    if gauge.retired:
        return {"words": said, "look": ""}
    if until < on:
        return {"words": f"Overdue since {said}", "look": "age-2"}
    return {"words": said, "look": "age-1" if until <= on + register.SOON else ""}


@require_http_methods(["GET", "HEAD", "POST"])
@require("keep gauges")
def gauge_new(request):
    """Enter a gauge."""
    form = GaugeForm(request.POST) if request.method == "POST" else GaugeForm()
    if request.method == "POST" and form.is_valid():
        try:
            gauge = register.enter(**form.cleaned_data, by=request.user, now=timezone.now())
        except Refused as refused:
            form.add_error("number", str(refused))
        else:
            messages.info(request, f"Gauge {gauge} is in the register.")
            return redirect("gauge", gauge.pk)
    return render(request, "pages/gauge_new.html", {"form": form}, status=422 if form.errors else 200)


@require_safe
@require("see work")
def gauge(request, pk):
    """One gauge: what it is, its history, what was tested with it."""
    return page(request, get_object_or_404(Gauge.objects.select_related("depot"), pk=pk))


def page(request, found: Gauge, *, calibrate=None, retire=None, status=200):
    """The page of a gauge, around a form that was sent."""
    now = timezone.now()
    keeper = may(request.user, register.ACT) and not found.retired
    tests = tests_with(found)
    failed = next((form for form in (calibrate, retire) if form is not None), None)
    context = {
        "gauge": found,
        "step": step(found),
        "due": due(found, timezone.localdate(now)),
        "calibrate": (calibrate or CalibrateForm(gauge=found)) if keeper else None,
        "retire": (retire or RetireForm(gauge=found)) if keeper else None,
        "refused": failed.errors if failed is not None and not keeper else None,
        "problem": status != 200,
        "history": [told(entry) for entry in register.history(found)],
        "tests": [tested(test) for test in tests[:TESTS_SHOWN]],
        "tests_count": tests.count(),
        "now": now,
    }
    return render(request, "pages/gauge.html", context, status=status)


def tests_with(gauge: Gauge):
    """Tests made with a gauge, newest first: attempts, and values first written at a close-out; no signed copies."""
    made = TestResult.objects.filter(Q(finding__isnull=False) | Q(readings={}), gauge=gauge)
    return made.select_related("finding", "by", "close_out__finding", "close_out__by").order_by("-pk")


def tested(test: TestResult) -> dict:
    """A test made with the gauge; its value in words."""
    signed = test.close_out
    finding, by, at = (signed.finding, signed.by, signed.signed) if signed else (test.finding, test.by, test.at)
    value = f"{words.number(test.value)} {test.unit}" if test.value is not None else ""
    return {"test": test, "finding": finding, "value": value, "by": words.name(by), "at": at}


def day(iso: str) -> str:
    """ "3 March 2027"."""
    on = date.fromisoformat(iso)
    return f"{on.day} {on:%B %Y}"


def told(entry) -> dict:
    """A log entry about a gauge in words; free words apart."""
    data = entry.data
    said = [KINDS.get(entry.kind, entry.kind.capitalize())]
    if entry.kind != "gauge retired":
        said += [f"{what} {day(data[name])}" for name, what in DATED.items() if data.get(name)]
    free = data.get("why") or ("" if entry.kind == "gauge retired" else data.get("certificate", ""))
    return {"at": entry.happened, "words": ", ".join(said), "free": free, "who": words.name(entry.actor)}


@require_POST
@require("keep gauges")
def calibrate(request, pk):
    """Record a calibration."""
    found = get_object_or_404(Gauge.objects.select_related("depot"), pk=pk)
    form = CalibrateForm(request.POST, gauge=found)

    def act(values, now):
        done = register.calibrate(found, **values, by=request.user, now=now)
        until = done.calibrated_until
        return f"Gauge {found} is in date to {until.day} {until:%B %Y}."

    return act_on(request, found, form, act, "calibrate")


@require_POST
@require("keep gauges")
def retire(request, pk):
    """Take a gauge out of use for good."""
    found = get_object_or_404(Gauge.objects.select_related("depot"), pk=pk)
    form = RetireForm(request.POST, gauge=found)

    def act(values, now):
        register.retire(found, **values, by=request.user, now=now)
        return f"Gauge {found} is retired. Tests made with it stay as they are."

    return act_on(request, found, form, act, "retire")


def act_on(request, found, form, act, name):
    """One act on a gauge: `act(values, now)` acts and says what was done; refused, the page again with its form."""
    if form.is_valid():
        try:
            done = act(form.cleaned_data, timezone.now())
        except Refused as refused:
            form.add_error(None, str(refused))
        else:
            messages.info(request, done)
            return redirect("gauge", found.pk)
    now_so = Gauge.objects.select_related("depot").get(pk=found.pk)
    return page(request, now_so, status=422, **{name: form})
