"""The fitter's work card as a PDF: one end, one visit, n findings. Black on A4; data in, bytes out.

Sizes are those of the paper section of the screens-and-paper notes: steps 14 pt, nothing under 11 pt, cells
62 x 15 mm, ticks 7 mm. A closing test is a row like a step; one finding with six rows fits one sheet.
"""

from __future__ import annotations

from io import BytesIO

from reportlab.lib.pagesizes import A4
from reportlab.pdfgen.canvas import Canvas

from inspections.reports.card import (
    Card,
    CardFinding,
    CardIsolation,
    CardSeen,
    CardStep,
    CardTest,
    grouped,
)
from inspections.reports.card_finding import finding_blocks
from inspections.reports.card_head import common, foot, head
from inspections.reports.fonts import printable
from inspections.reports.paper import BOTTOM, MM, TOP, flow

__all__ = [
    "Card",
    "CardFinding",
    "CardIsolation",
    "CardSeen",
    "CardStep",
    "CardTest",
    "add_card",
    "work_card",
]

BELOW_HEAD = 1.5 * MM


def work_card(card: Card) -> bytes:
    """The card as one PDF. The same card gives the same bytes."""
    out = BytesIO()
    canvas = Canvas(out, pagesize=A4, pageCompression=1, lang="en-GB")
    canvas.setTitle(printable(f"Work card {card.unit} {card.end}").replace("\n", " "))
    canvas.setAuthor("Coupler Logbook")
    canvas.setCreator("Coupler Logbook")
    canvas.setSubject(", ".join(grouped(finding.reference) for finding in card.findings))
    add_card(canvas, card)
    canvas.save()
    return out.getvalue()


def add_card(canvas: Canvas, card: Card) -> int:
    """Add the card's sheets to a document (a pack holds many cards); returns how many sheets it took."""
    top = head(card)
    blocks = [*top.rest, *common(card)]
    for finding in card.findings:
        blocks += finding_blocks(card, finding, last=finding is card.findings[-1])
    below = TOP - top.height - BELOW_HEAD
    sheets = flow(blocks, below - BOTTOM)
    for number, sheet in enumerate(sheets, 1):
        top.draw(canvas, TOP, f"sheet {number} of {len(sheets)}")
        for offset, block in sheet:
            block.draw(canvas, below - offset)
        foot(canvas)
        canvas.showPage()
    return len(sheets)
