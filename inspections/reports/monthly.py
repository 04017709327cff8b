"""The monthly review as a PDF: the figures of the page, its charts as vectors, what was decided, what is missing.

Data in, bytes out: the same figures give the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from xml.sax.saxutils import escape

from reportlab.lib.enums import TA_LEFT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, KeepTogether, PageTemplate, Paragraph, Spacer, Table

from inspections.reports import charts, fonts, picture

EDGE = 18 * mm
HALF = (A4[0] - 2 * EDGE - 8 * mm) / 2  # width of a chart where two stand side by side
ROWS = 8  # of a chart
REPEATS = 12
# The sections of the paper in order, and whether their chart is drawn.
DRAWN = ("ends", "trends", "effort", "parts")
TOLD = (
    "flagged",
    "couplers",
    "modifications",
    "seasons",
    "places",
    "repairs",
    "depots",
    "not-found",
    "mates",
    "weather",
)


@dataclass(frozen=True, slots=True)
class Action:
    """A fleet action as the paper shows it: what, on how many ends or couplers, how many done, whether it worked."""

    what: str
    on: int
    done: int
    due: str
    effect: str


@dataclass(frozen=True, slots=True)
class Seal:
    """The log's head at the end of a day."""

    day: str
    seq: int
    hash: str


def style(name: str, size: float, *, bold: bool = False, before: float = 0, after: float = 3) -> ParagraphStyle:
    return ParagraphStyle(
        name,
        fontName=fonts.BOLD if bold else fonts.REGULAR,
        fontSize=size,
        leading=size * 1.3,
        spaceBefore=before,
        spaceAfter=after,
        alignment=TA_LEFT,
    )


TITLE, HEAD, BODY = style("t", 20, bold=True), style("h", 13, bold=True, before=8), style("b", 11)
LEAD, SMALL = style("l", 12.5, after=5), style("s", 11, after=2)


class Drawing(Flowable):
    """A chart, as wide as it is told."""

    def __init__(self, drawn: picture.Picture, width: float):
        super().__init__()
        self.drawn, self.width = drawn, width
        self.height = drawn.height * width / drawn.width

    def wrap(self, *_):
        return self.width, self.height

    def draw(self):
        picture.draw(self.canv, self.drawn, 0, self.height, self.width)


def monthly(figures: dict, month: str, actions: Sequence[Action], seal: Seal | None) -> bytes:
    """The review of a month, e.g. "October 2026", as a PDF of two to four pages."""
    out = BytesIO()
    told = {section["name"]: section for section in figures["sections"]}
    paper = BaseDocTemplate(
        out,
        pagesize=A4,
        leftMargin=EDGE,
        rightMargin=EDGE,
        topMargin=EDGE,
        bottomMargin=EDGE,
        title=f"Review {month}",
    )
    frame = Frame(EDGE, EDGE, A4[0] - 2 * EDGE, A4[1] - 2 * EDGE, 0, 0, 0, 0)
    foot = (
        f"Coupler review, {month}. Counted to {figures['cut_off']}. Names on a list are worth a look, not a verdict."
    )
    paper.addPageTemplates(PageTemplate(frames=[frame], onPage=lambda canvas, _: footer(canvas, foot)))
    story = [
        text(f"Coupler review, {month}", TITLE),
        *(text(sentence, LEAD) for sentence in figures["summary"]),
        *counts(told["backlog"]),
        *drawn_sections(told),
        *told_sections(told),
        *repeats(told["repeats"]),
        *decided(actions),
        *gaps(figures, told["reporting"]),
        *definitions(figures),
        *sealed(seal),
    ]
    paper.build(story)
    return out.getvalue()


def footer(canvas: Canvas, words: str) -> None:
    canvas.saveState()
    canvas.setFont(fonts.REGULAR, 9)
    canvas.drawString(EDGE, EDGE - 6 * mm, fonts.printable(words))
    canvas.drawRightString(A4[0] - EDGE, EDGE - 6 * mm, f"Page {canvas.getPageNumber()}")
    canvas.restoreState()


def text(words: str, shape: ParagraphStyle = BODY) -> Paragraph:
    return Paragraph(escape(fonts.printable(str(words))), shape)


def shown(cell: object) -> str:
    """A cell as the page shows it."""
    if cell is None:
        return "–"
    if isinstance(cell, float):
        return f"{cell:,.0f}" if cell == int(cell) and abs(cell) >= 100 else f"{cell:,g}"
    return f"{cell:,}" if isinstance(cell, int) else str(cell)


def table(heads: Sequence[str], rows: Sequence[Sequence], widths: Sequence[float] | None = None) -> Table:
    """A ruled table, black."""
    lines = [[text(head, SMALL) for head in heads], *([text(shown(cell), SMALL) for cell in row] for row in rows)]
    rules = [("LINEBELOW", (0, 0), (-1, 0), 0.8, "black"), ("LINEBELOW", (0, 1), (-1, -1), 0.3, "black")]
    tight = [(f"{side}PADDING", (0, 0), (-1, -1), 2) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]
    return Table(lines, colWidths=widths, style=[*rules, *tight, ("VALIGN", (0, 0), (-1, -1), "TOP")], repeatRows=1)


def counts(backlog: dict) -> list[Flowable]:
    """What is open, and how old."""
    return [text(backlog["question"], HEAD), text(backlog["answer"]), table(backlog["heads"], backlog["rows"])]


def drawn_sections(told: dict) -> list[Flowable]:
    """The sections with their chart at the left and answer at the right."""
    story: list[Flowable] = []
    for name in DRAWN:
        section = told[name]
        chart = charts.picture(shortened(section))
        beside = [text(section["answer"]), text(section["reading"], SMALL)]
        if chart is None:
            story += [text(section["question"], HEAD), *beside]
            continue
        row = Table(
            [[Drawing(chart, HALF), beside]],
            colWidths=[HALF + 8 * mm, HALF],
            style=[("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0)],
        )
        story.append(KeepTogether([text(section["question"], HEAD), row, Spacer(0, 4 * mm)]))
    return story


def shortened(section: dict) -> dict:
    """The section with the first ROWS rows of its chart: paper is for what leads."""
    chart = section["chart"]
    if not chart or "rows" not in chart:
        return section
    return {**section, "chart": {**chart, "rows": chart["rows"][:ROWS]}}


def told_sections(told: dict) -> list[Flowable]:
    """The other questions, a sentence each."""
    story: list[Flowable] = []
    for name in TOLD:
        story.append(KeepTogether([text(told[name]["question"], HEAD), text(told[name]["answer"])]))
    return story


def repeats(section: dict) -> list[Flowable]:
    """The newest repeats."""
    rows = section["rows"][:REPEATS]
    more = len(section["rows"]) - len(rows)
    story = [text(section["question"], HEAD), text(section["answer"])]
    if rows:
        keep = [n for n, head in enumerate(section["heads"]) if head not in ("Fault",)]
        story.append(table([section["heads"][n] for n in keep], [[row[n] for n in keep] for row in rows]))
    return [*story, *([text(f"{more} more in the logbook.", SMALL)] if more else [])]


def decided(actions: Sequence[Action]) -> list[Flowable]:
    """Fleet actions and whether they worked."""
    story: list[Flowable] = [text("What was decided, and did it work?", HEAD)]
    if not actions:
        return [*story, text("No fleet action is open or was ended in this month.")]
    rows = [(a.what, f"{a.done} of {a.on}", a.due, a.effect) for a in actions]
    return [*story, table(("What", "Done", "By", "Effect so far"), rows, [55 * mm, 22 * mm, 25 * mm, None])]


def gaps(figures: dict, reporting: dict) -> list[Flowable]:
    """What is not known."""
    lines = [f"{question} {why}" for question, why in figures["missing"]]
    return [text("What the record lacks", HEAD), text(reporting["answer"]), *(text(line) for line in lines)]


def definitions(figures: dict) -> list[Flowable]:
    """What is counted, out of what."""
    days, couplings = figures["window"]
    lines = (
        f"Counted from {figures['first']} to {figures['cut_off']}, both included: {shown(figures['faults'])} "
        f"separate faults, {shown(figures['couplings'])} couplings and attempts.",
        "A fault is an episode: a finding on one part of one end, outside the repeat window of the one before.",
        f"The repeat window is {days} days or {couplings} couplings after a close-out, whichever ends later.",
        "Expected: what the end's couplings, and the season where there is one, lead to expect at the fleet's rate.",
        f"Method version {figures['method']}.",
    )
    return [text("Definitions and exposure", HEAD), *(text(line) for line in lines)]


def sealed(seal: Seal | None) -> list[Flowable]:
    """The log's seal, to be compared with the logbook's."""
    words = (
        f"Seal of {seal.day}: entry {shown(seal.seq)}, {seal.hash}"
        if seal
        else "The log was not sealed in this month."
    )
    return [text("The log's seal", HEAD), text(words, SMALL)]
