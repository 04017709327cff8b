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
    right: float  # where the boxes of initials begin

    @property
    def do_room(self) -> float:
        return (_cell_at(self.right) if self.printed else self.right) - DO_AT - 2 * MM

    @property
    def cell_height(self) -> float:
        return max(CELL_HEIGHT, len(self.printed) * LEAST * LINE_GAP + BLANK)


def rows(steps: tuple[CardStep, ...], tests: tuple[CardTest, ...]) -> list[Block]:
    """The headings, then steps and tests, numbered through. Empty where there are neither.

    One row that asks for a second person makes room for the second box in all, so that the columns stay in line.
    """
    second = any(row.second for row in (*steps, *tests))
    right = WIDTH - INITIALS_WIDTH - (INITIALS_WIDTH + ACROSS if second else 0)
    blocks: list[Block] = []
    for number, step in enumerate(steps, 1):
        blocks += _row(_Row(number, step.do, step.warning, _printed(step.write), "", step.second, right))
    for number, test in enumerate(tests, len(steps) + 1):
        blocks += _row(_Row(number, f"Test: {test.do}", test.warning, _limit(test), test.unit, test.second, right))
        blocks += _records(test.record)
    return [_headings(right), *blocks] if blocks else []


def _cell_at(right: float) -> float:
    return right - ACROSS - CELL_WIDTH


def _headings(right: float) -> Block:
    names = ((0, "No"), (DO_AT, "Do"), (_cell_at(right), "Write"), (right, "Initials"))
    return line([Run(x, name, LEAST, bold=True) for x, name in names], keep=True)


def _limit(test: CardTest) -> tuple[str, ...]:
    """Limit and document, on one line where they fit."""
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
    height = max(text_height, row.cell_height) + DOWN

    def draw(canvas: Canvas, top: float) -> None:
        put(canvas, Run(0, str(row.number), STEP, bold=True), top)
        y = top
        for run in first:
            put(canvas, run, y)
            y -= run.size * LINE_GAP
        _boxes(canvas, row, top)

    return [Block(height, draw), *(line([run]) for run in more)]


def _boxes(canvas: Canvas, row: _Row, top: float) -> None:
    _initials(canvas, row.right, top, "Doer" if row.second else "")
    if row.second:
        _initials(canvas, row.right + INITIALS_WIDTH + ACROSS, top, "Second")
    if not row.printed:
        return
    cell_at = _cell_at(row.right)
    box(canvas, cell_at, top, CELL_WIDTH, row.cell_height)
    for i, text in enumerate(row.printed):
        put(canvas, Run(cell_at + INSET, text, LEAST, bold=True), top - i * LEAST * LINE_GAP)
    for text in wrap(row.unit, STEP, CELL_WIDTH / 2, most=1):
        end = Run(0, text, STEP).end
        put(canvas, Run(cell_at + CELL_WIDTH - INSET - end, text, STEP), top - row.cell_height + 19)


def _initials(canvas: Canvas, x: float, top: float, who: str) -> None:
    box(canvas, x, top, INITIALS_WIDTH, CELL_HEIGHT)
    if who:
        put(canvas, Run(x + INSET, who, LEAST), top)


def _records(names: tuple[str, ...]) -> list[Block]:
    """Further cells of a test, two in a row."""
    pairs = [names[i : i + 2] for i in range(0, len(names), 2)]
    return [_record_row(pair) for pair in pairs]


def _record_row(pair: tuple[str, ...]) -> Block:
    printed = [_printed(name) for name in pair]
    height = max(CELL_HEIGHT, *(len(lines) * LEAST * LINE_GAP + BLANK for lines in printed))

    def draw(canvas: Canvas, top: float) -> None:
        for i, lines in enumerate(printed):
            x = DO_AT + i * (CELL_WIDTH + ACROSS)
            box(canvas, x, top, CELL_WIDTH, height)
            for j, text in enumerate(lines):
                put(canvas, Run(x + INSET, text, LEAST, bold=True), top - j * LEAST * LINE_GAP)

    return Block(height + DOWN, draw)
