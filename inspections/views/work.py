"""The fitter's work list, by depot and shift."""

from __future__ import annotations

from django.db.models import F
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from fleet.models import Place
from inspections import assistance, cards, deferring, grading, words, working
from inspections.models import Finding, LogEntry
from inspections.permissions import may, require
from inspections.rules.facts import CATEGORIES

MOST = 100  # of what is not planned yet, how many are shown
JOBS = 300  # of what is planned at a depot, how many are shown
KEPT = "depot"  # the session remembers which depot was looked at last


def depot_asked(request, depots):
    """The depot of the address, else the one looked at last, else the first; None where there are none."""
    by_code = {depot.code: depot for depot in depots}
    for code in (request.GET.get("depot", ""), request.session.get(KEPT, "")):
        if code in by_code:
            if request.session.get(KEPT) != code:
                request.session[KEPT] = code
            return by_code[code]
    return depots[0] if depots else None


def shifts(lines, now):
    """Lines of planned jobs grouped by what their heading says: (words of shift and road, bands, count)."""
    grouped: dict[str, list[words.Line]] = {}
    for line in lines:
        visit = line.finding.visit
        when = words.day(visit.since, now).removeprefix("on ")
        road = f", road {visit.road}" if visit.road else ""
        grouped.setdefault(f"{when[:1].upper()}{when[1:]}, {visit.shift} shift{road}", []).append(line)
    return [(heading, bands(jobs), len(jobs)) for heading, jobs in grouped.items()]


def bands(lines):
    """(band, lines) worst first; bands without a line are left out."""
    found = [(word, [line for line in lines if line.category == word]) for word in reversed(CATEGORIES)]
    return [(word, its) for word, its in found if its]


def takers(findings):
    """Reference → who took the job last. One query."""
    subjects = [f"finding:{finding.ref}" for finding in findings if finding.state == Finding.State.IN_WORK]
    taken = LogEntry.objects.filter(kind="taken", subject__in=subjects).select_related("actor").order_by("seq")
    return {entry.subject.removeprefix("finding:"): entry.actor for entry in taken}


def with_state_left(findings):
    """Give each finding `left`: the state it was put back in, or None. One query."""
    left = working.left_in(findings)
    for finding in findings:
        finding.left = left.get(finding.pk)


@require_safe
@require("see work")
def work(request):
    """Jobs planned at a depot by shift and band; what is acknowledged and not planned yet stands apart."""
    now = timezone.now()
    rules = grading.ruleset(now)
    depots = list(Place.objects.depots())
    depot = depot_asked(request, depots)
    here = Finding.objects.open().at_depot(depot).for_list()
    planned = here.filter(state__in=[Finding.State.PLANNED, Finding.State.IN_WORK]).order_by(
        "visit__since", "visit__shift", "visit__road", F("worst").desc(nulls_first=True), "first_seen", "pk"
    )
    count, planned = planned.count(), list(planned[:JOBS])
    waiting = here.filter(state=Finding.State.AWAITING_CHECK).worst_first()
    unplanned = Finding.objects.filter(state=Finding.State.ACKNOWLEDGED).worst_first().for_list()
    unplanned_here = list(unplanned[:MOST])
    with_state_left([*planned, *unplanned_here])
    left = deferring.lets_wait([*planned, *unplanned_here, *waiting], now)
    jobs = words.lines(planned, rules, now, takers(planned), left)
    apart = words.lines(unplanned_here, rules, now, left=left)
    unplanned_count = unplanned.count()
    waiting = words.lines(waiting, rules, now, left=left)
    printed = cards.last_prints(planned, now)
    units = {finding.unit for finding in planned if finding.unit}
    context = {
        "depot": depot,
        "depots": depots,
        "shifts": shifts(jobs, now),
        "count": count,
        "later": count - len(jobs),
        "waiting": waiting,
        "unplanned": bands(apart),
        "unplanned_count": unplanned_count,
        "more": unplanned_count - len(apart),
        "may_print": may(request.user, "print card"),
        "old_cards": {pk for pk, card in printed.items() if card.changed},
        "unassisted": assistance.missing_for(units, now),
        "first": next(iter(jobs or waiting or apart), None),
        "now": now,
    }
    return render(request, "pages/work.html", context)
