"""Sections: which ends, couplers and types stand out, and what a fault follows."""

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
from inspections.recurrence import rates

PULLED = "Small counts are pulled towards the fleet's average. A dot is filled where the whole line clears it."


def ends(asked: Asked) -> Section:
    """Ends and components by their chance of being worse than the fleet."""
    judged, record = asked.overview.ends, asked.record
    n, e, groups = judged.expected.n, judged.expected.e, judged.groups
    order = np.lexsort((-n, -groups.bad))[:SHOWN]
    order = [int(cell) for cell in order if n[cell] > 0]
    rows = []
    for cell in order:
        end, component = divmod(cell, len(record.components))
        state = "confirmed" if judged.confirmed[cell] else "watch" if judged.watched[cell] else ""
        rows.append(
            (
                record.ends[end],
                asked.part(component),
                int(n[cell]),
                rounded(e[cell]),
                rounded(groups.mean[cell]),
                rounded(groups.low[cell]),
                rounded(groups.high[cell]),
                min(99, percent(groups.bad[cell]) or 0),
                state,
            )
        )
    heads = (
        "End",
        "Part",
        "Faults",
        "Expected",
        "Times the fleet",
        "From",
        "To",
        "Chance it is worse, %",
        "Standing",
    )
    cases = tuple(asked.case(*divmod(cell, len(record.components))) for cell in order)
    return Section(
        "ends",
        "Which ends fault more than chance?",
        ends_answer(asked, rows),
        heads,
        tuple(rows),
        f"Faults are counted as episodes, over what running and season lead to expect. {PULLED}",
        {"kind": "intervals", "unit": "times the fleet's rate", "rows": [interval(row) for row in rows]},
        cases,
    )


def interval(row: tuple) -> dict:
    """What a row of `ends` looks like in a chart of dots and lines."""
    end, part, _, _, mean, low, high, _, state = row
    return {"label": f"{end}: {part}", "value": mean, "low": low, "high": high, "solid": state == "confirmed"}


def ends_answer(asked: Asked, rows: list[tuple]) -> str:
    """Who is on the list, the first of them in full, and how many of it may be chance."""
    judged = asked.overview.ends
    total = int(judged.expected.n.sum())
    if total < FEW:
        return f"Too little data: {counted(total, 'fault')} in the record. The list is shown, no rates."
    named = [row for row in rows if row[8] == "confirmed"]
    watch = [row for row in rows if row[8] == "watch"]
    if not named:
        more = f" {counted(len(watch), 'is', 'are')} worth an eye." if watch else ""
        return f"No end stands out beyond chance.{more}"
    first = named[0]
    false = rounded(rates.expected_false(judged.groups.bad, judged.confirmed), 1)
    count = int(judged.confirmed.sum())
    return (
        f"{first[0]}, {first[1]}: {counted(first[2], 'separate fault')} where about {shown(first[3])} were to be "
        f"expected for its running and season. Chance that it is really worse than the fleet: {sure(first[7])}. Best "
        f"guess {shown(first[4])} times the fleet's rate ({limits(first[5], first[6])}). "
        f"On this list: {listed([f'{row[0]} ({row[1]})' for row in named])}. "
        f"Of {counted(count, 'name')}, expect about {shown(false)} to be a false alarm."
    )


def sure(chance_in_percent: int) -> str:
    """ "96 %"; never all of it."""
    return f"{chance_in_percent} %" if chance_in_percent < 99 else "99 % or more"


def couplers(asked: Asked) -> Section:
    """Couplers that stood out and moved: does the fault go with the coupler or stay at the end?"""
    found = asked.overview.couplers
    rows = tuple(
        (
            asked.record.couplers[move.coupler],
            asked.part(move.component),
            asked.record.ends[move.from_end],
            asked.record.ends[move.to_end],
            asked.day(move.at),
            move.with_coupler,
            rounded(move.expected_with),
            move.at_old,
            rounded(move.expected_old),
            percent(move.p_coupler),
            move.verdict,
        )
        for move in found.moves
    )
    return Section(
        "couplers",
        "Does a fault follow the coupler, or stay at the end?",
        couplers_answer(asked, rows),
        (
            "Coupler",
            "Part",
            "From",
            "To",
            "Moved",
            "Faults with it since",
            "Expected",
            "Faults at the old end since",
            "Expected there",
            "Chance it is the coupler, %",
            "It follows",
        ),
        rows,
        "Only couplers that moved can be told from their ends. Below 90 % either way it stays undecided.",
    )


def couplers_answer(asked: Asked, rows: tuple) -> str:
    """The clear ones, else what is missing."""
    moved = int(asked.overview.couplers.moved.sum())
    if not moved:
        return "No coupler was at two ends for long enough: end and coupler cannot be told apart."
    clear = [row for row in rows if row[10] == "coupler"]
    if not clear:
        more = f" {counted(len(rows), 'move stays', 'moves stay')} undecided or at the end." if rows else ""
        return f"{counted(moved, 'coupler')} moved; no fault clearly followed one.{more}"
    row = clear[0]
    return (
        f"Since coupler {row[0]} moved from {row[2]} to {row[3]}, {row[3]} had {counted(row[5], 'fault')} of "
        f"{row[1]} ({shown(row[6])} expected) and {row[2]} had {row[7]} ({shown(row[8])} expected). "
        f"It looks like the coupler: {row[9]} %."
    )


def types(asked: Asked) -> Section:
    """Unit types against each other, ends that stand out by themselves left out."""
    named = asked.out("types")
    found = [row for row in sorted(asked.overview.types, key=lambda row: row.q) if row.n or row.e >= 1]
    rows = tuple(
        (
            asked.record.types[row.type],
            asked.part(row.component),
            row.n,
            rounded(row.e),
            rounded(row.ratio.ratio, 2),
            rounded(row.ratio.low, 2),
            rounded(row.ratio.high, 2),
            chance(row.q),
        )
        for row in found
    )
    pairs = zip(rows, found, strict=True)
    out = [f"{row[0]} ({row[1]})" for row, of in pairs if (of.type, of.component) in named]
    answer = f"Beyond chance: {listed(out)}." if out else "No unit type differs from the others beyond chance."
    return Section(
        "types",
        "Does a unit type fault more than the others?",
        answer,
        (
            "Type",
            "Part",
            "Faults",
            "Expected",
            "Times the other types",
            "From",
            "To",
            "By chance (all pairs allowed for)",
        ),
        rows[:SHOWN],
        "Confirmed ends are left out, so that three bad ends do not make a bad type.",
    )


def mates(asked: Asked) -> Section:
    """What a damaged end passed on."""
    record, faults = asked.record, asked.record.faults
    rows = []
    for marked in sorted(asked.overview.chains, key=lambda row: row.chain.p)[:SHOWN]:
        end, component = int(faults.end[marked.fault]), int(faults.component[marked.fault])
        chain = marked.chain
        followed = listed([record.ends[cell // len(record.signs)] for cell in chain.which], 6)
        day = asked.day(faults.time[marked.fault])
        row = (record.ends[end], asked.part(component), day, chain.mates, chain.followed, rounded(chain.expected, 2))
        rows.append((*row, followed, chance(chain.q), "yes" if chain.stands_out else ""))
    out = [row for row in rows if row[8]]
    answer = (
        f"After the fault of {out[0][0]}, {out[0][1]}, seen {out[0][2]}, {out[0][4]} of its {out[0][3]} mates had "
        f"one too within ten days: {out[0][6]}. About {shown(out[0][5])} were to be expected anyway."
        if out
        else "No damaged end was followed by more faults at its mates than those ends have anyway."
    )
    return Section(
        "mates",
        "Is one end behind several others?",
        answer,
        (
            "End",
            "Part",
            "Seen",
            "Mates met",
            "Followed",
            "Expected",
            "Which",
            "By chance (all allowed for)",
            "Stands out",
        ),
        tuple(row for row in rows if row[4]),
        "Each mate's own rate is its yardstick: ends that fault often anyway prove nothing.",
    )
