"""What keeps coming back: the manager's page, its tables as files, the cases behind a row."""

from __future__ import annotations

from datetime import date

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import content_disposition_header
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_safe

from fleet.models import CouplerEnd, Place
from inspections import grading, words
from inspections.history import cases, figures
from inspections.history.section import said, shown
from inspections.permissions import require
from inspections.reports import charts, sheets

CASES = 50  # of a row, how many are shown
ROWS = 20  # of a table
FEW_ROWS = 4  # a table without a chart so short lies open
OLDEST = date(2000, 1, 1)
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def day_asked(request, now) -> date:
    """The cut-off day of the address, where it is a whole day that is over; else yesterday."""
    last = figures.cut_off_before(now)
    try:
        day = date.fromisoformat(request.GET.get("day", ""))
    except ValueError:
        return last
    return day if OLDEST <= day <= last else last


@require_safe
@require("see recurring")
def recurring(request):
    """Three sentences, then a section for each question: answer, chart, table, cases, file."""
    now = timezone.now()
    day = day_asked(request, now)
    told = figures.figures(day)
    part = request.GET.get("only", "")
    pages = pages_of(now)
    sections = [for_page(section, part, pages) for section in told["sections"]]
    first = next((row["case"] for section in sections for row in section["rows"] if row["case"]), "")
    context = {
        "told": told,
        "sections": sections,
        "parts": sorted({cell for section in told["sections"] for cell in column(section, "Part")}),
        "only": part,
        "day": day,
        "days": f"{said(told['first'])} to {said(told['cut_off'])}",
        "asked_day": day if "day" in request.GET else None,
        "first_case": first,
        "now": now,
        **cases_asked(request, told, now),
    }
    return render(request, "pages/recurring.html", context)


def column(section: dict, head: str) -> list:
    """The cells of one column, none where the section has no such."""
    if head not in section["heads"]:
        return []
    n = section["heads"].index(head)
    return [row[n] for row in section["rows"] if row[n]]


# Section → which kind of page its rows' first cell has.
FIRST_CELL = {"places": "place", "effort": "part", "couplers": "coupler"}


def pages_of(now) -> dict[tuple[str, str], str]:
    """(kind, name) → the address of the page of a place or part. One query."""
    rules = grading.ruleset(now)
    places = Place.objects.values_list("name", "code")
    return {
        **{("place", name): reverse("place-history", args=[code]) for name, code in places},
        **{("part", part.name): reverse("part-history", args=[code]) for code, part in rules.components.items()},
    }


def page_of(section: dict, row, pages: dict) -> str:
    """The address of the page about what a row is of; "" where there is none."""
    kind = FIRST_CELL.get(section["name"])
    if kind == "coupler":
        return reverse("coupler", args=[row[0]])
    return pages.get((kind, row[0]), "")


def for_page(section: dict, part: str, pages: dict) -> dict:
    """A section with its chart drawn and its rows as labelled text; only rows of `part` where one is asked for."""
    at = section["heads"].index("Part") if part and "Part" in section["heads"] else None
    rows = [
        {
            "cells": [(head, shown(cell)) for head, cell in zip(section["heads"], row, strict=True)],
            "case": section["cases"][n] if n < len(section["cases"]) else "",
            "page": page_of(section, row, pages),
        }
        for n, row in enumerate(section["rows"])
        if at is None or row[at] == part
    ]
    # Every text inside is escaped by the drawing function.
    chart = mark_safe(charts.svg(section)) if section["chart"] else ""  # noqa: S308
    few = not chart and len(rows) <= FEW_ROWS
    return {**section, "rows": rows[:ROWS], "more": max(0, len(rows) - ROWS), "chart": chart, "few": few}


def cases_asked(request, told: dict, now) -> dict:
    """The cases of the row that was asked for; nothing for an address that names none."""
    end, part = request.GET.get("end", ""), request.GET.get("part", "")
    if not (end.isascii() and end.isdigit() and len(end) < 18 and part):
        return {}
    rules = grading.ruleset(now)
    span = (date.fromisoformat(told[name]) for name in ("first", "cut_off"))
    found = cases.counting(*span).filter(end=int(end), component=part)
    name = rules.components[part].name if part in rules.components else part
    return {
        "cases": words.lines(found[:CASES], rules, now),
        "cases_part": name,
        "case_count": found.count(),
        "case_end": int(end),
    }


def history_page(request, heading: str, found, told: dict, words_for: str) -> HttpResponse:
    """Cases of one end, place or part, newest first, with the rows of the figures that name it."""
    now = timezone.now()
    rules = grading.ruleset(now)
    named = [
        {"question": section["question"], "name": section["name"], "rows": rows}
        for section in told["sections"]
        if (rows := [labelled(section, row) for row in section["rows"] if words_for in row])
    ]
    context = {
        "heading": heading,
        "named": named,
        "cases": words.lines(found[:CASES], rules, now),
        "count": found.count(),
        "days": f"{said(told['first'])} to {said(told['cut_off'])}",
        "now": now,
    }
    return render(request, "pages/history_of.html", context)


def labelled(section: dict, row) -> list[tuple[str, str]]:
    """A row of the figures as (head, text)."""
    return [(head, shown(cell)) for head, cell in zip(section["heads"], row, strict=True)]


def counting(told: dict):
    """The findings of the record's days."""
    return cases.counting(*(date.fromisoformat(told[name]) for name in ("first", "cut_off")))


@require_safe
@require("see recurring")
def end_history(request, pk):
    """One end: every part."""
    end = get_object_or_404(CouplerEnd.objects.select_related("unit"), pk=pk)
    told = figures.figures(day_asked(request, timezone.now()))
    return history_page(request, f"End {end}", counting(told).filter(end=end), told, str(end))


@require_safe
@require("see recurring")
def place_history(request, code):
    """One place: what was first seen there."""
    place = get_object_or_404(Place, code=code)
    told = figures.figures(day_asked(request, timezone.now()))
    here = counting(told).filter(observations__kind="first report", observations__inspection__place=place).distinct()
    return history_page(request, place.name, here, told, place.name)


@require_safe
@require("see recurring")
def part_history(request, code):
    """One part, everywhere."""
    component = grading.ruleset(timezone.now()).components.get(code)
    if component is None:
        raise Http404(f"There is no part {code}.")
    told = figures.figures(day_asked(request, timezone.now()))
    return history_page(request, component.name, counting(told).filter(component=code), told, component.name)


@require_safe
@require("see recurring")
def csv_table(request, table):
    """One section's table as a file; cells that could be read as a formula are made harmless."""
    told = figures.figures(day_asked(request, timezone.now()))
    section = next((section for section in told["sections"] if section["name"] == table), None)
    if section is None:
        raise Http404(f"There is no table {table}.")
    body = sheets.csv_of(section, told["first"], told["cut_off"])
    return file_named(body, "text/csv; charset=utf-8", f"{table}-{told['cut_off']}.csv")


@require_safe
@require("see recurring")
def workbook(request):
    """All tables as a workbook."""
    told = figures.figures(day_asked(request, timezone.now()))
    return file_named(sheets.workbook(told), WORKBOOK, f"recurring-{told['cut_off']}.xlsx")


def file_named(body, kind: str, name: str) -> HttpResponse:
    """A file to keep."""
    response = HttpResponse(body, content_type=kind)
    response.headers["Content-Disposition"] = content_disposition_header(as_attachment=True, filename=name)
    return response
