"""Times as they are said: clock times, days, ages."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.utils import timezone

BOLDER = (timedelta(minutes=10), timedelta(minutes=30))  # the classes in which an age grows bolder
LATE = timedelta(minutes=1)  # an entry written later than this after the event shows both times


def clock(at: datetime) -> str:
    """Local clock time, "05:50"; with its zone, "01:30 GMT", in the hour that comes twice."""
    local = timezone.localtime(at)
    twice = local.replace(fold=0).utcoffset() > local.replace(fold=1).utcoffset()
    return f"{local:%H:%M %Z}" if twice else f"{local:%H:%M}"


def day(at: datetime, now: datetime) -> str:
    """ "today", "yesterday", "tomorrow", else "on 3 November" with the year where it is another one."""
    at, now = timezone.localtime(at), timezone.localtime(now)
    near = {0: "today", -1: "yesterday", 1: "tomorrow"}.get((at.date() - now.date()).days)
    return near or f"on {at.day} {at:%B}" + (f" {at:%Y}" if at.year != now.year else "")


def moment(at: datetime, now: datetime) -> str:
    """ "05:50 today"."""
    return f"{clock(at)} {day(at, now)}"


def dated(at: datetime) -> str:
    """ "3 November, 05:50", for what is read again on another day."""
    local = timezone.localtime(at)
    return f"{local.day} {local:%B}, {clock(at)}"


def age(since: datetime, now: datetime) -> str:
    """How long ago in its largest unit: "4 minutes", "3 hours", "2 days"; a time to come counts as now."""
    minutes = max(0, int((now - since).total_seconds() // 60))
    for size, unit in ((1440, "day"), (60, "hour"), (1, "minute")):
        if minutes >= size:
            count = minutes // size
            return f"{count} {unit}{'' if count == 1 else 's'}"
    return "under a minute"


def boldness(since: datetime, now: datetime) -> int:
    """0 under ten minutes, 1 to half an hour, 2 over it."""
    return sum(now - since >= step for step in BOLDER)
