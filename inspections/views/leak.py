"""The leak test of a finding in work: what was made so far, the newest in full, and the form for the next."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_http_methods

from inspections import case, grading, leak, leak_tests, words, workflow
from inspections.forms.leak import LeakForm
from inspections.permissions import Refused, may, require
from inspections.reports.pressure import Ending, pressure
from inspections.views.findings import finding_meant

DASHED, DOTTED = "8 5", "2 5"
VERDICTS = {"pass": "Pass", "fail": "Fail", "repeat": "Repeat", "invalid": "No valid test"}
NOT_NOW = {
    "reported": "Control has not looked at this yet, so it cannot be tested.",
    "acknowledged": "Take this job first, then test.",
    "planned": "Take this job first, then test.",
}


@require_http_methods(["GET", "HEAD", "POST"])
@require("see work")
def leak_test(request, ref):
    """GET: the tests made and, for a fitter with the job in work, the form. POST: one more test."""
    now = timezone.now()
    finding, rules = finding_meant(ref), grading.ruleset(now)
    if request.method != "POST":
        return page(request, finding, rules, now, LeakForm(finding=finding, rules=rules, now=now))
    if not may(request.user, "close"):
        raise PermissionDenied("close")
    form = LeakForm(request.POST, finding=finding, rules=rules, now=now)
    if form.is_valid():
        values = form.cleaned_data
        kept = {name: values[name] for name in ("uuid", "test", "gauge", "readings", "mate")}
        try:
            row = leak_tests.record(finding, **kept, by=request.user, now=now)
        except Refused as refused:
            form.add_error(None, str(refused))
        else:
            messages.info(request, f"Saved at {words.clock(row.at)}: {VERDICTS[row.verdict].lower()}.")
            return redirect("leak", finding.ref)
    return page(request, finding_meant(ref), rules, now, form, status=422)


def page(request, finding, rules, now, form, status=200):
    """The page around a form; the form only where this person may test now."""
    made = [leak_tests.shown(row) for row in leak_tests.attempts(finding)]
    possible = may(request.user, "close") and workflow.may_from(finding, "close")
    context = {
        "finding": finding,
        "line": words.lines([finding], rules, now)[0],
        "heading": words.heading(rules, finding),
        "form": form,
        "problem": status != 200,
        "possible": possible,
        "no_gauge": possible and not leak_tests.gauges(),
        "typed": form.typed() if form.is_bound and not possible else [],
        "why_not": NOT_NOW.get(finding.state, f"This finding is {finding.state}: no test is added now."),
        "newest": told(made[0]) if made else None,
        "earlier": [told(one, drawn=False) for one in made[1:]],
        "cautions": case.cautions(finding, rules, "fitter"),
        "now": now,
    }
    return render(request, "pages/leak.html", context, status=status)


def told(one: leak_tests.Shown, *, drawn: bool = True) -> dict:
    """What the page says of one test: its verdict, figures, readings and formulas; the picture where `drawn`."""
    row = one.row
    return {
        "row": row,
        "verdict": VERDICTS[row.verdict],
        "why": one.why,
        "sum": f"{places(row.value)} ± {places(row.uncertainty)} {row.unit}",
        "limit": f"{words.number(row.high)} {row.unit}",
        "limit_from": limit_from(one),
        "readings": readings(one),
        "by": words.name(row.by),
        **({"formulas": formulas(one), "picture": picture(one), "points": points(one)} if drawn else {}),
    }


def places(value, count=2) -> str:
    """A figure with so many places; minus zero is zero."""
    said = f"{value:.{count}f}"
    return said.removeprefix("-") if not float(said) else said.replace("-", "−")


def limit_from(one: leak_tests.Shown) -> str:
    """How the limit was made: the ruleset's drop and the volume."""
    drop, minutes = words.number(one.drop), words.number(one.minutes)
    volume = words.number(one.readings.volume)
    return f"{drop} bar in {minutes} min, for {volume} L: {volume} × {drop} / (1 × {minutes})"


def readings(one: leak_tests.Shown) -> list[tuple[str, str]]:
    """(what, value with its unit) of everything that was read or taken."""
    r, row = one.readings, one.row
    said = [(leak.BOUNDS[name][0], getattr(r, name), leak.BOUNDS[name][3]) for name in leak_tests.READ]
    rows = [(label, f"{value:f} {unit}" if value is not None else "Not read") for label, value, unit in said]
    due = f"{row.gauge}, in date to {row.gauge_due.day} {row.gauge_due:%B %Y}"
    return [*rows, ("Gauge", due), *([("Coupled to", one.mate)] if one.mate else [])]


def formulas(one: leak_tests.Shown) -> list[tuple[str, str]]:
    """(what, formula with this test's figures) of the leak and its uncertainty."""
    r, row = one.readings, one.row
    (p1, p2), (t1, t2) = r.absolute, r.kelvin
    share = f"{r.volume:f}/{r.minutes:f} × {leak.REFERENCE_K}/{leak.REFERENCE_BAR}"
    return [
        (
            "Leak, free air at 20 °C and 1 bar absolute",
            f"V/t × Tn/pn × (p1/T1 − p2/T2) = {share} × ({p1:f}/{t1:f} − {p2:f}/{t2:f}) "
            f"= {places(row.value)} {row.unit}",
        ),
        (
            "Uncertainty, k = 2",
            f"2 × √(r²/6 + (p/T)² × (u1² + u2²)) = {places(leak.uncertainty_bar(r), 3)} bar, "
            f"so {places(row.uncertainty)} {row.unit}. {thermometers(r)}",
        ),
        (
            "Never less than the gauge’s step alone",
            f"V × r/(pn × t) = {r.volume:f} × {r.step:f}/({leak.REFERENCE_BAR} × {r.minutes:f}) "
            f"= {places(r.volume * r.step / r.minutes)} {row.unit}",
        ),
    ]


def thermometers(r: leak.Readings) -> str:
    """What u1 and u2 are."""
    missing = sum(value is None for value in (r.start_c, r.end_c))
    read = f"u = {r.thermometer:f} K"
    if not missing:
        return f"{read}."
    worst = f"not read: u = 3/√3 K, and never below the step and {missing * leak.NOT_READ_K} K at worst."
    return worst[0].upper() + worst[1:] if missing == 2 else f"{read} where it was read; {worst}"


def points(one: leak_tests.Shown) -> list[tuple[str, str]]:
    """(line, pressure at its end) of the picture, for the table beside it."""
    drawn = one.picture
    rows = [
        ("At the start", drawn.start[1]),
        ("Read at the end", drawn.read[1]),
        ("Had nothing leaked", drawn.tight[1]),
        ("Had it leaked the limit", drawn.at_limit[1]),
    ]
    return [(label, f"{places(bar)} bar") for label, bar in rows]


def picture(one: leak_tests.Shown) -> str:
    """The pressure against time as SVG."""
    drawn = one.picture
    (_, start), (minutes, read), (_, tight), (_, at_limit) = drawn.start, drawn.read, drawn.tight, drawn.at_limit
    endings = [
        Ending(float(read), f"{places(read)} read", mark="currentColor"),
        Ending(float(tight), f"{places(tight)} if tight", dash=DASHED),
        Ending(float(at_limit), f"{places(at_limit)} at limit", dash=DOTTED),
    ]
    answer = (
        f"From {places(start)} bar it fell to {places(read)}. The temperature alone leads to {places(tight)}, "
        f"a leak at the limit to {places(at_limit)}."
    )
    # Every text inside is escaped by the drawing function.
    return mark_safe(  # noqa: S308
        pressure(
            float(start),
            endings,
            minutes=f"{words.number(minutes)} min",
            either_way=float(drawn.either_way),
            question="How far did the pressure fall, and how far may it?",
            answer=answer,
            name="pressure",
        )
    )
