"""What the header offers each role, and the counts in the status strip."""

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
]


def links(request):
    """Context processor: `nav` as (address, label, current) and `not_looked_at` for control."""
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {"nav": []}
    nav = [
        (reverse(name), label, request.path == reverse(name)) for name, label, act in LINKS if may(user, act)
    ]
    waiting = Finding.objects.not_looked_at().count() if may(user, "look") else 0
    return {"nav": nav, "not_looked_at": waiting}
