"""Lists of findings for control, finding one by reference or unit, and the page of one finding."""

from __future__ import annotations

import re
from functools import reduce
from operator import or_

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Case, Count, F, IntegerField, Max, Min, OuterRef, Q, Subquery, Value, When
from django.http import Http404
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from fleet.models import Unit
from inspections import (
    asked,
    cards,
    case,
    deferring,
    grading,
    leak_tests,
    references,
    watching,
    words,
    workflow,
    working,
)
from inspections.bodies import clean_text
from inspections.counts import list_mark
from inspections.forms.acts import FORMS
from inspections.models import Finding, Observation, Submission
from inspections.permissions import DRIVER, groups_of, may, require
from inspections.rules.facts import CATEGORIES
from inspections.views import keeping
from inspections.views.limits import pages_offered, restrict_because

PAGE = 50
INTOLERABLE = len(CATEGORIES) - 1
OPEN_STATES = [
    Finding.State.REPORTED,
    Finding.State.ACKNOWLEDGED,
    Finding.State.PLANNED,
    Finding.State.IN_WORK,
    Finding.State.AWAITING_CHECK,
]
REF_SAID = re.compile(r"^ref(erence)?\b[.:]?", re.IGNORECASE)
END_SAID = re.compile(r"[ ,]+[AB]( end)?$", re.IGNORECASE)  # "205 A": the unit's page shows both ends
# The act a page offers first: the one the finding waits for.
FIRST = ("look", "check", "close", "take", "plan")


def finding_meant(ref: str) -> Finding:
    """The finding of this reference; 404 where it is mistyped or there is none."""
    try:
        return get_object_or_404(case.fetch(), ref=references.read(ref))
    except references.MistypedReference as error:
        raise Http404(str(error)) from error


def in_order(findings):
    """Intolerable and not looked at first, then `worst_first`; with the time each was received."""
    urgent = Case(
        When(worst=INTOLERABLE, state=Finding.State.REPORTED, then=Value(0)),
        default=Value(1),
        output_field=IntegerField(),
    )
    first = Observation.objects.filter(finding=OuterRef("pk")).order_by("pk").values("received")[:1]
    findings = findings.for_list().annotate(urgent=urgent, received=Subquery(first))
    return findings.order_by("urgent", F("worst").desc(nulls_first=True), "first_seen", "pk")


def listed(request):
    """(findings, title, filter for links): what the address asks for; anything odd is the list of new reports."""
    band, state = request.GET.get("band", ""), request.GET.get("state", "")
    if band in CATEGORIES:
        found = Finding.objects.open().filter(worst=CATEGORIES.index(band))
        return found, f"Open findings: {band}", f"band={band}"
    if state in OPEN_STATES:
        return Finding.objects.filter(state=state), f"Open findings: {state}", f"state={state.replace(' ', '+')}"
    if request.GET.get("show") == "open":
        return Finding.objects.open(), "All open findings", "show=open"
    return Finding.objects.not_looked_at(), "New reports", ""


@require_safe
@require("see control")
def new(request):
    """New reports, and every list of open findings."""
    now = timezone.now()
    findings, title, link = listed(request)
    page = Paginator(in_order(findings), PAGE).get_page(request.GET.get("page"))
    span = findings.aggregate(oldest=Min("first_seen"), last=Max("pk"))
    counts = Finding.objects.open().values_list("worst", "state").annotate(n=Count("pk")).order_by()
    context = {
        "title": title,
        "link": link,
        "page": page,
        "lines": deferring.lines(page.object_list, grading.ruleset(now), now),
        "oldest": words.age(span["oldest"], now) if span["oldest"] else "",
        "quarantined": Submission.objects.quarantined().count(),
        "bands": in_bands(counts),
        "states": in_states(counts),
        "all_open": sum(n for _, _, n in counts),
        "mates": asked.ends_waiting().count(),
        "mark": list_mark(page.paginator.count, span["last"]),
        "now": now,
    }
    return render(request, "pages/new_reports.html", context)


def in_bands(counts):
    """(word, count) of every band, worst first."""
    return [
        (word, sum(n for worst, _, n in counts if worst == number))
        for number, word in reversed(list(enumerate(CATEGORIES)))
    ]


def in_states(counts):
    """(state, count) of every open state, in the order of the work."""
    return [(state.value, sum(n for _, s, n in counts if s == state)) for state in OPEN_STATES]


def unlisted(*numbers):
    """Open findings of a unit that is not on the list, by its number as it was given; the worst first."""
    same = reduce(or_, (Q(unit_given__iexact=number) for number in numbers))
    return Finding.objects.open().filter(same, unit__isnull=True).worst_first().for_list()[:PAGE]


@require_safe
@require("see standing")
def find(request):
    """Find by reference or unit number; a unit that is not on the list by its number as it was given."""
    now = timezone.now()
    asked = clean_text(request.GET.get("q", "")).strip()
    if not asked:
        return render(request, "pages/find.html", {"asked": ""})
    number = END_SAID.sub("", asked)
    unit = Unit.objects.filter(number__in=[asked.upper(), number.upper()]).first()
    if unit:
        return redirect("unit", unit.number)
    given = list(unlisted(asked, number))
    if given:
        lines = words.lines(given, grading.ruleset(now), now)
        return render(request, "pages/find.html", {"asked": asked, "lines": lines})
    try:
        ref = references.read(REF_SAID.sub("", asked))
    except references.MistypedReference as error:
        return render(
            request, "pages/find.html", {"asked": asked, "sentence": str(error), "problem": True}, status=422
        )
    if Finding.objects.filter(ref=ref).exists():
        return redirect("finding", ref)
    sentence = f"No finding has the reference {ref[:4]} {ref[4:]}."
    return render(request, "pages/find.html", {"asked": asked, "sentence": sentence, "problem": True}, status=404)


@require_safe
@require("see standing")
def short(request, ref):
    """The short address of a printed square leads to the finding."""
    return redirect("finding", ref)


@require_safe
@require("see standing")
def finding(request, ref):
    """One finding: what it is, what may be done with it, why it is graded so, what happened."""
    now = timezone.now()
    try:
        found = case.fetch().filter(ref=references.read(ref)).first()
    except references.MistypedReference as error:
        return render(request, "pages/find.html", {"asked": ref, "sentence": str(error), "problem": True}, status=404)
    if found is None:
        sentence = f"No finding has the reference {ref[:4]} {ref[4:]}."
        return render(request, "pages/find.html", {"asked": ref, "sentence": sentence, "problem": True}, status=404)
    if found.merged_into_id:
        messages.info(request, f"{found} was merged into this finding: it is the same fault.")
        return redirect("finding", found.merged_into.ref)
    open_to = workflow.acts_open_to(request.user, found)
    first = next((act for act in FIRST if act in open_to), "")
    told = case.case(found, reader=request.user, now=now)
    context = {
        "case": told,
        "finding": found,
        "first": first,
        "forms": [FORMS[act](finding=found, now=now, primary=act == first) for act in FORMS if act in open_to],
        "acts": open_to,
        "pages": pages_offered(told, open_to),
        "restrict": restrict_because(found, request.user, now),
        "unnamed": not found.unit_id and workflow.may_from(found, "plan") and may(request.user, "plan"),
        "chain": asked.chain(found),
        "leak": told.named and leak_tests.concern(found, grading.ruleset(now)),
        "kept_gone": " ".join(keeping.gone(request)),
        "watch": watching.of_finding(found, now),
        "left": working.left_in([found]).get(found.pk),
        "printed": cards.last_prints([found], now).get(found.pk),
        "cards": cards_offered(found) if may(request.user, "print card") else [],
        "driver": DRIVER in groups_of(request.user),
        "may_see_list": may(request.user, "see control"),
        "now": now,
    }
    return render(request, "pages/finding.html", context)


def cards_offered(found):
    """(address, words) of the work cards of this finding: both ends where its end is not known."""
    if not found.visit_id or not found.is_open:
        return []
    letters = [found.end.letter] if found.end_id and found.end.unit_id == found.visit.unit_id else []
    letters = letters if found.end_id else ["A", "B"]
    return [(reverse("card", args=[found.visit_id, letter]), f"Print card, {letter} end") for letter in letters]
