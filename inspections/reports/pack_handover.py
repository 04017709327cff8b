"""The first page of a shift pack: what one lead hands to the next, with room to sign and to write."""

from __future__ import annotations

from reportlab.pdfgen.canvas import Canvas

from inspections.reports.card import grouped, moment
from inspections.reports.pack import Pack, PackCount, PackJob
from inspections.reports.paper import (
    BODY,
    LABEL,
    LEAST,
    MM,
    WIDTH,
    Block,
    Run,
    box,
    large,
    line,
    paragraph,
    put,
    wrap,
)

TITLE_SIZE, COUNT_SIZE = 26, 20
FIRST_SHOWN = 6
INDENT = 2 * MM
SIGN_WIDTH, SIGN_HEIGHT = 88 * MM, 24 * MM
WRITE_HEIGHT, NOTES_HEIGHT = 18 * MM, 40 * MM
FACE_TO_FACE = "Talk it over face to face: this paper is not the handover."
NOTHING = "No open jobs at this depot for this shift."
PARTS_UNKNOWN = "The logbook does not hold which parts are awaited. Write them here."


def handover_blocks(pack: Pack) -> list[Block]:
    """Everything of the handover, in order."""
    blocks = [large(Run(0, text, TITLE_SIZE, bold=True)) for text in _title(pack)]
    blocks += paragraph((f"Printed {moment(pack.printed)}.", FACE_TO_FACE))
    blocks.append(_signatures())
    blocks += _counts(pack)
    if not pack.jobs:
        blocks += _section("Jobs", [NOTHING])
    blocks += _section("Not graded, overdue or not to wait", _first(pack.first))
    blocks += _section("Begun and not finished", [f"{_job(one.job)}. {one.left}" for one in pack.unfinished])
    blocks += _section("Units due in, with what is open on them", list(pack.due_in), columns=2)
    blocks += _section("Waiting for parts", [PARTS_UNKNOWN], keep=True)
    return [*blocks, _room(WRITE_HEIGHT, "Unit, part, expected"), _room(NOTES_HEIGHT, "Notes, face to face")]


def _title(pack: Pack) -> list[str]:
    shift = f"{pack.shift[:1].upper()}{pack.shift[1:]}"
    return wrap(f"{pack.depot}. {shift}", TITLE_SIZE, WIDTH, bold=True, most=2)


def _signatures() -> Block:
    def draw(canvas: Canvas, top: float) -> None:
        for x, label in ((0, "Lead out: name, sign, time"), (WIDTH - SIGN_WIDTH, "Lead in: name, sign, time")):
            box(canvas, x, top, SIGN_WIDTH, SIGN_HEIGHT)
            put(canvas, Run(x + 1.5 * MM, label, LEAST), top)

    return Block(SIGN_HEIGHT, draw, gap=2 * MM)


def _counts(pack: Pack) -> list[Block]:
    """How many jobs of each band, side by side, and since when the change is counted."""
    since = f"Change since the pack of {pack.before}." if pack.before else "No pack was printed here before."
    column = WIDTH / max(1, len(pack.counts))
    blocks = [_heading(f"Open jobs: {len(pack.jobs)}"), *(line([Run(0, text)]) for text in wrap(since, BODY, WIDTH))]
    for size, bold, words in ((COUNT_SIZE, True, _number), (LEAST, True, _band), (LEAST, False, _change)):
        texts = [wrap(words(one), size, column - 3 * MM, bold=bold, most=1) for one in pack.counts]
        runs = [Run(i * column, text, size, bold) for i, lines in enumerate(texts) for text in lines]
        blocks += [line(runs, keep=size == COUNT_SIZE)] if runs else []
    return blocks


def _number(one: PackCount) -> str:
    return str(one.count)


def _band(one: PackCount) -> str:
    return one.band


def _change(one: PackCount) -> str:
    if one.change is None:
        return ""
    if not one.change:
        return "no change"
    return f"{abs(one.change)} {'more' if one.change > 0 else 'fewer'}"


def _section(title: str, texts: list[str], *, columns: int = 1, keep: bool = False) -> list[Block]:
    """A heading, then the texts; "None." where there are none. So many stand side by side where all are short."""
    rows = [wrap(text, BODY, WIDTH / columns - INDENT) for text in texts or ["None."]]
    if any(len(lines) > 1 for lines in rows):
        columns, rows = 1, [wrap(text, BODY, WIDTH - INDENT) for text in texts or ["None."]]
    lines = [text for wrapped in rows for text in wrapped]
    beside = [lines[i : i + columns] for i in range(0, len(lines), columns)]
    runs = [[Run(INDENT + i * WIDTH / columns, text) for i, text in enumerate(row)] for row in beside]
    return [_heading(title), *(line(row, keep=keep) for row in runs)]


def _heading(title: str) -> Block:
    return line([Run(0, title, LABEL, bold=True)], gap=1.5 * MM, keep=True)


def _first(jobs: tuple[PackJob, ...]) -> list[str]:
    shown = [f"{_job(job)}. {job.category or 'Not graded'}; {job.due}".rstrip("; ") for job in jobs[:FIRST_SHOWN]]
    more = len(jobs) - FIRST_SHOWN
    return [*shown, f"And {more} more: they stand first in the job list."] if more > 0 else shown


def _job(job: PackJob) -> str:
    road = f", road {job.road}" if job.road else ""
    return f"{job.unit} {job.end}{road}, {job.part}: {job.fault}, {grouped(job.reference)}"


def _room(height: float, label: str) -> Block:
    def draw(canvas: Canvas, top: float) -> None:
        box(canvas, 0, top, WIDTH, height)
        put(canvas, Run(1.5 * MM, label, LEAST), top)

    return Block(height, draw, gap=2 * MM)
