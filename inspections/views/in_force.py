"""Everything in force on the railway, by unit: what it stops now and where each limit comes from."""

from __future__ import annotations

from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from inspections import deferring, in_force
from inspections.models import Finding
from inspections.permissions import may, require

# What the list may be narrowed to → its words; the kinds, and states that somebody must deal with.
FILTERS = in_force.KINDS | {
    "waiting": "Waiting for the engineer",
    "over": "Deferrals run out",
    "to-move": "Labels to move or take down",
    "assistance": "Needs an assistance plan",
}
STATES = {"waiting": (deferring.WAITING,), "over": (deferring.OVER,), "to-move": ("to be moved", "take down")}


def count(groups, kind: str) -> int:
    """How many things a filter leaves; units where it asks for those that need a plan."""
    if kind == "assistance":
        return sum(bool(group.need) for group in groups)
    return sum(len(chosen(group, kind)) for group in groups)


def chosen(group, kind: str):
    """The group's items that a filter leaves: of a kind, in a state, or of a unit that needs a plan."""
    if kind == "assistance":
        return group.items if group.need else ()
    if kind in STATES:
        return tuple(item for item in group.items if item.state in STATES[kind])
    return group.only([kind]) if kind else group.items


@require_safe
@require("see standing")
def everything(request):
    """Everything in force on the railway, by unit; links narrow it to a unit or a kind."""
    now = timezone.now()
    groups = in_force.on_railway(request.user, now)
    number, kind = request.GET.get("unit", "")[:12], request.GET.get("kind", "")
    filters = {key: title for key, title in FILTERS.items() if any(chosen(group, key) for group in groups)}
    kind = kind if kind in FILTERS else ""
    shown = [(group, chosen(group, kind)) for group in groups if not number or group.title == number]
    context = {
        "groups": [(group, items) for group, items in shown if items or (not kind and group.need)],
        "all": len(groups),
        "kind": kind,
        "kind_title": FILTERS.get(kind, ""),
        "number": number,
        "filters": [(key, title, count(groups, key)) for key, title in filters.items()],
        "units": [group.title for group in groups if group.unit],
        "missing": [group.need for group in groups if group.need and group.need.missing],
        "waits": may(request.user, "agree") and count(groups, "waiting"),
        "strangers": Finding.objects.open().filter(unit__isnull=True).count(),
        "may_see_list": may(request.user, "see control"),
        "named": may(request.user, "see words"),
        "now": now,
    }
    return render(request, "pages/in_force.html", context)
