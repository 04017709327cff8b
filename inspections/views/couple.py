"""Can these two couple? Asked by GET; nothing is stored."""

from __future__ import annotations

from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from fleet.models import Place
from inspections import couple as pair
from inspections import grading
from inspections.forms.couple import CoupleForm
from inspections.permissions import DRIVER, groups_of, may, require
from inspections.views import today

NOT_KNOWN = "not known"


@require_safe
@require("see standing")
def couple(request):
    """The question, and once both ends are named the answer above it."""
    now = timezone.now()
    rules = grading.ruleset(now)
    said = {"one": today.number(request)} | request.GET.dict()
    classes = {code: rules.weather_words[code].name.capitalize() for code in rules.weathers}
    form = CoupleForm(
        request.GET if "other" in request.GET else None, initial=said, places=Place.objects.all(), classes=classes
    )
    context = {"form": form, "now": now, "driver": DRIVER in groups_of(request.user)}
    if not form.is_bound:
        return render(request, "pages/couple.html", context)
    if not form.is_valid():
        return render(request, "pages/couple.html", context, status=422)
    asked = form.asked()
    found = pair.find(asked, now, named=may(request.user, "see words"))
    context |= {"found": found, "asked": asked, "taken": taken(asked, found), "reasons": reasons(found)}
    return render(request, "pages/couple.html", context)


def taken(asked, found) -> list[tuple[str, str]]:
    """(what, value) that the answer stands on beside the ends: as said, else as recorded, else not known."""
    where = found.where
    bend = NOT_KNOWN if where.curve is None else f"{where.curve} m" if where.curve else "none, straight track"
    return [
        ("Place", asked.place.name if asked.place else "not said"),
        ("Weather", found.weather),
        ("Heights", NOT_KNOWN if asked.apart is None else f"{pair.plain(asked.apart)} mm apart"),
        ("Curve", bend),
        ("Gradient", NOT_KNOWN if where.gradient is None else f"{pair.plain(where.gradient)} per mille"),
    ]


def reasons(found) -> list[dict[str, str]]:
    """Each reason with what it allows at most, where that is less than all and not in its words already."""
    return [
        {"about": one.about, "words": one.words, "source": one.source, "most": "" if most in one.words else most}
        for one in found.answer.reasons
        for most in [found.allows[one.rule]]
    ]
