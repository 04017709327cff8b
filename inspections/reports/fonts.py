"""The one typeface of the paper: Roboto, embedded, so that every letter it has is printed on any machine.

Importing this module registers both weights and sets ReportLab so that the same data give the same bytes and
photographs are stored as they are (`useA85 = 0`).
"""

from __future__ import annotations

import unicodedata

import reportlab.rl_config
from font_roboto import Roboto, RobotoBold
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

REGULAR = "Roboto"
BOLD = "Roboto-Bold"
UNKNOWN = "\N{REPLACEMENT CHARACTER}"
# Signs that have a plain twin in the face; everything else unknown becomes UNKNOWN, never a silent gap.
TWINS = str.maketrans({"\u2192": "-", "\u2010": "-", "\u2011": "-", "\u2212": "\u2013", "\u00a0": " ", "\t": " "})

reportlab.rl_config.useA85 = 0
reportlab.rl_config.invariant = 1
_regular, _bold = TTFont(REGULAR, Roboto), TTFont(BOLD, RobotoBold)
pdfmetrics.registerFont(_regular)
pdfmetrics.registerFont(_bold)
_KNOWN = frozenset(_regular.face.charToGlyph) & frozenset(_bold.face.charToGlyph)


def width(text: str, size: float, *, bold: bool = False) -> float:
    """Width of one printed line in points (1/72 inch) at `size` points."""
    return pdfmetrics.stringWidth(text, BOLD if bold else REGULAR, size)


def printable(text: str) -> str:
    """The text as the paper can show it: composed letters, "\\n" for line ends, UNKNOWN for what the face lacks.

    Control, direction and zero-width signs are dropped: they could hide or turn round what stands beside them.
    """
    lines = unicodedata.normalize("NFC", text).translate(TWINS).replace("\r\n", "\n").replace("\r", "\n")
    return "".join(_shown(sign) for sign in lines)


def _shown(sign: str) -> str:
    if sign == "\n":
        return sign
    if unicodedata.category(sign) in {"Cc", "Cf", "Zl", "Zp"}:
        return ""
    return sign if ord(sign) in _KNOWN else UNKNOWN
