"""Drafts that a phone keeps of the pages of the work (`static/js/kept.js`): telling it what the logbook has now."""

from __future__ import annotations

GONE = "kept_gone"  # of the session: keys of drafts to be dropped by the next page of a finding


def done(request, answer, key: str):
    """Mark a draft as no longer needed where the answer leads on, that is where it was saved. Gives the answer."""
    if answer.status_code == 302:
        request.session[GONE] = [*request.session.get(GONE, []), key]
    return answer


def gone(request) -> list[str]:
    """The keys that a page tells the phone once."""
    return request.session.pop(GONE, [])
