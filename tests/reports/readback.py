"""Reads a printed card back: where each text, box, image and filled area really is on each sheet."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path

from PIL import Image
from pypdf import PdfReader

from inspections.reports.fonts import width


@dataclass(frozen=True)
class Area:
    x: float
    y: float
    w: float
    h: float

    def overlaps(self, other: Area, slack: float = 0.5) -> bool:
        return (
            self.x + slack < other.x + other.w
            and other.x + slack < self.x + self.w
            and self.y + slack < other.y + other.h
            and other.y + slack < self.y + self.h
        )

    def within(self, other: Area, slack: float = 0.5) -> bool:
        return (
            other.x - slack <= self.x
            and other.y - slack <= self.y
            and self.x + self.w <= other.x + other.w + slack
            and self.y + self.h <= other.y + other.h + slack
        )


@dataclass(frozen=True)
class Text:
    words: str
    size: float
    bold: bool
    area: Area


@dataclass
class Sheet:
    texts: list[Text] = field(default_factory=list)
    boxes: list[Area] = field(default_factory=list)
    filled: list[Area] = field(default_factory=list)
    images: list[Area] = field(default_factory=list)
    colours: set[tuple] = field(default_factory=set)

    @property
    def words(self) -> str:
        return " ".join(text.words for text in self.texts)


def read(pdf: bytes) -> list[Sheet]:
    """The sheets of a PDF; lengths in points from the lower left corner."""
    return [_sheet(page) for page in PdfReader(BytesIO(pdf)).pages]


def _sheet(page) -> Sheet:
    sheet, open_path = Sheet(), []

    def on_text(text, cm, tm, font, size):
        words = text.strip("\n")
        if words.strip():
            bold = font["/BaseFont"].endswith("Bold")
            area = Area(tm[4], tm[5] - 0.2 * size, width(words, size, bold=bold), 0.92 * size)
            sheet.texts.append(Text(words, size, bold, area))

    def on_operand(operator, operands, cm, tm):
        numbers = [float(value) for value in operands if isinstance(value, int | float)]
        if operator == b"re":
            open_path.append(Area(*numbers))
        elif operator in {b"S", b"s", b"f", b"f*", b"B"}:
            (sheet.filled if operator in {b"f", b"f*"} else sheet.boxes).extend(open_path)
            open_path.clear()
        elif operator == b"Do":
            sheet.images.append(Area(cm[4], cm[5], cm[0], cm[3]))
        elif operator in {b"g", b"G", b"rg", b"RG", b"k", b"K"}:
            sheet.colours.add(tuple(numbers))

    page.extract_text(visitor_text=on_text, visitor_operand_before=on_operand)
    return sheet


def pictures(pdf: bytes, folder: Path, dots: int = 100) -> list[Image.Image]:
    """Each sheet as a printer would see it, `dots` to the inch, in grey."""
    (folder / "card.pdf").write_bytes(pdf)
    subprocess.run(
        ["pdftoppm", "-r", str(dots), "-gray", str(folder / "card.pdf"), str(folder / "sheet")],
        check=True,
        timeout=60,
    )
    return [Image.open(path).copy() for path in sorted(folder.glob("sheet*.pgm"))]
