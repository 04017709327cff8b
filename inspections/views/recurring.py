"""What keeps coming back: the manager's page, first cut, and its tables as files."""

from __future__ import annotations

import csv

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_safe

from inspections import grading, words
from inspections import recurring as counts
from inspections.permissions import require
from inspections.reports import charts


@require_safe
@require("see recurring")
def recurring(request):
    """Open findings by category and age, repeats, counts over couplings; honestly counts."""
    now = timezone.now()
    rules, year = grading.ruleset(now), counts.year_before(now)
    parts, ends = counts.by_part(year, rules), counts.ends(year)
    repeats = counts.repeats(year)
    total = sum(row[1] for row in parts.rows)
    context = {
        "year": year,
        "total": total,
        "few": counts.FEW,
        "window_days": rules.repeat_days,
        "window_couplings": rules.repeat_couplings,
        "open": counts.open_by_age(now),
        "parts": parts,
        "chart": parts_chart(parts, year) if total >= counts.FEW else "",
        "ends": end_rows(ends, rules),
        "repeats": words.lines(repeats[: counts.LISTED], rules, now),
        "repeat_count": repeats.count(),
        "closed": counts.closed_in(year),
        "now": now,
        **cases_asked(request, year, rules, now, ends),
    }
    return render(request, "pages/recurring.html", context)


def end_rows(ends, rules):
    """Rows of the table of ends with the address of their cases."""
    return [
        {
            **row,
            "part": counts.component(rules, row["component"]),
            "rate": counts.rate(row["n"], row["couplings"]),
            "link": f"?end={row['end']}&part={row['component']}#cases",
        }
        for row in ends
    ]


def parts_chart(parts, year):
    """The counts by part as bars."""
    most = parts.rows[0]
    question = f"Which parts have the most findings, {year.words}?"
    answer = (
        f"{most[0]} has the most: {most[1]} of {most[2]}. The part fitted most often may lead for that reason alone."
    )
    # Every text inside is escaped by the drawing function.
    return mark_safe(charts.bars([row[:2] for row in parts.rows], question=question, answer=answer, name="parts"))  # noqa: S308


def cases_asked(request, year, rules, now, ends):
    """The cases of the row that was asked for; nothing for an address that names none."""
    end, part = request.GET.get("end", ""), request.GET.get("part", "")
    if not (end.isascii() and end.isdigit() and len(end) < 18 and part):
        return {}
    found = counts.cases(year, int(end), part)[: counts.LISTED]
    return {"cases": words.lines(found, rules, now), "cases_part": counts.component(rules, part)}


@require_safe
@require("see recurring")
def csv_table(request, table):
    """One of the tables as a file; cells that could be read as a formula are made harmless."""
    now = timezone.now()
    makers = counts.tables(now, grading.ruleset(now))
    if table not in makers:
        raise Http404(f"There is no table {table}.")
    year = counts.year_before(now)
    response = HttpResponse(content_type="text/csv; charset=utf-8")
    response.headers["Content-Disposition"] = f'attachment; filename="{table}-{year.last.isoformat()}.csv"'
    response.write("\ufeff")
    csv.writer(response).writerows(counts.file_rows(makers[table](), year))
    return response
