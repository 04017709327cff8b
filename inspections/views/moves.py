"""Where a finding belongs: merged, moved, a repeat, an occurrence. Each is a page that shows what to choose from."""

from __future__ import annotations

from functools import wraps

from django.contrib import messages
from django.db.models import Q
from django.http import Http404
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from inspections import case, grading, moved, moving, occurrences, words, workflow
from inspections.forms.moves import MergeForm, MoveForm, OccurrenceForm, RepeatForm
from inspections.models import Finding
from inspections.permissions import require
from inspections.views.acts import Page, Repeat, act_on, asked
from inspections.views.findings import finding_meant

OFFERED = 20  # how many reports a page offers to choose from


def page_of(act):
    """View decorator: GET shows the page, POST acts; GET leads back where the finding's state does not allow it.

    The view takes (request, finding, now, posted) and gives (form, page).
    """

    def decorate(view):
        @require_http_methods(["GET", "HEAD", "POST"])
        @require(act)
        @wraps(view)
        def wrapped(request, ref):
            finding, now = finding_meant(ref), timezone.now()
            if request.method != "POST" and not workflow.may_from(finding, act):
                messages.warning(request, f"This finding is {finding.state}; this is not possible now.")
                return redirect("finding", finding.ref)
            return view(request, finding, now, request.POST if request.method == "POST" else None)

        return wrapped

    return decorate


@page_of("merge")
def merge(request, finding, now, posted):
    """Two reports of one fault become one."""
    form = MergeForm(posted, finding=finding, now=now, primary=True, candidates=same_fault(finding, now))
    page = Page("pages/merge.html")
    if posted is None:
        return asked(request, form, page)

    def call(finding, values, now):
        workflow.merge(
            finding, into=values["target"], version=values["version"], by=request.user, now=now, why=values["why"]
        )

    done = "Merged. Both references keep working, and lead here."
    return act_on(
        request, form, call, done=done, page=page, repeat=lambda v: Repeat("merged", {"into": v["target"].ref})
    )


def same_fault(finding, now):
    """Open findings that may be the same fault: same unit and component, not at another end. With their words."""
    rows = Finding.objects.open().filter(unit=finding.unit_id, component=finding.component).exclude(pk=finding.pk)
    rows = rows.filter(unit__isnull=False).worst_first().for_list()
    if finding.end_id:
        rows = rows.filter(Q(end=finding.end_id) | Q(end__isnull=True))
    lines = words.lines(rows[:OFFERED], grading.ruleset(now), now)
    return [
        (
            line.finding,
            f"{line.finding}: {line.finding.end_words}, {line.part}. {line.fault}. "
            f"Seen {line.age} ago, {line.finding.state}",
        )
        for line in lines
    ]


@page_of("move")
def move(request, finding, now, posted):
    """The right unit, end or part."""
    rules = grading.ruleset(now)
    form = MoveForm(posted, finding=finding, now=now, primary=True, rules=rules)
    page = Page("pages/move.html")
    if posted is None:
        return asked(request, form, page)

    def call(finding, values, now):
        unit, end = values["place"]
        moving.move(
            finding,
            unit=unit,
            end=end,
            part=values["part"],
            symptom=values.get("symptom", ""),
            version=values["version"],
            by=request.user,
            now=now,
            why=values["why"],
        )

    def repeat(values):
        unit, end = values["place"]
        after = {"unit": moving.number(unit), "end": moving.letter(end), "part": values["part"]}
        return Repeat("moved", {"after": after})

    done = "Moved. Both ends are stated anew below: tell whoever relies on what was said before."
    return act_on(request, form, call, done=done, page=page, repeat=repeat, then="moved")


@require_safe
@require("see words")
def moved_page(request, ref):
    """What the last move did: both ends as they stand now, and who must be told. To print."""
    finding, now = finding_meant(ref), timezone.now()
    move = moved.last_move(finding, now)
    if move is None:
        raise Http404("It was never moved.")
    rules = grading.ruleset(now)
    context = {
        "finding": finding,
        "heading": words.heading(rules, finding),
        "move": move,
        "before": f"{move.before.number}, {words.letter(move.before.letter)}: "
        f"{words.part_named(rules, move.before.part)}",
        "by": words.name(move.before.entry.actor),
        "may_tell": "tell" in workflow.acts_open_to(request.user, finding),
        "standings": [case.standing_words(known, rules) for known in move.standings],
        "now": now,
    }
    return render(request, "pages/moved.html", context)


@page_of("name repeat")
def repeat(request, finding, now, posted):
    """Which closed fault this one is, come back."""
    form = RepeatForm(posted, finding=finding, now=now, primary=True, candidates=came_before(finding, now))
    page = Page("pages/repeat.html")
    if posted is None:
        return asked(request, form, page)

    def call(finding, values, now):
        workflow.name_repeat(
            finding, of=values["of"], version=values["version"], by=request.user, now=now, why=values["why"]
        )

    def same(values):
        return Repeat("repeat named", {"of": values["of"].ref if values["of"] else "", "why": values["why"]})

    done = "It is recorded of what this is a repeat."
    return act_on(request, form, call, done=done, page=page, repeat=same)


def came_before(finding, now):
    """Closed findings that this one may repeat, the last closed first, with their words."""
    place = Q(end=finding.end_id) if finding.end_id else Q(pk__in=[])
    place |= Q(coupler=finding.coupler_id) if finding.coupler_id else Q(pk__in=[])
    rows = Finding.objects.filter(place, state=Finding.State.CLOSED, closed__lte=finding.first_seen)
    rows = rows.filter(component=finding.component).exclude(pk=finding.pk).for_list().order_by("-closed")[:OFFERED]
    lines = words.lines(rows, grading.ruleset(now), now)
    return [
        (
            line.finding,
            f"{line.finding}, come back: {line.part}. {line.fault}. Closed {words.age(line.finding.closed, now)} ago",
        )
        for line in lines
    ]


@page_of("decide occurrence")
def occurrence(request, finding, now, posted):
    """Is it reportable as an occurrence? By whom, when, under which reference; nothing is sent."""
    form = OccurrenceForm(posted, finding=finding, now=now, primary=True)
    page = Page("pages/occurrence.html", lambda finding: {"decided": occurrences.decided(finding)})
    if posted is None:
        return asked(request, form, page)

    def call(finding, values, now):
        workflow.decide_occurrence(
            finding,
            version=values["version"],
            by=request.user,
            now=now,
            reportable=values["reportable"] == "yes",
            reference=values["reference"],
            why=values["why"],
        )

    def same(values):
        said = {"reportable": values["reportable"] == "yes", "reference": values["reference"], "why": values["why"]}
        return Repeat("occurrence decided", said)

    return act_on(request, form, call, done="The decision is recorded. Nothing was sent.", page=page, repeat=same)
