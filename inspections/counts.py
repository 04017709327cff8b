"""What waits for control, in numbers: one fixed set of queries, asked again and again by open pages. Reads only."""

from __future__ import annotations

from datetime import datetime

from django.db.models import Count, Max, Min

from inspections import asked, expiry, hourly, unlooked, words
from inspections.models import Deferral, Finding, Submission
from inspections.models.findings import OPEN


def counts(now: datetime) -> dict[str, object]:
    """Name → number or words, and `unlooked` and `stale` as the strip takes them."""
    new = Finding.objects.not_looked_at().aggregate(count=Count("pk"), last=Max("pk"), oldest=Min("first_seen"))
    longest = unlooked.longest(now)
    stale = hourly.stale_words(now)
    return {
        "not_looked_at": new["count"],
        "list": list_mark(new["count"], new["last"]),
        "oldest": words.age(new["oldest"], now) if new["oldest"] else "",
        "intolerable": longest.count if longest else 0,
        "intolerable_age": longest.age if longest else "",
        "intolerable_step": longest.step if longest else 0,
        "quarantine": Submission.objects.quarantined().count(),
        "deferrals_waiting": Deferral.objects.waiting().filter(finding__state__in=OPEN).count(),
        "deferrals_over": len(expiry.ran_out(now)),
        "mates": asked.ends_waiting().count(),
        "hourly_stale": bool(stale),
        "unlooked": longest,
        "stale": stale,
    }


def list_mark(count: int, last: int | None) -> str:
    """Tells one list of new reports from another: how many, and the newest."""
    return f"{count} {last or 0}"
