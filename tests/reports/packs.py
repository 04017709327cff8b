"""Example shift packs of the demonstration railway, built by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from inspections.reports.shift_pack import Pack, PackCount, PackJob, Unfinished, shift_pack
from tests.reports.cards import GMT, card, finding

JOB = PackJob(
    reference="00104289",
    unit="305",
    end="A",
    road="3",
    part="5 Upper air seal",
    fault="torn, piece missing",
    category="Undesirable",
    due="by 14 Jan 18:00",
    state="in work",
    card=0,
)
EMPTY = Pack(
    depot="Elmsgate",
    shift="early shift, 14 January 2026",
    printed=datetime(2026, 1, 14, 6, 5, tzinfo=GMT),
    before="",
    counts=(),
    first=(),
    unfinished=(),
    due_in=(),
    jobs=(),
    cards=(),
)


def pack(count: int = 2, **changes) -> Pack:
    """So many cards of one finding each, and their jobs."""
    units = [str(301 + n) for n in range(count)]
    jobs = tuple(replace(JOB, unit=unit, card=n) for n, unit in enumerate(units))
    made = replace(
        EMPTY,
        before="13 Jan 2026, 21:40",
        counts=(
            PackCount("Not graded", 1, 1),
            PackCount("Intolerable", 0, -2),
            PackCount("Undesirable", count, 0),
        ),
        first=jobs[:1],
        unfinished=tuple(Unfinished(job, "Parts off: the ring; key 14 with Fitter 1.") for job in jobs[:1]),
        due_in=("311, 14 Jan 14:00, road 2: 2 open, worst tolerable.",),
        jobs=jobs,
        cards=tuple(card(finding(), unit=unit) for unit in units),
    )
    return replace(made, **changes)


def made(one: Pack) -> tuple[list[int], bytes]:
    """The steps that were told, and the PDF."""
    steps, told = shift_pack(one), []
    while True:
        try:
            told.append(next(steps))
        except StopIteration as end:
            return told, end.value
