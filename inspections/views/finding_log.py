"""The log of one finding."""

from __future__ import annotations

from urllib.parse import urlencode

from django.core.paginator import Paginator
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from inspections import finding_log as logged
from inspections import grading, words
from inspections.forms.finding_log import FilterForm
from inspections.permissions import may, require
from inspections.views.findings import finding_meant

PAGE = 200


@require_safe
@require("see standing")
def finding_log(request, ref):
    """Every entry about one finding, or those the filter asks for; the newest last."""
    now = timezone.now()
    finding = finding_meant(ref)
    if finding.merged_into_id:
        return redirect("finding-log", finding.merged_into.ref)
    entries = logged.told(logged.entries_of(finding), reader=request.user)
    form = FilterForm(request.GET, finding=finding, kinds=logged.kinds(entries), people=logged.people(entries))
    asked = form.asked()
    shown = logged.matching(entries, asked)
    page = Paginator(shown, PAGE).get_page(request.GET.get("page"))
    link = {
        key: value for key, value in (("kind", asked.kind), ("person", asked.person), ("since", asked.since)) if value
    }
    context = {
        "finding": finding,
        "heading": words.heading(grading.ruleset(now), finding),
        "form": form,
        "page": page,
        "link": urlencode(link),
        "filtered": bool(link),
        "all": len(entries),
        "named": may(request.user, "see words"),
        "now": now,
    }
    return render(request, "pages/finding_log.html", context)
