"""Who made the last examination that lowered a finding's grade: the check of the work must be somebody else's."""

from __future__ import annotations

from itertools import pairwise

from inspections.models import Finding, Grade, LogEntry


def last_by(finding: Finding) -> int | None:
    """The id of the person whose observation last lowered any cell of the grade; None where none did. Three queries.

    A grade that fell because another finding closed, or with a ruleset, was lowered by nobody's examination.
    """
    grades = Grade.objects.filter(finding=finding).order_by("pk").prefetch_related("cells")
    lowered = [
        after.pk
        for before, after in pairwise(grades)
        if after.cause == Grade.Cause.OBSERVATION and lower(before, after)
    ]
    if not lowered:
        return None
    entries = LogEntry.objects.filter(subject=f"finding:{finding.ref}", kind="graded")
    return next((entry.actor_id for entry in entries if entry.data.get("grade") == lowered[-1]), None)


def lower(before: Grade, after: Grade) -> bool:
    """True where any situation and weather is graded lower than before."""
    was = {(cell.situation, cell.weather): cell.category for cell in before.cells.all()}
    return any(cell.category < was.get((cell.situation, cell.weather), 0) for cell in after.cells.all())
