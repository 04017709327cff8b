"""Who is signed in, as the table of sessions knows it, and ending one person's sign-ins."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime

from django.contrib.auth import SESSION_KEY
from django.contrib.auth.models import User
from django.contrib.sessions.models import Session
from django.db import transaction

from inspections import log


@dataclass(frozen=True, slots=True)
class SignIns:
    """One person's sign-ins that have not run out: their keys, and when the last of them will."""

    keys: tuple[str, ...] = ()
    until: datetime | None = None

    @property
    def count(self) -> int:
        return len(self.keys)


NONE = SignIns()


def of_everybody(now: datetime) -> dict[int, SignIns]:
    """User's id → their sign-ins. One query; a session says whose it is only once it is opened."""
    found: dict[int, list[Session]] = defaultdict(list)
    for session in Session.objects.filter(expire_date__gt=now).order_by("expire_date").iterator():
        # A session that cannot be opened any more (another secret key) opens empty, and signs nobody in.
        whose = str(session.get_decoded().get(SESSION_KEY, ""))
        if whose.isdecimal():
            found[int(whose)].append(session)
    return {
        whose: SignIns(tuple(row.session_key for row in rows), rows[-1].expire_date) for whose, rows in found.items()
    }


def end(person: User, *, by: User, now: datetime) -> int:
    """End every sign-in of one person; how many there were. Nothing is logged where there was none.

    What a phone has not sent stays on it. A page that is being answered at this moment is still answered; a session
    once deleted is never written again.
    """
    with transaction.atomic(durable=True):
        log.hold()
        ended, _ = Session.objects.filter(pk__in=of_everybody(now).get(person.pk, NONE).keys).delete()
        if ended:
            log.write(
                subject=f"person:{person.pk}",
                kind="sign-ins ended",
                actor=by.pk,
                happened=now,
                written=now,
                count=ended,
            )
    return ended
