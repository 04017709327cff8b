"""The job list of a shift pack: one row a job, in the order in which they should be begun."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from reportlab.pdfgen.canvas import Canvas

from inspections.reports.card import grouped
from inspections.reports.pack import Pack, PackJob
from inspections.reports.paper import (
    BODY,
    LEAST,
    LINE_GAP,
    MM,
    MOST_LINES,
    THIN,
    Block,
    Run,
    line,
    put,
    rule,
    wrap,
)

# Name and width (mm) of each column; what is wider than its column goes on below.
COLUMNS = (
    ("No", 8),
    ("Unit", 18),
    ("Road", 12),
    ("Part and fault", 64),
    ("Reference", 23),
    ("When", 49),
    ("Page", 12),
)
BETWEEN = 2 * MM


def job_blocks(pack: Pack, pages: Sequence[int]) -> list[Block]:
    """The heading and a row for each job; `pages`: where each card begins."""
    starts = [sum(width for _, width in COLUMNS[:i]) * MM for i in range(len(COLUMNS))]
    names = line([Run(x, name, LEAST, bold=True) for x, (name, _) in zip(starts, COLUMNS, strict=True)], keep=True)
    rows: list[Block] = []
    for number, job in enumerate(pack.jobs, 1):
        page = str(pages[job.card]) if job.card >= 0 else "none"
        rows += [
            replace(rule(THIN, 1 * MM), header=(names,)),
            replace(_row(number, job, page, starts), header=(names,)),
        ]
    return [names, *rows]


def _row(number: int, job: PackJob, page: str, starts: Sequence[float]) -> Block:
    band = job.category or "Not graded"
    when = [text for text in (band, job.due, job.state, job.since) if text]
    texts = (
        str(number),
        f"{job.unit} {job.end}",
        job.road,
        f"{job.part}: {job.fault}",
        grouped(job.reference),
        ", ".join(when),
        page,
    )
    cells = [
        wrap(text, BODY, width * MM - BETWEEN, most=MOST_LINES)
        for text, (_, width) in zip(texts, COLUMNS, strict=True)
    ]

    def draw(canvas: Canvas, top: float) -> None:
        for x, lines in zip(starts, cells, strict=True):
            for i, text in enumerate(lines):
                put(canvas, Run(x, text), top - i * BODY * LINE_GAP)

    return Block(max(map(len, cells)) * BODY * LINE_GAP, draw)
