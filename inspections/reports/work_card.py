"""The fitter's work card as a PDF: one end, one visit, n findings. Black on A4; data in, bytes out.

Sizes are those of the paper section of the screens-and-paper notes: steps 14 pt, nothing under 11 pt, cells
62 x 15 mm, ticks 7 mm. A closing test is a row like a step; one finding with six rows fits one sheet.
"""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO

from reportlab.lib.pagesizes import A4
from reportlab.pdfgen.canvas import Canvas

from inspections.reports.card import (
    Card,
    CardFinding,
    CardIsolation,
    CardLimit,
    CardSeen,
    CardStep,
    CardTest,
    grouped,
)
from inspections.reports.card_close import FREE_HEIGHT, FREE_LEAST
from inspections.reports.card_finding import finding_blocks
from inspections.reports.card_head import Head, common, foot, head
from inspections.reports.fonts import printable
from inspections.reports.paper import BOTTOM, MM, TOP, Block, flow

__all__ = [
    "Card",
    "CardFinding",
    "CardIsolation",
    "CardLimit",
    "CardSeen",
    "CardStep",
    "CardTest",
    "Laid",
    "draw_card",
    "lay_card",
    "sheet_canvas",
    "work_card",
]

BELOW_HEAD = 1.5 * MM


@dataclass(frozen=True, slots=True)
class Laid:
    """A card set out on sheets: its head, and each sheet's (distance below the head, block)."""

    card: Card
    top: Head
    sheets: list[list[tuple[float, Block]]]


def work_card(card: Card) -> bytes:
    """The card as one PDF. The same card gives the same bytes."""
    out = BytesIO()
    references = ", ".join(grouped(finding.reference) for finding in card.findings)
    canvas = sheet_canvas(out, f"Work card {card.unit} {card.end}", references)
    draw_card(canvas, lay_card(card))
    canvas.save()
    return out.getvalue()


def sheet_canvas(out: BytesIO, title: str, subject: str) -> Canvas:
    """An A4 document of ours."""
    canvas = Canvas(out, pagesize=A4, pageCompression=1, lang="en-GB")
    canvas.setTitle(printable(title).replace("\n", " "))
    canvas.setAuthor("Coupler Logbook")
    canvas.setCreator("Coupler Logbook")
    canvas.setSubject(subject)
    return canvas


def lay_card(card: Card, *, in_pack: bool = False) -> Laid:
    """The card set out on sheets; `in_pack` leaves room for the page of a pack in the head. Photos are not read.

    The boxes for what was found and done are lower where that saves a sheet.
    """
    top = head(card, "sheet 99 of 99, page 9999 of 9999") if in_pack else head(card)
    high, low = (_sheets(card, top, free) for free in (FREE_HEIGHT, FREE_LEAST))
    return Laid(card, top, low if len(low) < len(high) else high)


def _sheets(card: Card, top: Head, free: float) -> list[list[tuple[float, Block]]]:
    blocks = [*top.rest, *common(card)]
    for finding in card.findings:
        blocks += finding_blocks(card, finding, last=finding is card.findings[-1], free=free)
    return flow(blocks, _below(top) - BOTTOM)


def draw_card(canvas: Canvas, laid: Laid, *, before: int = 0, pages: int = 0) -> None:
    """Draw the sheets; in a pack of so many pages each also says which of them it is, `before` being those before."""
    for number, sheet in enumerate(laid.sheets, 1):
        page = f", page {before + number} of {pages}" if pages else ""
        laid.top.draw(canvas, TOP, f"sheet {number} of {len(laid.sheets)}{page}")
        for offset, block in sheet:
            block.draw(canvas, _below(laid.top) - offset)
        foot(canvas)
        canvas.showPage()


def _below(top: Head) -> float:
    return TOP - top.height - BELOW_HEAD
