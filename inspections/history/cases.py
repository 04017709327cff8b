"""The cases behind a row: findings of an end's part, of a coupler, of a place; repeats, listed."""

from __future__ import annotations

from datetime import date, timedelta

from django.db.models import QuerySet
from django.utils import timezone

from inspections import words
from inspections.history.record import midnight
from inspections.history.section import Section, counted
from inspections.models import Finding

GONE = (Finding.State.MERGED, Finding.State.WITHDRAWN)


def counting(first: date, cut_off: date) -> QuerySet[Finding]:
    """Findings first seen on the days from `first` to `cut_off`, newest first; merged and withdrawn left out."""
    since, until = midnight(first), midnight(cut_off + timedelta(days=1))
    found = Finding.objects.filter(first_seen__gte=since, first_seen__lt=until).exclude(state__in=GONE)
    return found.for_list().order_by("-first_seen")


def repeats(cut_off: date, rules) -> Section:
    """Every repeat of the twelve months up to the day. One query."""
    found = list(
        counting(cut_off - timedelta(days=364), cut_off).filter(repeat_of__isnull=False).select_related("repeat_of")
    )
    rows = tuple(
        (
            finding.spoken_ref,
            words.unit(finding),
            finding.end_words,
            rules.components[finding.component].name if finding.component in rules.components else finding.component,
            words.fault(rules, finding),
            timezone.localdate(finding.first_seen).isoformat(),
            finding.repeat_of.spoken_ref,
            (finding.first_seen - finding.repeat_of.closed).days if finding.repeat_of.closed else None,
        )
        for finding in found
    )
    heads = ("Reference", "Unit", "End", "Part", "Fault", "First seen", "Came back after", "Days after it was closed")
    answer = f"{counted(len(rows), 'fault')} came back within the window of a repair in twelve months."
    return Section("repeats", "Which faults came back?", answer, heads, rows)
