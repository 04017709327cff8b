"""Sections: do repairs hold, which depot's, what came back after no fault was found; how long parts last; spares."""

from __future__ import annotations

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
    percent,
    rounded,
    shown,
)
from inspections.recurrence import repeats
from inspections.recurrence.holding import AHEAD, COST_RATIO, SERVICE

LEAST_AT_RISK = 10


def repairs(asked: Asked) -> Section:
    """What was done, where, and how often it came back."""
    found = asked.overview.repairs
    record = asked.record
    judged = [(row, row.judged) for row in found.work if row.judged.ripe]
    judged.sort(key=lambda pair: (pair[1].q if np.isfinite(pair[1].q) else 2, -pair[1].came_back))
    rows = tuple(
        (
            asked.part(row.component),
            record.actions[row.action],
            record.depots[row.depot],
            group.ripe,
            group.came_back,
            percent(group.came_back / group.ripe),
            rounded(group.expected),
            chance(group.q) if group.enough else None,
        )
        for row, group in judged
    )
    named = asked.out("repairs")
    out = [row for row, (of, _) in zip(rows, judged, strict=True) if (of.component, of.action, of.depot) in named]
    whole = found.all
    share = whole.returned
    if whole.ripe < FEW:
        answer = f"Too little data: {counted(whole.ripe, 'repair')} watched to the end of its window."
    else:
        answer = (
            f"{counted(whole.came_back, 'repair')} of {shown(whole.ripe)} came back within the window: "
            f"{percent(share.value)} % ({limits(percent(share.low), percent(share.high))}); "
            f"about {shown(rounded(whole.chance, 0))} would have come anyway. First-time fix: "
            f"{percent(whole.first_time.value)} %."
        )
        answer += "".join(
            f" {row[0]}, “{row[1]}” at {row[2]}: {row[4]} of {row[3]} came back, {shown(row[6])} expected."
            for row in out[:3]
        )
    heads = ("Part", "What was done", "Depot", "Repairs", "Came back", "Came back, %", "Expected", "By chance")
    shares = [(row, repeats_interval(row)) for row in rows if row[3] >= repeats.FEW_REPAIRS][:SHOWN]
    chart = {
        "kind": "intervals",
        "unit": "% that came back",
        "line": percent(whole.returned.value),
        "rows": [
            {"label": f"{row[0]}: {row[1]}, {row[2]}", "value": row[5], **ends, "solid": row in out}
            for row, ends in shares
        ],
    }
    return Section(
        "repairs",
        "Do repairs hold?",
        answer,
        heads,
        rows,
        "Only repairs whose window has ended. Expected: for the part, at everybody's rates. Judged from 20 up.",
        chart if shares else None,
    )


def repeats_interval(row: tuple) -> dict:
    """Wilson limits of a row's share, in percent."""
    share = repeats.wilson(row[4], row[3])
    return {"low": percent(share.low), "high": percent(share.high)}


def depots(asked: Asked) -> Section:
    """Depots for their mix of work; what already stands out by action is left out."""
    found = [group for group in asked.overview.repairs.depots if group.ripe]
    rows = tuple(
        (
            asked.record.depots[group.group],
            group.ripe,
            group.came_back,
            percent(group.came_back / group.ripe),
            rounded(group.expected),
            rounded(group.ratio.value, 2),
            rounded(group.ratio.low, 2),
            rounded(group.ratio.high, 2),
            chance(group.q) if group.enough else None,
        )
        for group in found
    )
    named = asked.out("depots")
    out = [row for row, of in zip(rows, found, strict=True) if (of.group,) in named]
    answer = (
        f"{out[0][0]}: {out[0][2]} of {out[0][1]} come back, {shown(out[0][4])} expected for its mix of work."
        if out
        else "No depot differs beyond chance for its mix of work."
    )
    heads = (
        "Depot",
        "Repairs",
        "Came back",
        "Came back, %",
        "Expected",
        "Times expected",
        "From",
        "To",
        "By chance (all allowed for)",
    )
    return Section(
        "depots",
        "Is a depot unusual for its work?",
        answer,
        heads,
        rows,
        "Each dot is a depot: how many repairs, what share came back. Between the lines is what chance does.",
        funnel(rows),
    )


def funnel(rows: tuple) -> dict | None:
    """Share against number, with the limits that chance draws around the mean."""
    repaired, back = sum(row[1] for row in rows), sum(row[2] for row in rows)
    if repaired < repeats.FEW_REPAIRS:
        return None
    mean, most = back / repaired, max(row[1] for row in rows)
    sizes = np.unique(np.linspace(5, most, 24).astype(int))
    spread = 1.96 * np.sqrt(mean * (1 - mean) / sizes)
    lines = [
        [int(n), rounded(100 * max(0.0, mean - s)), rounded(100 * min(1.0, mean + s))]
        for n, s in zip(sizes, spread, strict=True)
    ]
    points = [{"label": row[0], "n": row[1], "share": row[3]} for row in rows]
    return {"kind": "funnel", "mean": rounded(100 * mean), "limits": lines, "points": points}


def not_found(asked: Asked) -> Section:
    """No fault found, and what was there after all."""
    told = asked.overview.repairs.not_found
    if told.examined < FEW:
        answer = f"Too little data: {counted(told.examined, 'fault')} examined."
    else:
        answer = (
            f"No fault was found in {shown(told.not_found)} of {shown(told.examined)} examined: "
            f"{percent(told.share.value)} % ({limits(percent(told.share.low), percent(told.share.high))}). "
            f"Of {shown(told.ripe)} whose window has ended, {told.came_back} came back as a fault"
            + (f" ({limits(percent(told.returned.low), percent(told.returned.high))} %)." if told.ripe else ".")
        )
    rows = (
        ("Examined", told.examined, None, None, None),
        ("No fault found", told.not_found, *(percent(x) for x in estimate(told.share))),
        ("Of those watched to the end", told.ripe, None, None, None),
        ("Came back as a fault", told.came_back, *(percent(x) for x in estimate(told.returned))),
    )
    return Section(
        "not-found",
        "How often is no fault found, and was it there?",
        answer,
        ("What", "Count", "%", "From", "To"),
        rows,
        "“No fault found” is no repair: it is watched as one is.",
    )


def estimate(value) -> tuple[float, float, float]:
    return value.value, value.low, value.high


def parts(asked: Asked) -> Section:
    """How long parts last, and whether planned replacement pays."""
    rows, best = [], None
    for row in asked.overview.parts:
        told, again = row.weibull, row.renewal
        pays = again is not None and again.recommended
        age = (rounded(again.best.earliest, 0), rounded(again.best.latest, 0)) if pays else (None, None)
        rows.append(
            (
                asked.slot(row.slot),
                row.survival.parts,
                row.survival.failed,
                *(rounded(x, 2) for x in estimate(told.shape)),
                rounded(told.b10.value, 0),
                *(rounded(x, 0) for x in estimate(row.survival.quantile(0.5))),
                *age,
                "planned replacement pays" if pays else again.why if again else "too few failures to say",
            )
        )
        if pays and (best is None or row.survival.failed > best.survival.failed):
            best = row
    drawn = best or max(asked.overview.parts, key=lambda row: row.survival.failed, default=None)
    heads = ("Part", "Fitted", "Failed", "Shape", "From", "To", "10 % failed by, days", "Half failed by, days")
    heads += ("From", "To", "Replace from, days", "Replace to, days", "Verdict")
    return Section(
        "parts",
        "How long do parts last, and does planned replacement pay?",
        parts_answer(asked, tuple(rows), best),
        heads,
        tuple(rows),
        f"Parts in use count as lasting so far. Assumed: a failure costs {shown(COST_RATIO)} planned changes.",
        survival_chart(asked, drawn) if drawn is not None and drawn.survival.failed >= FEW else None,
    )


def parts_answer(asked: Asked, rows: tuple, best) -> str:
    """The part that pays most clearly; else what is missing."""
    if not rows:
        return "No part is recorded by slot with its age: that record is missing."
    if best is None:
        return "For no part is it shown that planned replacement pays."
    row = next(row for row in rows if row[0] == asked.slot(best.slot))
    half = (
        f"Half last longer than {shown(row[7])} days ({limits(row[8], row[9])})" if row[7] else "Over half still run"
    )
    return (
        f"{row[0]}: {half}; {row[2]} of {row[1]} failed, the others count as still in use. They wear out (shape "
        f"{shown(row[3])}, {limits(row[4], row[5])}). If a failure costs about {shown(COST_RATIO)} planned changes, "
        f"replace at about {shown(row[10])} to {shown(row[11])} days."
    )


def survival_chart(asked: Asked, row) -> dict:
    """The steps of a life curve, down to LEAST_AT_RISK parts."""
    told = row.survival
    keep = told.at_risk >= LEAST_AT_RISK
    return {
        "kind": "survival",
        "title": asked.slot(row.slot),
        "age": [rounded(x, 0) for x in told.age[keep]],
        "share": [rounded(100 * x) for x in told.share[keep]],
        "low": [rounded(100 * x) for x in told.low[keep]],
        "high": [rounded(100 * x) for x in told.high[keep]],
        "at_risk": [int(x) for x in told.at_risk[keep]],
    }


def batches(asked: Asked) -> Section:
    """Does a batch last less long?"""
    rows = tuple(
        (asked.slot(row.slot), int(row.compared.failed.size), int(row.compared.failed.sum()), chance(row.q))
        for row in asked.overview.batches
    )
    named = asked.out("batches")
    out = [row[0] for row, of in zip(rows, asked.overview.batches, strict=True) if (of.slot,) in named]
    answer = (
        f"Batches last differently: {listed(out)}."
        if out
        else "No batch lasts shorter or longer than the others beyond chance."
        if rows
        else "No slot has parts of two batches on record."
    )
    heads = ("Part", "Batches", "Failed", "By chance (all allowed for)")
    return Section("batches", "Is a batch of parts worse?", answer, heads, rows)


def spares(asked: Asked) -> Section:
    """What each depot will want."""
    rows = tuple(
        (
            asked.record.depots[row.depot],
            asked.slot(row.slot),
            row.used,
            *(rounded(x) for x in estimate(row.wanted)),
            row.hold,
        )
        for row in asked.overview.spares
    )
    answer = (
        f"For the next {AHEAD:.0f} days, stock that lasts in {SERVICE:.0%} of cases: see the table."
        if rows
        else "No part was replaced in the record: nothing to reckon stock from."
    )
    heads = ("Depot", "Part", "Used", f"Wanted in {AHEAD:.0f} days", "From", "To", "Hold")
    return Section("spares", "Which spares will depots want?", answer, heads, rows)
