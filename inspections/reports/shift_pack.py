"""The shift pack as a PDF: the handover, the jobs, then a card for each end. Black on A4; data in, bytes out."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from io import BytesIO

from reportlab.pdfgen.canvas import Canvas

from inspections.reports.card import Card
from inspections.reports.card_head import foot
from inspections.reports.fonts import printable
from inspections.reports.pack import Pack, PackCount, PackJob, Unfinished
from inspections.reports.pack_handover import handover_blocks
from inspections.reports.pack_jobs import job_blocks
from inspections.reports.paper import BOTTOM, LABEL, LINE_GAP, MM, TOP, WIDTH, Block, Run, flow, put, wrap
from inspections.reports.work_card import Laid, draw_card, lay_card, sheet_canvas

__all__ = ["Pack", "PackCount", "PackJob", "Unfinished", "shift_pack"]

ROOM_TOP = TOP - LABEL * LINE_GAP - 1.5 * MM  # below the line that every page of the front begins with


def shift_pack(pack: Pack) -> Generator[int, None, bytes]:
    """Makes the PDF; gives after each step how many are done, of two for each card (set out, drawn). Returns bytes.

    The same pack gives the same bytes. Photos are read one at a time, as their card is drawn.
    """
    laid: list[Laid] = []
    for card in pack.cards:
        laid.append(lay_card(card, in_pack=True))
        yield len(laid)
    out = BytesIO()
    canvas = sheet_canvas(out, f"Shift pack, {pack.depot}, {pack.shift}", f"{len(pack.jobs)} jobs")
    canvas.showOutline()
    first = Front(pack)
    starts = first.draw(canvas, laid)
    pages = starts[-1]
    for done, (card, before) in enumerate(zip(laid, starts, strict=False), 1):
        if done == 1:
            entry(canvas, f"Cards ({len(laid)})", "cards")
        entry(canvas, name_of(card.card), f"card-{done}", level=1)
        draw_card(canvas, card, before=before, pages=pages)
        yield len(laid) + done
    canvas.save()
    return out.getvalue()


def name_of(card: Card) -> str:
    """A card in the outline: "201 A: 5 Upper air seal; 4 Lock hook"."""
    parts = "; ".join(dict.fromkeys(finding.part for finding in card.findings))
    return f"{card.unit} {card.end}: {parts}"


def entry(canvas: Canvas, title: str, key: str, level: int = 0) -> None:
    """An entry of the outline that leads to the page being drawn."""
    canvas.bookmarkPage(key)
    canvas.addOutlineEntry(printable(title).replace("\n", " "), key, level)


class Front:
    """The pages before the cards: the handover with room for notes, then the job list."""

    def __init__(self, pack: Pack):
        self.pack = pack
        named = f"Shift pack, {pack.depot}, {pack.shift}"
        self.name = wrap(named, LABEL, WIDTH - 45 * MM, bold=True, most=1)[0]
        self.handover = flow(handover_blocks(pack), ROOM_TOP - BOTTOM)

    def draw(self, canvas: Canvas, laid: Sequence[Laid]) -> list[int]:
        """Draw them; how many pages come before each card, and at last how many there are in all."""
        length = len(flow(job_blocks(self.pack, [0] * len(laid)), ROOM_TOP - BOTTOM)) if self.pack.jobs else 0
        starts = [len(self.handover) + length]
        for card in laid:
            starts.append(starts[-1] + len(card.sheets))
        entry(canvas, "Handover", "handover")
        self._sheets(canvas, self.handover, 0, starts[-1])
        if self.pack.jobs:
            entry(canvas, f"Jobs ({len(self.pack.jobs)})", "jobs")
            jobs = job_blocks(self.pack, [before + 1 for before in starts[:-1]])
            self._sheets(canvas, flow(jobs, ROOM_TOP - BOTTOM), len(self.handover), starts[-1])
        return starts

    def _sheets(self, canvas: Canvas, sheets: list[list[tuple[float, Block]]], before: int, pages: int) -> None:
        for number, sheet in enumerate(sheets, before + 1):
            put(canvas, Run(0, self.name, LABEL, bold=True), TOP)
            page = f"page {number} of {pages}"
            put(canvas, Run(WIDTH - Run(0, page, LABEL).end, page, LABEL), TOP)
            for offset, block in sheet:
                block.draw(canvas, ROOM_TOP - offset)
            foot(canvas)
            canvas.showPage()
