"""The monthly review as paper: the frozen figures, the fleet actions of the time, the log's seal → the PDF."""

from __future__ import annotations

from datetime import timedelta

from inspections import fleet_actions
from inspections.history.record import midnight
from inspections.history.reviews import first_of, last_of
from inspections.models import Review, Seal
from inspections.reports import monthly


def pdf(review: Review) -> bytes:
    """The review as a PDF. The same review gives the same figures whenever it is printed."""
    month = review.month
    since, until = midnight(first_of(month)), midnight(last_of(month) + timedelta(days=1))
    seal = Seal.objects.filter(day__gte=first_of(month), day__lte=last_of(month)).order_by("-day").first()
    printed = monthly.Seal(seal.day.isoformat(), seal.last_seq, seal.hash) if seal else None
    actions = [
        monthly.Action(told.action.what, told.on, told.done, told.action.due.isoformat(), told.effect)
        for told in fleet_actions.between(since, until, review.figures)
    ]
    return monthly.monthly(review.figures, f"{first_of(month):%B %Y}", actions, printed)
