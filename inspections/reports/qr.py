"""The square that a phone reads: level Q, with its own white edge of four modules."""

from __future__ import annotations

from itertools import groupby

import segno
from reportlab.pdfgen.canvas import Canvas

EDGE = 4


def draw(canvas: Canvas, link: str, x: float, y: float, side: float) -> None:
    """Draw the link in black vectors; (x, y) is the lower left corner, `side` includes the white edge (points)."""
    rows = segno.make(link, error="q", micro=False, boost_error=False).matrix
    module = side / (len(rows) + 2 * EDGE)
    canvas.setFillGray(0)
    path = canvas.beginPath()
    for i, row in enumerate(rows):
        column = 0
        for dark, cells in groupby(row):
            count = len(list(cells))
            if dark:
                path.rect(x + (EDGE + column) * module, y + side - (EDGE + i + 1) * module, count * module, module)
            column += count
    canvas.drawPath(path, stroke=0, fill=1)
