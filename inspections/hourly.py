"""Clock work: what is done once an hour. It may run late, twice or twice at once; nothing a unit may do waits for it.

Each step is a transaction of its own, and one that fails stops no other. The log tells when it ran.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from django.db import transaction
from django.utils import timezone

from inspections import couplings, grading, log, mates, notices, regrading, words
from inspections.history import reviews
from inspections.history.record import midnight
from inspections.models import Finding, LogEntry, Review, Seal

SUBJECT = "hourly"
BEGUN, DONE, FAILED = "hourly begun", "hourly done", "hourly failed"
LEASE = timedelta(minutes=30)  # a run that began so lately is taken to be at work still
STALE = timedelta(hours=2)
SEALED_AT_ONCE = 400  # days, after a long pause

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Ran:
    """What each step did, in words; the steps that failed."""

    told: dict[str, str]
    failed: tuple[str, ...]


def run(now: datetime) -> Ran | None:
    """Do all steps; None where another run is at work."""
    since = last_done()
    if not begin(now):
        return None
    told, failed = {}, []
    for name, step in STEPS.items():
        try:
            told[name] = step(now, since)
        except Exception:
            # Whatever goes wrong in one step, the others must be done; the banner tells that not all was.
            logger.exception("The hourly step %r failed.", name)
            failed.append(name)
    with transaction.atomic():
        write(FAILED if failed else DONE, now, told=told, failed=failed)
    return Ran(told, tuple(failed))


def begin(now: datetime) -> bool:
    """Note that a run begins; False where one began lately and has not said that it is over."""
    with transaction.atomic():
        log.hold()
        last = LogEntry.objects.filter(subject=SUBJECT).order_by("-seq").first()
        if last and last.kind == BEGUN and abs(now - last.written) < LEASE:
            return False
        write(BEGUN, now)
    return True


def write(kind: str, now: datetime, **payload) -> None:
    log.write(subject=SUBJECT, kind=kind, actor=None, happened=now, written=now, **payload)


def regrade(now: datetime, since: datetime | None) -> str:
    """What still carries an earlier ruleset's grade."""
    if not regrading.waiting(grading.in_force(now)).exists():
        return "nothing to grade"
    done = regrading.regrade_open(now=now, actor=None)
    return f"{done.graded} graded, {done.waiting} still wait"


def follow(now: datetime, since: datetime | None) -> str:
    """Couplings that became known since the last run: a net below the places where they arrive."""
    # A little before it: an import may have begun before that run and ended after it.
    received = (since or now - STALE) - LEASE
    ends = mates.ends_told_since(received)
    if not ends:
        return "0 looks asked for"
    with transaction.atomic():
        log.hold()
        couplings.join_partings(ends, couplings.earliest_told(received), now)
        return f"{mates.ask_again(ends, now)} looks asked for"


def seal(now: datetime, since: datetime | None) -> str:
    """The head of the log at the end of yesterday, and of each day since the last seal."""
    today = timezone.localdate(now)
    with transaction.atomic():
        log.hold()
        last = Seal.objects.order_by("-day").first()
        first = last.day + timedelta(days=1) if last else today - timedelta(days=1)
        days = [first + timedelta(days=n) for n in range(min((today - first).days, SEALED_AT_ONCE))]
        rows = [row for day in days if (row := seal_of(day, now))]
        Seal.objects.bulk_create(rows)
    return f"{len(rows)} days sealed"


def seal_of(day, now: datetime) -> Seal | None:
    """The unsaved seal of a day that is over; None where nothing was logged before its end."""
    end = datetime.combine(day + timedelta(days=1), time(), tzinfo=timezone.get_current_timezone())
    entry = LogEntry.objects.filter(written__lt=end).order_by("-seq").first()
    return Seal(day=day, last_seq=entry.seq, hash=entry.hash, made=now) if entry else None


def make(now: datetime, since: datetime | None) -> str:
    """The notices that are due."""
    return f"{notices.make(now)} notices made"


def send(now: datetime, since: datetime | None) -> str:
    """The notices that are not sent."""
    done = notices.send(now)
    return f"{done.sent} sent, {done.failed} failed, {done.nobody} without anybody to send to"


# One after another; each takes the time and when the last run was done (None for the first).
def review(now: datetime, since: datetime | None) -> str:
    """The figures of the last month that is over, frozen once; nothing where nothing was found by then."""
    month = reviews.last_over(now)
    over = midnight(reviews.first_of(month + 1))
    if Review.objects.filter(month=month).exists() or not Finding.objects.filter(first_seen__lt=over).exists():
        return "nothing to review"
    return f"{reviews.freeze(month, now=now)} reviewed"


STEPS: dict[str, Callable[[datetime, datetime | None], str]] = {
    "regrade": regrade,
    "mates": follow,
    "seal": seal,
    "notices": make,
    "mail": send,
    "review": review,
}


def last_done() -> datetime | None:
    """When all steps were last done, or None. One query."""
    done = LogEntry.objects.filter(subject=SUBJECT, kind=DONE).order_by("-seq")
    return done.values_list("written", flat=True).first()


def stale_words(now: datetime) -> str:
    """What control is told when the clock work has not been done for two hours; "" while all is well. One query."""
    last = last_done()
    if last is None:
        return "The hourly work has never run: no mail is sent. Tell whoever runs the logbook."
    if now - last < STALE:
        return ""
    return f"The hourly work was last done {words.moment(last, now)}: no mail is sent. Tell whoever runs the logbook."
