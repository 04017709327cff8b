"""The end of a finding on a work card: what was found and done, the result, who signs."""

from __future__ import annotations

from reportlab.pdfgen.canvas import Canvas

from inspections.reports.card import CardFinding
from inspections.reports.paper import LEAST, LINE_GAP, MM, TICK, WIDTH, Block, Run, box, put, wrap

FREE_HEIGHT, FREE_LEAST = 24 * MM, 15 * MM
# What the free box is for, and where each begins.
FREE = ((0, "Found and done"), (80 * MM, "Parts out, in: batch, serial"), (138 * MM, "Gauges: number, due"))
SIGN_WIDTH, SIGN_HEIGHT = 60 * MM, 24 * MM
ACROSS, DOWN = 5 * MM, 3 * MM
BESIDE_TICK = 1 * MM
RESULTS = ("Repaired", "Released with limits", "Made safe", "Not repaired", "No fault found")
NO_CHECKER = "No checker asked for"
RESTORED = ("All isolations off,", "keys and labels back")
TICKS_PITCH = TICK + DOWN


def close_blocks(finding: CardFinding, free: float, *, restore: bool) -> list[Block]:
    """The free box, the result boxes and the signatures, kept together on one sheet.

    `free`: height of the free box; `restore`: the isolations are taken off now. Where nobody checks, the results
    stand in the checker's place.
    """

    def draw(canvas: Canvas, top: float) -> None:
        box(canvas, 0, top, WIDTH, free)
        for at, label in FREE:
            put(canvas, Run(at + 1.5 * MM, label, LEAST), top)

    first = Block(free, draw, keep=True)
    if finding.check:
        return [first, _results(), _checked(finding.check, restore)]
    return [first, _unchecked(restore)]


def _results() -> Block:
    """One tick box for each outcome, in a row that fills the width."""

    def draw(canvas: Canvas, top: float) -> None:
        _ticks(canvas, 0, top, RESULTS, (WIDTH - sum(map(_tick_width, RESULTS))) / (len(RESULTS) - 1))

    return Block(TICK, draw, gap=DOWN, keep=True)


def _tick_width(name: str) -> float:
    return TICK + BESIDE_TICK + Run(0, name, LEAST, bold=True).end


def _ticks(canvas: Canvas, x: float, top: float, names: tuple[str, ...], apart: float) -> float:
    """Tick boxes with their names in a row; where the next one would begin."""
    for name in names:
        box(canvas, x, top, TICK, TICK)
        run = Run(x + TICK + BESIDE_TICK, name, LEAST, bold=True)
        put(canvas, run, top - (TICK - LEAST * LINE_GAP) / 2)
        x += _tick_width(name) + apart
    return x


def _checked(check: str, restore: bool) -> Block:
    """The boxes of the fitter and the checker, why one is asked for, and what to put back."""
    x = 2 * (SIGN_WIDTH + ACROSS)
    asked = wrap(f"Checker asked for: {check}", LEAST, WIDTH - x, most=3 if restore else 4)

    def draw(canvas: Canvas, top: float) -> None:
        _sign(canvas, 0, top, "Fitter: name, sign, time")
        _sign(canvas, SIGN_WIDTH + ACROSS, top, "Checker: name, sign, time")
        for i, text in enumerate(asked):
            put(canvas, Run(x, text, LEAST), top - i * LEAST * LINE_GAP)
        if restore:
            y = top - SIGN_HEIGHT + TICK + 2 * MM
            box(canvas, x, y, TICK, TICK)
            for i, text in enumerate(RESTORED):
                put(canvas, Run(x + TICK + 1.5 * MM, text, LEAST, bold=True), y + 1 * MM - i * LEAST * LINE_GAP)

    return Block(SIGN_HEIGHT, draw, gap=DOWN)


def _unchecked(restore: bool) -> Block:
    """The fitter's box; beside it the results, that nobody checks, and what to put back."""
    x = SIGN_WIDTH + ACROSS

    def draw(canvas: Canvas, top: float) -> None:
        _sign(canvas, 0, top, "Fitter: name, sign, time")
        _ticks(canvas, x, top, RESULTS[:3], ACROSS)
        _ticks(canvas, x, top - TICKS_PITCH, RESULTS[3:], ACROSS)
        third = top - 2 * TICKS_PITCH
        after = _ticks(canvas, x, third, (" ".join(RESTORED),), ACROSS) if restore else x
        put(canvas, Run(after, NO_CHECKER, LEAST), third - (TICK - LEAST * LINE_GAP) / 2)

    return Block(2 * TICKS_PITCH + TICK, draw, gap=DOWN)


def _sign(canvas: Canvas, x: float, top: float, label: str) -> None:
    box(canvas, x, top, SIGN_WIDTH, SIGN_HEIGHT)
    put(canvas, Run(x + 1.5 * MM, label, LEAST), top)
