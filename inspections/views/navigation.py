"""What the header offers each role, and the count in the status strip."""

from functools import cache

from django.urls import reverse

from inspections.models import Finding
from inspections.permissions import may

LINKS = [
    ("start", "Start", "report"),
    ("my-reports", "My reports", "report"),
    ("units", "Units", "see standing"),
    ("new-reports", "New reports", "see control"),
    ("work", "Work list", "see work"),
    ("recurring", "What keeps coming back", "see recurring"),
    ("rulesets", "Rules", "see rules"),
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

    return {"nav": nav, "not_looked_at": not_looked_at}
