"""What the header offers each role, the count in the status strip, and who is signed in, for the phone's scripts."""

import json
from functools import cache

from django.urls import reverse

from inspections.models import Finding
from inspections.permissions import groups_of, may

LINKS = [
    ("start", "Start", "report"),
    ("my-reports", "My reports", "report"),
    ("units", "Units", "see standing"),
    ("new-reports", "New reports", "see control"),
    ("work", "Work list", "see work"),
    ("recurring", "What keeps coming back", "see recurring"),
    ("rulesets", "Rules", "see rules"),
    ("people", "People", "end sessions"),
]


def links(request):
    """Context processor: `nav` as (address, label, current) and `not_looked_at` for control.

    Both are asked for by the template, so that a page for a broken database reads nothing.
    """

    @cache
    def nav():
        if not request.user.is_authenticated:
            return []
        offered = [(reverse(name), label) for name, label, act in LINKS if may(request.user, act)]
        return [(address, label, request.path == address) for address, label in offered]

    @cache
    def not_looked_at():
        waits = request.user.is_authenticated and may(request.user, "look")
        return Finding.objects.not_looked_at().count() if waits else 0

    return {
        "nav": nav,
        "not_looked_at": not_looked_at,
        "may_load": lambda: may(request.user, "load"),
        "phone_person": lambda: json.dumps(person_of(request.user), ensure_ascii=False),
    }


def person_of(user):
    """Who is signed in, as the phone keeps it: id, name, roles and competences."""
    return {"id": user.pk, "name": user.get_full_name() or user.get_username(), "roles": sorted(groups_of(user))}
