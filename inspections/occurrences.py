"""What may have to be reported as an occurrence: a train parted, a wrong-side door, brake control lost. Reads only.

Who decides, when and under which reference is a log entry on the finding. Nothing is ever sent from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.contrib.auth.models import User

from inspections.models import Finding, LogEntry

# The hazards of the ruleset that such an occurrence comes from: a false command may release a door.
HAZARDS = ("parting", "false-command", "brake")


@dataclass(frozen=True, slots=True)
class Decision:
    """What was decided last, by whom and when."""

    reportable: bool
    reference: str
    why: str
    by: User
    at: datetime


def may_be(finding: Finding, rules) -> tuple[str, ...]:
    """Names of the hazards of its grade that make it an occurrence, in the ruleset's order. One query."""
    if finding.current_grade is None:
        return ()
    named = {hit["hazard"] for cell in finding.current_grade.cells.all() for hit in cell.hits}
    return tuple(rules.hazards[code].name for code in HAZARDS if code in named and code in rules.hazards)


def decided(finding: Finding) -> Decision | None:
    """The last decision, or None. One query."""
    entries = LogEntry.objects.filter(subject=f"finding:{finding.ref}", kind="occurrence decided")
    entry = entries.select_related("actor").order_by("-seq").first()
    if entry is None:
        return None
    said = entry.data
    return Decision(said["reportable"], said["reference"], said["why"], entry.actor, entry.happened)
