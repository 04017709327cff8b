"""What the header offers each role, what the status strip says, and who is signed in, for the phone's scripts."""

import json
from functools import cache

from django.urls import reverse
from django.utils import timezone

from inspections import hourly, unlooked
from inspections.permissions import groups_of, may

LINKS = [
    ("start", "Start", "report"),
    ("my-reports", "My reports", "report"),
    ("units", "Units", "see standing"),
    ("new-reports", "New reports", "see control"),
    ("handover", "Handover", "see control"),
    ("work", "Work list", "see work"),
    ("in-force", "In force", "see work"),
    ("recurring", "What keeps coming back", "see recurring"),
    ("rulesets", "Rules", "see rules"),
    ("people", "People", "end sessions"),
]


def links(request):
    """Context processor: `nav` as (address, label, current) and `strip`, see `strip_of`.

    Both are asked for by the template, so that a page for a broken database reads nothing.
    """

    @cache
    def nav():
        if not request.user.is_authenticated:
            return []
        offered = [(reverse(name), label) for name, label, act in LINKS if may(request.user, act)]
        return [(address, label, request.path == address) for address, label in offered]

    return {
        "nav": nav,
        "strip": lambda: strip_of(request.user, timezone.now()),
        "may_load": lambda: may(request.user, "load"),
        "phone_person": lambda: json.dumps(person_of(request.user), ensure_ascii=False),
    }


def strip_of(user, now):
    """What `_strip.html` takes: for control what nobody looked at and whether the clock's work is done; for everybody
    else what of their own nobody looked at. Two queries, or one."""
    if not user.is_authenticated:
        return {}
    if may(user, "see control"):
        return {"control": True, "at": now, "unlooked": unlooked.longest(now), "stale": hourly.stale_words(now)}
    return {"own": unlooked.longest(now, by=user)}


def person_of(user):
    """Who is signed in, as the phone keeps it: id, name, roles and competences."""
    return {"id": user.pk, "name": user.get_full_name() or user.get_username(), "roles": sorted(groups_of(user))}
