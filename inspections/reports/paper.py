"""A4 paper: measured lines, boxes to write in, and blocks that flow from sheet to sheet. All lengths in points."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

from reportlab.lib.pagesizes import A4
from reportlab.pdfgen.canvas import Canvas

from inspections.reports.fonts import BOLD, REGULAR, printable, width

MM = 72 / 25.4
PAGE_WIDTH, PAGE_HEIGHT = A4
LEFT, WIDTH = 12 * MM, 186 * MM
TOP, BOTTOM = PAGE_HEIGHT - 5.5 * MM, 10 * MM
LEAST, BODY, LABEL, STEP = 11, 11.5, 13, 14
THIN, HEAVY = 0.35 * MM, 1 * MM
TICK = 7 * MM
LINE_GAP = 1.3
ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"
MOST_LINES = 8  # in anything that may not part between sheets

Room = Callable[[int], float]  # number of the line -> its width


@dataclass(frozen=True, slots=True)
class Block:
    """Something of a known height. `draw` gets the canvas and the y of the top edge.

    `gap` is left free above it, except at the top of a sheet; `keep`: stands on the sheet of the next block;
    `header`: printed again above it where it starts a sheet.
    """

    height: float
    draw: Callable[[Canvas, float], None]
    gap: float = 0
    keep: bool = False
    header: tuple[Block, ...] = ()


@dataclass(frozen=True, slots=True)
class Run:
    """A piece of text on a line, `x` from the left edge of the print."""

    x: float
    text: str
    size: float = BODY
    bold: bool = False

    @property
    def end(self) -> float:
        return self.x + width(self.text, self.size, bold=self.bold)


def put(canvas: Canvas, run: Run, top: float, *, white: bool = False) -> None:
    """Print one run on a line whose upper edge is `top`."""
    canvas.setFillGray(int(white))
    canvas.setFont(BOLD if run.bold else REGULAR, run.size)
    canvas.drawString(LEFT + run.x, top - 1.02 * run.size, run.text)


def box(canvas: Canvas, x: float, top: float, w: float, h: float) -> None:
    """An empty box; x from the left edge of the print."""
    canvas.setLineWidth(THIN)
    canvas.rect(LEFT + x, top - h, w, h)


def rule(thickness: float, gap: float) -> Block:
    """A line across the print, kept with what follows."""

    def draw(canvas: Canvas, top: float) -> None:
        canvas.setLineWidth(thickness)
        canvas.line(LEFT, top - thickness / 2, LEFT + WIDTH, top - thickness / 2)

    return Block(thickness, draw, gap, keep=True)


def line(runs: Iterable[Run], *, gap: float = 0, keep: bool = False) -> Block:
    """One line of text, as high as its largest run asks for."""
    runs = tuple(runs)

    def draw(canvas: Canvas, top: float) -> None:
        for run in runs:
            put(canvas, run, top)

    return Block(max(run.size for run in runs) * LINE_GAP, draw, gap, keep)


def large(run: Run) -> Block:
    """A line of display type that stands alone: no more than its own height."""
    return Block(run.size * 1.15, lambda canvas, top: put(canvas, run, top + 0.04 * run.size))


def wrap(text: str, size: float, room: float | Room, *, bold: bool = False, most: int | None = None) -> list[str]:
    """The text as lines that fit `room` (points). Line ends of the text are kept, empty lines are not.

    A word wider than a whole line is broken between letters. Where there are more lines than `most`, the last of
    them ends in an ellipsis that stands for the rest.
    """
    lines = [runs[0].text for runs in lay([(text, bold)], size, room)]
    if most is None or len(lines) <= most:
        return lines
    *kept, last = lines[:most]
    fits = room(most - 1) if callable(room) else room
    while last and width(last + ELLIPSIS, size, bold=bold) > fits:
        last = last[:-1]
    return [*kept, last + ELLIPSIS]


def lay(pieces: Iterable[tuple[str, bool]], size: float, room: float | Room) -> list[list[Run]]:
    """As `wrap`, for pieces of (text, bold) that run on: each line as its runs."""
    setter = _Setter(size, room if callable(room) else lambda _: room)
    for text, bold in pieces:
        for number, paragraph in enumerate(printable(text).split("\n")):
            if number:
                setter.turn()
            for word in paragraph.split():
                setter.add(word, bold)
    return [runs for runs in setter.lines if runs]


class _Setter:
    """Sets words into lines; holds the line that is being filled."""

    def __init__(self, size: float, fits: Room) -> None:
        self.size, self.fits = size, fits
        self.lines: list[list[Run]] = [[]]
        self.used = 0.0

    def turn(self) -> None:
        """Start a new line, unless this one is still empty."""
        if self.lines[-1]:
            self.lines.append([])
            self.used = 0.0

    def add(self, word: str, bold: bool) -> None:
        """Put the word on this line or the next; break it between letters where a whole line is too short for it."""
        space = width(" ", self.size, bold=bold) if self.lines[-1] else 0
        if self.lines[-1] and self._fitting(word, bold, self.used + space) < len(word):
            self.turn()
            space = 0
        while (cut := self._fitting(word, bold, self.used + space)) < len(word):
            cut = max(cut, 1)
            self._place(word[:cut], bold, 0)
            self.turn()
            word = word[cut:]
        if word:
            self._place(word, bold, space)

    def _fitting(self, word: str, bold: bool, used: float) -> int:
        """How many letters of the word fit after `used` points of the line being filled."""
        room = self.fits(len(self.lines) - 1)
        for count, letter in enumerate(word):
            used += width(letter, self.size, bold=bold)
            if used > room:
                return count
        return len(word)

    def _place(self, word: str, bold: bool, space: float) -> None:
        runs = self.lines[-1]
        if runs and runs[-1].bold == bold:
            runs[-1] = replace(runs[-1], text=f"{runs[-1].text} {word}")
        else:
            runs.append(Run(self.used + space, word, self.size, bold))
        self.used = runs[-1].end


def paragraph(*pieces: tuple[str, str], room: float | Room = WIDTH) -> list[Block]:
    """Body text as (bold label, words) pieces that run on; one block a line, so that they may part between sheets."""
    flat = [part for label, words in pieces for part in ((label, True), (words, False))]
    return [line(runs) for runs in lay(flat, BODY, room)]


def stack(
    blocks: Iterable[Block], *, least: float = 0, behind: Callable[[Canvas, float], None] | None = None
) -> Block:
    """Several blocks as one that never parts, at least so high; `behind` draws beside them (a picture)."""
    blocks = tuple(blocks)

    def draw(canvas: Canvas, top: float) -> None:
        if behind:
            behind(canvas, top)
        for block in blocks:
            top -= block.gap
            block.draw(canvas, top)
            top -= block.height

    return Block(max(least, sum(block.gap + block.height for block in blocks)), draw)


def headed(blocks: Iterable[Block], *header: Block) -> list[Block]:
    """The blocks with a header for the sheets they start, unless they have their own."""
    return [replace(block, header=block.header or header) for block in blocks]


def flow(blocks: Iterable[Block], room: float) -> list[list[tuple[float, Block]]]:
    """The blocks as sheets of (distance from the top of the room, block). At least one sheet."""
    sheets: list[list[tuple[float, Block]]] = [[]]
    used = 0.0
    for group in _groups(blocks):
        height = sum(block.gap + block.height for block in group)
        if used and used + height > room:
            sheets.append([])
            used = 0.0
            group = [*group[0].header, *group]
        for block in group:
            if used and used + block.gap + block.height > room:  # a group higher than a whole sheet
                sheets.append([])
                used = 0.0
            used += block.gap if used else 0
            sheets[-1].append((used, block))
            used += block.height
    return sheets


def _groups(blocks: Iterable[Block]) -> Iterator[list[Block]]:
    group: list[Block] = []
    for block in blocks:
        group.append(block)
        if not block.keep:
            yield group
            group = []
    if group:
        yield group
