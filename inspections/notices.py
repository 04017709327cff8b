"""Mail about what must not be missed: made once for what it tells, sent once, retried while it is news.

It tells roles, never names of people, notes or photos. What a unit may do never depends on it.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from smtplib import SMTPException

from django.contrib.auth.models import User
from django.core.mail import EmailMessage, get_connection
from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q, QuerySet, TextField, Value
from django.db.models.functions import Cast, Concat

from inspections import expiry, grading, words
from inspections.models import Finding, GradeCell, Notice, Seal
from inspections.permissions import CONTROLLER, ENGINEER, MANAGER
from inspections.rules.facts import CATEGORIES
from inspections.unlooked import INTOLERABLE

NEWS = timedelta(days=2)  # older mail is not sent any more: it would tell what is long known
GIVE_UP = 10  # failures in a row: the mail server is not there, the next run tries again
PERSON = "person:"  # in `to`, somebody whom an earlier try did not reach
UNDESIRABLE = CATEGORIES.index("undesirable")
# Hazards of the shipped ruleset in which something acts, or fails to, by itself: anywhere, and of electrical parts.
WRONG_SIDE, WRONG_SIDE_ELECTRICAL = "false-command", "brake"
FOOT = (
    "This mail only tells. The operator’s rule book, the signaller and control decide. "
    "The logbook clears no unit to run."
)

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Sent:
    """What came of sending: notices sent, notices that failed or reached only some, notices nobody may receive."""

    sent: int
    failed: int
    nobody: int


def make(now: datetime) -> int:
    """Make the notices that are due and not made yet; how many. Twice at once makes each once."""
    rules = grading.ruleset(now)
    with transaction.atomic():
        due = [*intolerable(rules, now), *ran_out(rules, now), *wrong_side(rules, now), *seals(now)]
        Notice.objects.bulk_create(due, batch_size=500, ignore_conflicts=True)
        return len(due)


def intolerable(rules, now: datetime) -> list[Notice]:
    """Open findings that are Intolerable somewhere."""
    found = not_told("intolerable", Finding.objects.open().filter(worst=INTOLERABLE))
    more = "The call is the report: control must have been called."
    to = (CONTROLLER, ENGINEER)
    return [of_finding("intolerable", "Intolerable", row, more, to, rules, now) for row in found]


def wrong_side(rules, now: datetime) -> list[Notice]:
    """Open findings by which something electrical may act by itself, or a brake may not follow."""
    electrical = [code for code, part in rules.components.items() if part.function == "E"]
    cells = GradeCell.objects.filter(category__gte=UNDESIRABLE).annotate(told=Cast("hits", TextField()))
    hit = Q(told__contains=f'"{WRONG_SIDE}"')
    hit |= Q(told__contains=f'"{WRONG_SIDE_ELECTRICAL}"', grade__finding__component__in=electrical)
    grades = cells.filter(hit, grade__finding__current_grade=F("grade")).values("grade")
    found = not_told("wrong-side", Finding.objects.open().filter(current_grade__in=grades))
    more = "It may be a wrong-side fault: something may act, or fail to, by itself."
    to = (CONTROLLER, ENGINEER, MANAGER)
    return [of_finding("wrong-side", "Wrong-side electrical fault", row, more, to, rules, now) for row in found]


def ran_out(rules, now: datetime) -> list[Notice]:
    """Deferrals that have run out, by time or by an event."""
    ends = expiry.ran_out(now)
    keys = {f"ran-out:{end.deferral.pk}" for end in ends}
    told = set(Notice.objects.filter(about__in=keys).values_list("about", flat=True))
    made = []
    for end in ends:
        if f"ran-out:{end.deferral.pk}" in told:
            continue
        more = f"Its deferral ended {words.moment(end.at, now)}: {end.why}. Its limits on expiry are in force."
        row, to = end.deferral, (CONTROLLER, ENGINEER)
        made.append(of_finding("ran-out", "Deferral ran out", row.finding, more, to, rules, now, row.pk))
    return made


def seals(now: datetime) -> list[Notice]:
    """The log's head of each sealed day, to be kept where the logbook cannot reach it."""
    key = Concat(Value("seal:"), Cast("day", TextField()), output_field=TextField())
    rows = Seal.objects.annotate(key=key).exclude(Exists(Notice.objects.filter(about=OuterRef("key"))))
    return [
        Notice(
            about=f"seal:{row.day:%Y-%m-%d}",
            subject=f"Seal of the log, {row.day:%Y-%m-%d}",
            text=f"Keep this mail outside the logbook.\n\nEntry {row.last_seq}\n{row.hash}\n\n{FOOT}\n",
            to=[ENGINEER],
            made=now,
        )
        for row in rows
    ]


def not_told(kind: str, findings: QuerySet[Finding]) -> QuerySet[Finding]:
    """Those of which there is no notice of this kind yet."""
    key = Concat(Value(f"{kind}:"), "ref", output_field=TextField())
    told = Notice.objects.filter(about=OuterRef("key"))
    return findings.annotate(key=key).exclude(Exists(told)).for_list()


def of_finding(kind, title, finding, more, to, rules, now: datetime, key: object = "") -> Notice:
    """The notice of one finding; `key` tells apart what may happen to it more than once."""
    heading = " ".join(words.heading(rules, finding).split())
    lines = [
        heading,
        words.fault(rules, finding),
        f"Reference {finding.spoken_ref}, seen {words.moment(finding.first_seen, now)}, {finding.state}.",
        "",
        more,
        "",
        FOOT,
        "",
    ]
    return Notice(
        about=f"{kind}:{key or finding.ref}",
        subject=f"{title}: {heading}"[:160],
        text="\n".join(lines),
        to=list(to),
        made=now,
    )


def send(now: datetime) -> Sent:
    """Send what is not sent: to each person alone, so that one bad address stops nothing."""
    sent = failed = nobody = in_row = 0
    known = cache(recipients)
    for row in Notice.objects.filter(sent=None, made__gte=now - NEWS):
        people = known(tuple(row.to))
        if not people:
            nobody += 1
            continue
        if not claimed(row):
            continue
        missed = [person for person in people if not delivered(row, person)]
        in_row = in_row + 1 if len(missed) == len(people) else 0
        sent, failed = sent + (not missed), failed + bool(missed)
        finish(row, missed, now)
        if in_row >= GIVE_UP:
            logger.error("The mail server takes nothing: the rest waits for the next run.")
            break
    return Sent(sent, failed, nobody)


def claimed(row: Notice) -> bool:
    """Count a try; False where another run is at it."""
    mine = Notice.objects.filter(pk=row.pk, sent=None, tries=row.tries)
    return bool(mine.update(tries=F("tries") + 1))


def finish(row: Notice, missed: list[User], now: datetime) -> None:
    """Note that it is sent, or whom the next try must still reach."""
    if missed:
        Notice.objects.filter(pk=row.pk).update(to=[f"{PERSON}{person.pk}" for person in missed])
    else:
        Notice.objects.filter(pk=row.pk).update(sent=now)


def recipients(to: tuple[str, ...]) -> list[User]:
    """Whoever holds one of these roles, or is named by an earlier try, may sign in and has an address."""
    pks = [word.removeprefix(PERSON) for word in to if word.startswith(PERSON)]
    people = User.objects.filter(Q(groups__name__in=list(to)) | Q(pk__in=pks), is_active=True)
    return list(people.exclude(email="").distinct().order_by("pk"))


def delivered(row: Notice, person: User) -> bool:
    """Hand one mail to the mail server; False where it was not taken."""
    try:
        mail = EmailMessage(row.subject, row.text, to=[person.email], connection=get_connection())
        return mail.send() == 1
    except (SMTPException, OSError, ValueError) as error:
        logger.warning("Notice %s did not reach person %s: %s", row.pk, person.pk, type(error).__name__)
        return False
