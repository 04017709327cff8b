"""The rows of a work card: number, what to do, a cell to write in, initials. A closing test is a row like a step."""

from __future__ import annotations

from dataclasses import dataclass

from reportlab.pdfgen.canvas import Canvas

from inspections.reports.card import CardStep, CardTest
from inspections.reports.paper import (
    BODY,
    LEAST,
    LINE_GAP,
    MM,
    MOST_LINES,
    STEP,
    WIDTH,
    Block,
    Run,
    box,
    line,
    put,
    wrap,
)

CELL_WIDTH, CELL_HEIGHT = 62 * MM, 15 * MM
INITIALS_WIDTH = 22 * MM
INITIALS_AT = WIDTH - INITIALS_WIDTH
BLANK = 10 * MM  # least height to write in below what is printed in a cell
ACROSS, DOWN = 5 * MM, 3 * MM
DO_AT = 9 * MM
INSET = 1.5 * MM
NO_DOCUMENT = "indicative, no document"


@dataclass(frozen=True, slots=True)
class _Row:
    number: int
    do: str
    warning: str
    printed: tuple[str, ...]  # lines at the top of the cell
    unit: str
    second: bool
    record: tuple[str, ...] = ()  # what to write in the cell, a line each; else it has one blank

    @property
    def right(self) -> float:
        """Where the boxes of initials begin."""
        return INITIALS_AT - (INITIALS_WIDTH + ACROSS if self.second else 0)

    @property
    def do_room(self) -> float:
        return (_cell_at(self.right) if self.printed else self.right) - DO_AT - 2 * MM

    @property
    def cell_height(self) -> float:
        return max(CELL_HEIGHT, len(self.printed) * LEAST * LINE_GAP + BLANK * max(1, len(self.record)))


def rows(steps: tuple[CardStep, ...], tests: tuple[CardTest, ...], document: str = "") -> list[Block]:
    """The headings, then steps and tests, numbered through. Empty where there are neither.

    `document`: named above for all of them; a test's cell then names its own only where it is another. A row that
    asks for a second person has less room for its words; its initials stay in line with the others'."""
    blocks: list[Block] = []
    for number, step in enumerate(steps, 1):
        blocks += _row(_Row(number, step.do, step.warning, _printed(step.write), "", step.second))
    for number, test in enumerate(tests, len(steps) + 1):
        blocks += _row(
            _Row(
                number, f"Test: {test.do}", test.warning, _limit(test, document), test.unit, test.second, test.record
            )
        )
    return [_headings(), *blocks] if blocks else []


def _cell_at(right: float) -> float:
    return right - ACROSS - CELL_WIDTH


def _headings() -> Block:
    names = ((0, "No"), (DO_AT, "Do"), (_cell_at(INITIALS_AT), "Write"), (INITIALS_AT, "Initials"))
    return line([Run(x, name, LEAST, bold=True) for x, name in names], keep=True)


def _limit(test: CardTest, document: str) -> tuple[str, ...]:
    """Limit and document, on one line where they fit."""
    if document and test.document == document:
        return _printed(test.limit)
    return _printed(f"{test.limit} ({test.document or NO_DOCUMENT})")


def _printed(text: str) -> tuple[str, ...]:
    """What stands at the top of a cell."""
    return tuple(wrap(text, LEAST, CELL_WIDTH - 2 * INSET, bold=True, most=MOST_LINES))


def _row(row: _Row) -> list[Block]:
    warnings = wrap(f"Take care: {row.warning}", BODY, row.do_room, bold=True) if row.warning else []
    lines = [Run(DO_AT, text, BODY, bold=True) for text in warnings]
    lines += [Run(DO_AT, text, STEP) for text in wrap(row.do, STEP, row.do_room)]
    # A text longer than a row goes on below it, line by line, so that no row is higher than a sheet.
    first, more = lines[:MOST_LINES], lines[MOST_LINES:]
    text_height = sum(run.size * LINE_GAP for run in first)
    height = max(text_height + 1 * MM, row.cell_height + DOWN)

    def draw(canvas: Canvas, top: float) -> None:
        put(canvas, Run(0, str(row.number), STEP, bold=True), top)
        y = top
        for run in first:
            put(canvas, run, y)
            y -= run.size * LINE_GAP
        _boxes(canvas, row, top)

    return [Block(height, draw), *(line([run]) for run in more)]


def _boxes(canvas: Canvas, row: _Row, top: float) -> None:
    if row.second:
        _initials(canvas, row.right, top, "Doer")
    _initials(canvas, INITIALS_AT, top, "Second" if row.second else "")
    if not row.printed:
        return
    cell_at = _cell_at(row.right)
    box(canvas, cell_at, top, CELL_WIDTH, row.cell_height)
    for i, text in enumerate(row.printed):
        put(canvas, Run(cell_at + INSET, text, LEAST, bold=True), top - i * LEAST * LINE_GAP)
    for i, name in enumerate(row.record, 1):
        for text in wrap(name, LEAST, CELL_WIDTH / 2, most=1):
            put(canvas, Run(cell_at + INSET, text, LEAST), top - row.cell_height + (len(row.record) - i) * BLANK + 19)
    for text in wrap("" if row.record else row.unit, STEP, CELL_WIDTH / 2, most=1):
        end = Run(0, text, STEP).end
        put(canvas, Run(cell_at + CELL_WIDTH - INSET - end, text, STEP), top - row.cell_height + 19)


def _initials(canvas: Canvas, x: float, top: float, who: str) -> None:
    box(canvas, x, top, INITIALS_WIDTH, CELL_HEIGHT)
    if who:
        put(canvas, Run(x + INSET, who, LEAST), top)
