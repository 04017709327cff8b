"""Sections: what gets worse or better, what a modification did, season, and places."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from inspections.history.section import (
    FEW,
    SHOWN,
    Asked,
    Section,
    chance,
    counted,
    limits,
    listed,
    rounded,
    said,
    shown,
    times,
)
from inspections.recurrence import preparation, trend
from inspections.recurrence.changing import WINDOWS

POINTS = 120  # of a line on a chart


def trends(asked: Asked) -> Section:
    """Every component's trend; the fleet first, then what stands out by type."""
    found, named = asked.overview.trends, asked.out("trends")
    out = [row for row in found if (row.component, row.type, row.window, row.verdict) in named]
    fleet = [row for row in found if row.type < 0 and row.events]
    shown_rows = sorted(fleet, key=lambda row: row.p if row.events >= trend.FEW else 2)
    listed_rows = out + [row for row in shown_rows if row not in out]
    rows = tuple(
        (
            asked.part(row.component),
            asked.record.types[row.type] if row.type >= 0 else "whole fleet",
            row.window,
            row.events,
            times(row.ratio.value),
            times(row.ratio.low),
            times(row.ratio.high),
            chance(row.q),
            row.verdict if row in out or row.events < trend.FEW else trend.NO_SIGN,
        )
        for row in listed_rows
    )
    surest = min(out, key=lambda row: row.q, default=None)
    drawn = surest or (shown_rows[0] if shown_rows else None)
    return Section(
        "trends",
        "Is it getting worse or better?",
        trends_answer(asked, rows, out),
        (
            "Part",
            "Of",
            "Over",
            "Faults",
            "Times the rate before",
            "From",
            "To",
            "By chance (all allowed for)",
            "Verdict",
        ),
        rows,
        "The clock is each end's own running, season allowed for. A steady rate is a straight line; a rising one "
        "bends up. Below 8 faults nothing is said.",
        cumulative(asked, drawn) if drawn else None,
    )


def trends_answer(asked: Asked, rows: tuple, out: list) -> str:
    """What changes, in order of how sure it is."""
    if not out:
        return "No part's rate clearly rises or falls. With few faults only a doubling would be noticed."
    surest: dict[str, tuple] = {}
    for row in sorted(rows[: len(out)], key=lambda row: row[7]):
        surest.setdefault(row[0], row)
    told = []
    for row in list(surest.values())[:3]:
        whose = "" if row[1] == "whole fleet" else f" on type {row[1]}"
        when = "in the last year as before" if row[2] == WINDOWS[1] else "now as a year ago"
        span = limits(row[5], row[6])
        told.append(f"{row[0]}{whose}: {row[8]}, about {shown(row[4])} times as many {when} ({span})")
    more = f" {counted(len(surest) - 3, 'part')} more in the table." if len(surest) > 3 else ""
    return "; ".join(told) + f".{more}"


def cumulative(asked: Asked, row) -> dict:
    """Faults so far against a steady rate, by calendar."""
    record, judged = asked.record, asked.overview.ends
    cells = record.component_of_cell == row.component
    if row.type >= 0:
        cells &= record.type_of_end[record.end_of_cell] == row.type
    happened = judged.episodes
    times = np.sort(happened.time[happened.starts & cells[happened.cell]])
    times = times[(times >= 0) & (times < record.days)]
    days = np.linspace(0, record.days, min(POINTS, record.days) + 1)
    whose = asked.record.types[row.type] if row.type >= 0 else "whole fleet"
    steady = steady_so_far(asked, cells, days, len(times))
    marks = [
        {"x": rounded(float(at)), "label": name}
        for name, at in first_days(record)
        if 0 < at < record.days and record.changed_component[record.changes.index(name)] in (-1, row.component)
    ]
    return {
        "kind": "steps",
        "title": f"{asked.part(row.component)}, {whose}",
        "x": [rounded(float(day)) for day in days],
        "y": [int(n) for n in np.searchsorted(times, days)],
        "expected": [rounded(float(value), 2) for value in steady],
        "marks": marks[:3],
        "first": asked.told.first.isoformat(),
        "last": asked.told.cut_off.isoformat(),
    }


def steady_so_far(asked: Asked, cells: np.ndarray, days: np.ndarray, total: int) -> np.ndarray:
    """What a steady rate would have brought by each day, for the running there was."""
    judged = asked.overview.ends
    running = np.zeros(judged.ran.days + 1)
    component = int(asked.record.component_of_cell[np.flatnonzero(cells)[0]])
    every, live = preparation.live_days(judged.episodes, judged.ran, component)
    mine = cells[every]
    ran = judged.ran.usage[judged.ran.end_of_cell[every[mine]]] * judged.ran.season[component] * live[mine]
    running[1:] = np.cumsum(ran.sum(axis=0))
    so_far = np.interp(days, np.arange(len(running)), running)
    return so_far / running[-1] * total if running[-1] else so_far


def first_days(record) -> list[tuple[str, float]]:
    """(modification, the day it was first done)."""
    return [
        (name, float(record.changed.at[record.changed.change == n].min()))
        for n, name in enumerate(record.changes)
        if (record.changed.change == n).any()
    ]


def modifications(asked: Asked) -> Section:
    """Before and after what was done on purpose."""
    named = asked.out("modifications")
    found = [row for row in asked.overview.steps if row.step.before + row.step.after]
    found.sort(key=lambda row: row.q)
    rows = tuple(
        (
            asked.record.changes[row.change],
            asked.part(row.component),
            row.ends,
            row.step.before,
            row.step.after,
            rounded(row.step.ratio.value, 2),
            rounded(row.step.ratio.low, 2),
            rounded(row.step.ratio.high, 2),
            chance(row.q),
        )
        for row in found
    )
    out = [row for row, of in zip(rows, found, strict=True) if (of.change, of.component) in named]
    if not rows:
        answer = "No modification or fleet action is recorded as done at an end."
    elif out:
        first = out[0]
        answer = (
            f"After “{first[0]}”: {first[1]} at {shown(first[5])} times the rate before "
            f"({limits(first[6], first[7])}), {counted(first[3], 'fault')} before and {first[4]} after at "
            f"{counted(first[2], 'end')}."
        )
    else:
        answer = "No modification changed a rate beyond chance."
    return Section(
        "modifications",
        "What did modifications and fleet actions do?",
        answer,
        (
            "What",
            "Part",
            "Ends",
            "Before",
            "After",
            "Times the rate before",
            "From",
            "To",
            "By chance (all allowed for)",
        ),
        rows[:SHOWN],
        "Ends chosen because they were bad would have come down anyway: compare with ends that were left alone.",
    )


def seasons(asked: Asked) -> Section:
    """Which parts fault by the time of year."""
    pairs = zip(asked.overview.ends.seasons, asked.overview.season_q, strict=True)
    found = [(n, season, q) for n, (season, q) in enumerate(pairs) if season.told]
    found.sort(key=lambda row: row[2])
    rows = tuple(
        (
            asked.part(n),
            season.episodes,
            rounded(season.ratio),
            rounded(season.low),
            rounded(season.high),
            month(season.peak) if season.sure else None,
            chance(q),
        )
        for n, season, q in found
    )
    named = asked.out("seasons")
    out = [row for row, (n, _, _) in zip(rows, found, strict=True) if (n,) in named]
    if out:
        first = out[0]
        answer = (
            f"{first[0]}: faults peak in {first[5]} at about {shown(first[2])} times the lowest level "
            f"({limits(first[3], first[4])}), after allowing for how many trains ran."
        )
        others = [row[0] for row in out[1:]]
        answer += f" Also: {listed(others)}." if others else ""
    elif rows:
        answer = "No part faults by the season beyond chance."
    else:
        answer = "Too little to tell: a season needs two years and 30 faults of a part."
    strip = month_strip(asked, found[0][0]) if found else None
    heads = ("Part", "Faults", "Peak over low", "From", "To", "Peak", "By chance (all allowed for)")
    reading = "Each cell is one month, the number in it the faults that began then."
    return Section("seasons", "Is it the season?", answer, heads, rows, reading, strip)


def month(day: float) -> str:
    """ "late January": which third of which month a day of the year is in."""
    at = date(2025, 1, 1) + timedelta(days=int(day) % 365)
    return f"{('early', 'mid', 'late')[min(2, (at.day - 1) // 10)]} {at:%B}"


def month_strip(asked: Asked, component: int) -> dict:
    """Episodes of a component by year and month."""
    happened = asked.overview.ends.episodes
    mine = happened.starts & (asked.record.component_of_cell[happened.cell] == component)
    mine &= (happened.time >= 0) & (happened.time < asked.record.days)
    days = [asked.told.first + timedelta(days=int(at)) for at in happened.time[mine]]
    years = range(asked.told.first.year, asked.told.cut_off.year + 1)
    count = {(day.year, day.month): 0 for day in days}
    for day in days:
        count[day.year, day.month] += 1
    first = (asked.told.first.year, asked.told.first.month)
    last = (asked.told.cut_off.year, asked.told.cut_off.month)
    cells = [
        [count.get((year, m), 0) if first <= (year, m) <= last else None for m in range(1, 13)] for year in years
    ]
    return {"kind": "strip", "title": asked.part(component), "years": list(years), "cells": cells}


def places(asked: Asked) -> Section:
    """Where joining fails, beyond what the ends that meet there explain."""
    found = sorted(asked.overview.places, key=lambda row: row.q if np.isfinite(row.q) else 2)
    rows = tuple(
        (
            asked.record.places[row.place],
            row.tries,
            row.failures,
            rounded(row.expected),
            rounded(row.ratio.value),
            rounded(row.ratio.low),
            rounded(row.ratio.high),
            chance(row.q),
        )
        for row in found
    )
    named = asked.out("places")
    out = [row for row, of in zip(rows, found, strict=True) if (of.place,) in named]
    failures = sum(row[2] for row in rows)
    if failures < FEW:
        answer = f"Too little data: {counted(failures, 'failed attempt')}."
    elif out:
        first = out[0]
        answer = (
            f"{first[0]}: {first[2]} of {shown(first[1])} attempts failed, {shown(first[3])} were to be expected for "
            f"the ends that met there: {shown(first[4])} times the other places ({limits(first[5], first[6])})."
        )
    else:
        answer = "No place stands out beyond what the ends that meet there explain."
    chart = {
        "kind": "intervals",
        "unit": "times the other places",
        "rows": [
            {"label": row[0], "value": row[4], "low": row[5], "high": row[6], "solid": row in out}
            for row in rows
            if row[4] is not None
        ],
    }
    return Section(
        "places",
        "Where do couplings fail?",
        answer,
        ("Place", "Attempts", "Failed", "Expected", "Times the others", "From", "To", "By chance (all allowed for)"),
        rows,
        "Expected: what the ends that met there would fail elsewhere.",
        chart if failures >= FEW else None,
    )


def span(asked: Asked) -> str:
    """The days of the record, in words."""
    return f"{said(asked.told.first)} to {said(asked.told.cut_off)}"
