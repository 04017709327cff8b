"""Units: which one today, all of them, and one with all that is known of its ends."""

from datetime import timedelta

from django.db.models import Count, Max
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from fleet.models import Fitment, Unit
from inspections import case, deferring, grading, standing, watching, words
from inspections.forms.report import PickForm
from inspections.models import Finding, InspectedEnd, MateLook, Observation
from inspections.permissions import DRIVER, groups_of, may, may_see_words, require
from inspections.rules.facts import CATEGORIES
from inspections.views import today
from inspections.views.limits import in_force_on

HISTORY = timedelta(days=365)
HISTORY_SHOWN = 100
AFTER_PICK = {"report": "report", "start": "start"}


@require_http_methods(["GET", "HEAD", "POST"])
@require("report")
def pick(request):
    """Set today's unit: one of the recent ones, or a number typed. It need not be on the list."""
    then = AFTER_PICK.get(request.GET.get("then"), "start")
    form = PickForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        today.remember(request, form.cleaned_data["unit"])
        return redirect(then)
    context = {"form": form, "recent": today.recent(request), "number": today.number(request)}
    return render(request, "pages/pick.html", context, status=422 if form.errors else 200)


@require_safe
@require("see standing")
def units(request):
    """Every unit with what it may do now and how much is open on it."""
    now = timezone.now()
    rows = list(Unit.objects.select_related("type", "home"))
    known = standing.of_units(rows, now)
    opened = Finding.objects.open().filter(unit__isnull=False).values("unit").order_by()
    counts = {row["unit"]: row for row in opened.annotate(count=Count("pk"), worst=Max("worst"))}
    lines = [unit_line(unit, known[unit.pk], counts.get(unit.pk)) for unit in rows]
    strangers = Finding.objects.open().filter(unit__isnull=True).count()
    return render(request, "pages/units.html", {"lines": lines, "now": now, "strangers": strangers})


def unit_line(unit, known, open_here) -> dict:
    """One unit of the list: the limits of the whole unit, then what is said of each end alone."""
    ends = [(end.end.letter, [w for w in end.current.words if w not in known.words]) for end in known.ends]
    return {
        "unit": unit,
        "words": known.words,
        "ends": [(letter, said) for letter, said in ends if said],
        "open": open_here["count"] if open_here else 0,
        "category": CATEGORIES[open_here["worst"]] if open_here and open_here["worst"] is not None else "",
    }


@require_safe
@require("see standing")
def unit(request, number):
    """S5: both ends' standing with its sources, what is open, restrictions, the last twelve months."""
    now = timezone.now()
    found = Unit.objects.filter(number=number.upper()).select_related("type", "home").first()
    if found is None:
        return render(request, "pages/unit.html", {"missing": number[:12]}, status=404)
    rules = grading.ruleset(now)
    known = standing.of_units([found], now)[found.pk]
    open_here = list(Finding.objects.open().filter(unit=found).for_list().worst_first())
    looks = looks_at(open_here, request.user)
    asked = set(MateLook.objects.open().filter(end__unit=found).values_list("end", flat=True))
    lines = deferring.lines(open_here, rules, now)
    rows = [{"line": line, "looks": looks[line.finding.pk]} for line in lines]
    ends = [end.end.pk for end in known.ends]
    watched = watching.of_ends(ends, now, rules)
    fitted = {
        row.end_id: row.coupler for row in Fitment.objects.at(now).filter(end__in=ends).select_related("coupler")
    }
    context = {
        "unit": found,
        "known": known,
        "now": now,
        "driver": DRIVER in groups_of(request.user),
        "worst": lines[0] if lines else None,
        "ends": [end_shown(end, rows, rules, asked, watched, fitted) for end in known.ends],
        "unplaced": [row for row in rows if row["line"].finding.end_id is None],
        "here": in_force_on(found, request.user, now),
        "history": history(found, rules, now),
        "clean": clean_looks(found, now),
        "named": may(request.user, "see words"),
        "repairs": may(request.user, "repair at once"),
        "cautions": today.cautions(rules, open_here),
    }
    return render(request, "pages/unit.html", context)


def end_shown(end, rows, rules, asked, watched, fitted) -> dict:
    """One end: its standing, where each limit comes from, what is open and watched, whether a look is asked for."""
    return {
        "letter": end.end.letter,
        "pattern": end.end.pattern,
        "standing": case.standing_words(end, rules),
        "sources": [source for source in end.current.sources if source.words],
        "watched": watched.get(end.end.pk, ()),
        "coupler": fitted.get(end.end.pk),
        "look_asked": end.end.pk in asked,
        "rows": [row for row in rows if row["line"].finding.end_id == end.end.pk],
    }


def looks_at(findings, reader) -> dict[int, list[Observation]]:
    """Finding id → the observations whose words the reader may see, newest first. One query."""
    rows = Observation.objects.filter(finding__in=findings).select_related("by", "inspection").order_by("-pk")
    found = {finding.pk: [] for finding in findings}
    for row in rows:
        if may_see_words(reader, row):
            found[row.finding_id].append(row)
    return found


def history(unit, rules, now) -> dict:
    """What was found in the last twelve months and is no longer open, newest first."""
    past = Finding.objects.filter(unit=unit, first_seen__gte=now - HISTORY, closed__isnull=False)
    rows = list(past.for_list().select_related("repeat_of").order_by("-first_seen", "-pk")[: HISTORY_SHOWN + 1])
    return {"lines": words.lines(rows[:HISTORY_SHOWN], rules, now), "more": len(rows) > HISTORY_SHOWN}


def clean_looks(unit, now) -> dict:
    """How often, and when last, somebody looked and found nothing in the last twelve months."""
    looks = InspectedEnd.objects.filter(inspection__unit=unit, clean=True, inspection__seen__gte=now - HISTORY)
    return looks.aggregate(count=Count("pk"), last=Max("inspection__seen"))
