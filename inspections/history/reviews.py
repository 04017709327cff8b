"""Months as they were reviewed: frozen once, and what was named then judged on the days after."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from inspections import log
from inspections.history import figures
from inspections.models import Review
from inspections.permissions import Refused


def number_of(day: date) -> int:
    """The number of a month: local year × 12 + month − 1."""
    return day.year * 12 + day.month - 1


def first_of(month: int) -> date:
    """Its first day."""
    return date(month // 12, month % 12 + 1, 1)


def last_of(month: int) -> date:
    """Its last day: the cut-off of its review."""
    return first_of(month + 1) - timedelta(days=1)


def last_over(now: datetime) -> int:
    """The last month that is over, local time."""
    return number_of(timezone.localdate(now)) - 1


def freeze(month: int, *, now: datetime, by: User | None = None) -> Review:
    """The review of a month, made once. The same month again gives the row as it was.

    Refused for a month that is not over. The figures are worked out before the log is held.
    """
    if month > last_over(now):
        raise Refused(f"{first_of(month):%B %Y} is not over yet.")
    known = Review.objects.filter(month=month).first()
    if known:
        return known
    made = figures.figures(last_of(month))
    with transaction.atomic(durable=True):
        log.hold()
        review, new = Review.objects.get_or_create(
            month=month,
            defaults={
                "cut_off": last_of(month),
                "method": made["method"],
                "key": made["key"],
                "figures": made,
                "made": now,
                "by": by,
            },
        )
        if new:
            log.write(
                subject=f"review:{first_of(month):%Y-%m}",
                kind="month reviewed",
                actor=by.pk if by else None,
                happened=now,
                written=now,
                cut_off=last_of(month).isoformat(),
                key=made["key"],
                confirmed=[f"{name['end']} {name['component']}" for name in made["confirmed"]],
            )
        return review
