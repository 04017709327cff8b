"""What the phone carries for reporting without signal: facts, no names, no notes."""

from __future__ import annotations

from datetime import datetime

from inspections import grading


def facts(now: datetime, units=None) -> dict[str, object]:
    """The facts as the phone keeps them."""
    return {"v": 1, "at": now.isoformat(), "rules": grading.ruleset(now).sha256, "places": [], "patterns": {}, "units": {}}


def etag(now: datetime) -> str:
    """Changes whenever the facts may have."""
    return now.isoformat()
