"""Which act may start from which state, and the one write that takes a finding a step further."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from django.contrib.auth.models import User
from django.db.models import F

from inspections import log, permissions
from inspections.models import Finding, LogEntry
from inspections.permissions import Refused

State = Finding.State

# Act → the states it may start from.
FROM = {
    "look": (State.REPORTED,),
    "raise": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED, State.IN_WORK),
    "tell": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED, State.IN_WORK, State.AWAITING_CHECK),
    "plan": (State.ACKNOWLEDGED, State.PLANNED),
    "take": (State.ACKNOWLEDGED, State.PLANNED),
    "repair at once": (State.REPORTED,),
    "examine": (State.IN_WORK,),
    "make safe": (State.IN_WORK,),
    "put back": (State.IN_WORK,),
    "close": (State.IN_WORK,),
    "check": (State.AWAITING_CHECK,),
    "withdraw": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED),
    "merge": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED),
    "move": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED, State.IN_WORK),
    "name repeat": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED, State.IN_WORK),
    "defer": (State.ACKNOWLEDGED, State.PLANNED),
    "agree": (State.ACKNOWLEDGED, State.PLANNED),
    "extend": (State.ACKNOWLEDGED, State.PLANNED),
    "recall": (State.REPORTED, State.ACKNOWLEDGED, State.PLANNED, State.IN_WORK, State.AWAITING_CHECK),
    "decide occurrence": tuple(State),
}


class Stale(Refused):
    """Somebody acted since the page was opened. `since` holds what was logged meanwhile."""

    def __init__(self, finding: Finding, since: Sequence[LogEntry]):
        super().__init__("Somebody else acted on this since you opened it. See what changed and decide again.")
        self.finding, self.since = finding, since


def may_from(finding: Finding, act: str) -> bool:
    """True when the finding's state allows the act."""
    return finding.state in FROM[act]


def acts_open_to(user: User, finding: Finding) -> set[str]:
    """The acts this person may do on this finding now: what a page offers. No plan before the unit is named."""
    possible = {act for act in FROM if may_from(finding, act) and permissions.may(user, act)}
    return possible if finding.unit_id else possible - {"plan"}


def allow(act: str, finding: Finding, by: User) -> None:
    """Raise Refused unless this person may do this act in this state."""
    if not permissions.may(by, act):
        raise Refused(f"Your role may not do this: {act}.")
    if not may_from(finding, act):
        raise Refused(f"This finding is {finding.state}; “{act}” is not possible now.")


def advance(
    finding: Finding, *, act: str, version: int, by: User, now: datetime, kind: str, changes: Mapping, **payload
) -> Finding:
    """Change the row if its version is still `version`, and log it. Inside the caller's transaction."""
    log.hold()
    current = Finding.objects.select_related("end__pattern", "unit").get(pk=finding.pk)
    if current.version != version:
        raise Stale(current, since_version(current, version))
    allow(act, current, by)
    changed = Finding.objects.filter(pk=finding.pk, version=version).update(version=F("version") + 1, **changes)
    if not changed:
        raise Stale(current, since_version(current, version))
    log.write(
        subject=f"finding:{current.ref}",
        kind=kind,
        actor=by.pk,
        happened=payload.pop("happened", now),
        written=now,
        version=version + 1,
        state=changes.get("state", current.state),
        **payload,
    )
    return Finding.objects.select_related("end__pattern", "unit").get(pk=finding.pk)


def since_version(finding: Finding, version: int) -> list[LogEntry]:
    """What was logged on a finding after it had `version`."""
    entries = LogEntry.objects.filter(subject=f"finding:{finding.ref}").select_related("actor")
    return [entry for entry in entries if entry.data.get("version", 0) > version]
