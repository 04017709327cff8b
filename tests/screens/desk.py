"""Steps the tests of control's and the fitter's pages share: a finding brought to a state, a form filled in."""

from copy import copy
from datetime import UTC, datetime, timedelta

from inspections import references, workflow
from inspections.models import Finding

PLANNED = datetime(2026, 11, 24, 14, 0, tzinfo=UTC)
HOSTILE = "<script>alert(1)</script>\"'&{{ x }}"
ESCAPED = "&lt;script&gt;alert(1)&lt;/script&gt;"


def finding_of(receipt):
    """The finding a report opened."""
    return Finding.objects.select_related("end__pattern", "unit", "current_grade").get(ref=receipt.refs[0])


def looked(cast, finding, now):
    return workflow.look(finding, version=finding.version, by=cast.controller, now=now)


def planned(cast, railway, finding, now, depot="BRK"):
    """Acknowledged and planned for the early shift of the day."""
    finding = looked(cast, finding, now)
    return workflow.plan(
        finding,
        version=finding.version,
        by=cast.controller,
        now=now,
        depot=railway.places[depot],
        since=PLANNED,
        shift="late",
        road="3",
    )


def taken(cast, railway, finding, now):
    """Planned and in the fitter's hands."""
    finding = planned(cast, railway, finding, now)
    return workflow.take(finding, version=finding.version, by=cast.fitter, now=now)


def copies(finding, count, ends=(), **changes):
    """So many more findings like this one, with references of their own, shared out over `ends`."""
    made = []
    for n in range(count):
        row = copy(finding)
        row.pk, row._state.adding = None, True
        row.ref = references.make(5_000 + n)
        for name, value in changes.items():
            setattr(row, name, value)
        if ends:
            row.end = ends[n % len(ends)]
            row.unit = row.end.unit
        made.append(row)
    return Finding.objects.bulk_create(made)


def entries(finding, **changes):
    """A sound close-out of a torn seal, as the form posts it."""
    return {
        "version": finding.version,
        "found": "seal-torn",
        "cause": "Wear or age",
        "action": "Seal ring renewed",
        "in_words": "Ring was cut at the bottom.",
        "test-look": "yes",
        "test-leak-coupled": "0.1",
        "outcome": "repaired",
        "step": "check",
        **changes,
    }


def later(now, **much):
    return now + timedelta(**much)
