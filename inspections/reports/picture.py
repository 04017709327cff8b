"""A drawing as shapes: the same lines as SVG on a page and as vectors on paper. Data in, text or strokes out.

Colours come from the text around it, so that a picture follows the theme; paper is black. No style attributes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape

from reportlab.pdfgen.canvas import Canvas

from inspections.reports import fonts

SIZE = 14.0  # of a label: user units, CSS px on the narrowest phone
DASH = (4, 3)
WIDE = 0.56  # of SIZE: how wide a letter is, on average


@dataclass(frozen=True, slots=True)
class Text:
    x: float
    y: float
    words: str
    anchor: str = "start"  # start, middle, end


@dataclass(frozen=True, slots=True)
class Line:
    """Points joined; `dashed` for what is only expected, `width` in user units."""

    points: tuple[tuple[float, float], ...]
    dashed: bool = False
    width: float = 2.0


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle; `ink` 0 … 1 how dark it is filled, `outline` drawn around it."""

    x: float
    y: float
    width: float
    height: float
    ink: float = 1.0
    outline: bool = False


@dataclass(frozen=True, slots=True)
class Dot:
    x: float
    y: float
    radius: float = 5.0
    filled: bool = True


Shape = Text | Line | Box | Dot


@dataclass(frozen=True, slots=True)
class Picture:
    """`width` × `height` user units, y downwards."""

    width: float
    height: float
    shapes: tuple[Shape, ...] = field(default=())


def fitted(words: str, width: float) -> str:
    """The words, cut with an ellipsis where they would be wider than `width` user units."""
    most = int(width / (SIZE * WIDE))
    return words if len(words) <= most else words[: max(1, most - 1)].rstrip() + "…"


def svg(picture: Picture, *, question: str, answer: str, name: str) -> str:
    """The picture as SVG. `question` and `answer` become title and description, `name` makes their ids unique."""
    name = escape(name)
    drawn = "".join(_svg(shape) for shape in picture.shapes)
    size = f"{_n(picture.width)} {_n(picture.height)}"
    return (
        f'<svg class="chart" viewBox="0 0 {size}" width="{_n(picture.width)}" height="{_n(picture.height)}" '
        f'role="img" aria-labelledby="{name}-title {name}-desc"><title id="{name}-title">{escape(question)}</title>'
        f'<desc id="{name}-desc">{escape(answer)}</desc>{drawn}</svg>'
    )


def _n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def _svg(shape: Shape) -> str:
    if isinstance(shape, Text):
        anchor = "" if shape.anchor == "start" else f' text-anchor="{shape.anchor}"'
        return f'<text x="{_n(shape.x)}" y="{_n(shape.y)}"{anchor}>{escape(shape.words)}</text>'
    if isinstance(shape, Line):
        points = " ".join(f"{_n(x)},{_n(y)}" for x, y in shape.points)
        dash = f' stroke-dasharray="{DASH[0]} {DASH[1]}"' if shape.dashed else ""
        width = _n(shape.width)
        return f'<polyline points="{points}" fill="none" stroke="currentColor" stroke-width="{width}"{dash}/>'
    if isinstance(shape, Box):
        edge = ' stroke="currentColor"' if shape.outline else ""
        ink = f"{shape.ink:.2f}".rstrip("0").rstrip(".")
        return (
            f'<rect x="{_n(shape.x)}" y="{_n(shape.y)}" width="{_n(shape.width)}" height="{_n(shape.height)}" '
            f'fill="currentColor" fill-opacity="{ink}"{edge}/>'
        )
    fill = 'fill="currentColor"' if shape.filled else 'fill="none" stroke="currentColor" stroke-width="2"'
    return f'<circle cx="{_n(shape.x)}" cy="{_n(shape.y)}" r="{_n(shape.radius)}" {fill}/>'


def draw(canvas: Canvas, picture: Picture, x: float, y: float, width: float) -> float:
    """Draw with the top left corner at (x, y), `width` points wide; gives the height it took, points."""
    scale = width / picture.width
    canvas.saveState()
    canvas.translate(x, y)
    canvas.scale(scale, scale)
    canvas.setStrokeGray(0)
    for shape in picture.shapes:
        _draw(canvas, shape)
    canvas.restoreState()
    return picture.height * scale


def _draw(canvas: Canvas, shape: Shape) -> None:
    canvas.setFillGray(0)
    if isinstance(shape, Text):
        canvas.setFont(fonts.REGULAR, SIZE)
        put = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}
        put[shape.anchor](shape.x, -shape.y, shape.words)
    elif isinstance(shape, Line):
        canvas.setLineWidth(shape.width)
        canvas.setDash(*(DASH if shape.dashed else ()))
        path = canvas.beginPath()
        for n, (x, y) in enumerate(shape.points):
            (path.moveTo if n == 0 else path.lineTo)(x, -y)
        canvas.drawPath(path)
        canvas.setDash()
    elif isinstance(shape, Box):
        canvas.setLineWidth(0.5)
        canvas.setFillGray(1 - shape.ink)
        canvas.rect(shape.x, -shape.y - shape.height, shape.width, shape.height, stroke=int(shape.outline), fill=1)
    else:
        canvas.setLineWidth(2)
        canvas.circle(shape.x, -shape.y, shape.radius, stroke=int(not shape.filled), fill=int(shape.filled))
