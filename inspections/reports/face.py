"""The coupler face: one list of plain outlines per pattern, drawn as SVG for the page and as vectors for paper.

A front view, seen facing the end; our own drawing. Lengths are units of the view box, WIDTH x HEIGHT, with y
downwards. On a phone one unit is one CSS pixel when the picture is 342 px wide; the hit areas keep their least
size (47 x 48 px) down to a picture 328 px wide.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from math import cos, pi, sin

from reportlab.pdfgen.canvas import Canvas

from inspections.reports.fonts import BOLD
from inspections.reports.outlines import Form, Shape, circle, hatch, path, rect, steps

WIDTH, HEIGHT = 342, 326
NUMBER_SIZE = 17
DISC = 13
THIN, HEAVY = 0.99, 2.83  # points: 0.35 mm and 1 mm
LEAST_PRINT = 11  # points; numbers that would print smaller are left out


@dataclass(frozen=True, slots=True)
class Part:
    """A numbered part of the picture, as the list beside it names it."""

    number: int
    slot: str
    name: str


PARTS = (
    Part(1, "face", "Front plate"),
    Part(2, "cone", "Guide cone"),
    Part(3, "cup", "Guide cup"),
    Part(4, "hook", "Lock hook"),
    Part(5, "air-upper", "Upper air seal"),
    Part(6, "air-lower", "Lower air seal"),
    Part(7, "contacts", "Electric head"),
    Part(8, "cover", "Electric head cover"),
    Part(9, "handle", "Release handle"),
)
DRAW_HOOK_PARTS = (Part(4, "hook", "Draw hook"), Part(5, "air-upper", "Air hoses"))
NUMBERS = {part.slot: part.number for part in PARTS}


def _part(
    slot: str,
    hits: Iterable[Form],
    outlines: Iterable[Form],
    details: Iterable[Form],
    discs: Iterable[tuple[float, float]],
) -> list[Shape]:
    """Shapes of one part, back to front. The hatch fills the outlines (a hole is an outline inside another)."""
    drawn = [Shape(slot, "d", *form) for form in outlines]
    made = [Shape(slot, "s", *form) for form in hits] + drawn
    made += [Shape(slot, "f", *form) for form in details]
    made.append(Shape(slot, "h", "path", path=hatch(drawn)))
    for x, y in discs:
        made.append(Shape(slot, "n", "circle", (x, y, DISC)))
        made.append(Shape(slot, "t", "text", (x, y + 6), text=str(NUMBERS[slot])))
    return made


def _head() -> list[Shape]:
    """Front plate, cone, cup, hook and air seals: the same on every pattern that joins by itself."""
    plate = path("M 44 12 L 298 12 L 318 32 L 318 190 L 298 210 L 44 210 L 24 190 L 24 32 Z")
    bolts = [circle(x, y, 4) for x in (38, 304) for y in (34, 188)]
    cone_lines = [
        path(f"M {80 + 18 * c:.0f} {134 + 18 * s:.0f} L {80 + 38 * c:.0f} {134 + 38 * s:.0f}")
        for c, s in ((cos(i * pi / 3), sin(i * pi / 3)) for i in range(6))
    ]
    hook = path(
        "M 149 137 L 149 108 C 149 80 193 80 193 108 L 193 118 L 180 118 L 180 110"
        " C 180 98 162 98 162 110 L 162 137 Z"
    )
    upper, lower = circle(171, 47, 26), circle(171, 177, 26)
    return [
        *_part("face", [rect(24, 12, 294, 198)], [plate], bolts, [(82, 46)]),
        *_part("cone", [rect(34, 84, 92, 100)], [circle(80, 134, 40)], cone_lines, [(80, 134)]),
        *_part("cup", [rect(216, 84, 92, 100)], [circle(262, 134, 40)], [circle(262, 134, 30)], [(262, 134)]),
        *_part("hook", [rect(137, 79, 68, 66)], [hook], [rect(141, 83, 60, 58, 4)], [(182, 126)]),
        *_part("air-upper", [circle(171, 47, 30)], [upper], [circle(171, 47, 18)], [(171, 47)]),
        *_part("air-lower", [circle(171, 177, 30)], [lower], [circle(171, 177, 18)], [(171, 177)]),
    ]


def _handle() -> list[Shape]:
    grip = [rect(290, 246, 46, 74, 14), rect(299, 256, 28, 54, 8)]
    return _part("handle", [rect(287, 212, 52, 112)], grip, [path("M 313 210 L 313 246")], [(313, 283)])


def _electric(heads: list[tuple[float, float]]) -> list[Shape]:
    """Electric heads with their covers hanging open below: (left edge, width) of each head."""
    boxes, covers, pins, hinges, middles = [], [], [], [], []
    for x, w in heads:
        middle = x + w / 2
        boxes.append(rect(x, 216, w, 50, 5))
        covers.append(path(f"M {x} 274 L {x + w} 274 L {x + w - 10} 322 L {x + 10} 322 Z"))
        hinges += [rect(x + 10, 268, 16, 6), rect(x + w - 26, 268, 16, 6)]
        offsets = range(26, int(w / 2) - 6, 13)
        pins += [circle(middle + side * dx, y, 3) for dx in offsets for side in (-1, 1) for y in (233, 249)]
        middles.append(middle)
    return [
        *_part("contacts", [rect(x, 214, w, 53) for x, w in heads], boxes, pins, [(x, 241) for x in middles]),
        *_part("cover", [rect(x, 268, w, 56) for x, w in heads], covers, hinges, [(x, 298) for x in middles]),
    ]


def _draw_hook() -> list[Shape]:
    beam = [Shape("", "f", *rect(12, 70, 318, 110, 4))]
    beam += [Shape("", "f", *circle(x, 125, 36)) for x in (54, 288)]
    hook = path(
        "M 150 200 L 150 118 C 150 66 216 66 216 116 L 216 140 L 192 140 L 192 118"
        " C 192 100 174 100 174 118 L 174 200 Z"
    )
    hoses = [
        path(
            f"M {x - 8} 170 L {x - 8} 244 L {x - 17} 254 L {x - 17} 290"
            f" L {x + 17} 290 L {x + 17} 254 L {x + 8} 244 L {x + 8} 170 Z"
        )
        for x in (84, 258)
    ]
    return [
        *beam,
        *_part("hook", [rect(138, 62, 90, 150)], [hook], [], [(204, 156)]),
        *_part("air-upper", [rect(x - 27, 184, 54, 120) for x in (84, 258)], hoses, [], [(84, 270), (258, 270)]),
    ]


DRAWINGS: dict[str, tuple[Shape, ...]] = {
    "P": (*_head(), *_electric([(66, 210)]), *_handle()),
    "Q": (*_head(), *_electric([(66, 96), (180, 96)]), *_handle()),
    "H": tuple(_draw_hook()),
}


def shapes(drawing: str) -> tuple[Shape, ...]:
    """The outlines of pattern "P", "Q" or "H" (draw hook), back to front. ValueError names any other."""
    if drawing not in DRAWINGS:
        raise ValueError(f"drawing: {drawing!r} is not one of {', '.join(DRAWINGS)}")
    return DRAWINGS[drawing]


def parts(drawing: str) -> tuple[Part, ...]:
    """The numbered parts of a pattern, in the order of their numbers. ValueError as for `shapes`."""
    shapes(drawing)
    return DRAW_HOOK_PARTS if drawing == "H" else PARTS


def slots(drawing: str) -> frozenset[str]:
    """Codes of the parts that the picture shows. ValueError as for `shapes`."""
    return frozenset(part.slot for part in parts(drawing))


def svg(drawing: str, *, marked: frozenset[str] = frozenset(), css: str = "face", hatched: bool = True) -> str:
    """The picture for a page: no ids, no style attributes, nothing a screen reader or the Tab key meets.

    Each part is `<g class="part" data-slot="hook">` (plus class "marked" for the slots in `marked`); in it the
    classes s (hit area), d (outline), f (fine line), h (hatch, hidden until the stylesheet shows it on the picked
    part), n (number disc) and the number as text. The same choice must stand beside it as radio buttons. `hatched`
    False leaves the hatches out, most of the bytes: for a page whose script draws the one that is wanted.
    """
    groups, slot = [], None
    for shape in shapes(drawing):
        if shape.role == "h" and not hatched:
            continue
        if shape.slot != slot:
            groups.append("</g>" if slot is not None else "")
            slot = shape.slot
            groups.append(_group(slot, slot in marked))
        groups.append(_element(shape, slot in marked))
    return (
        f'<svg class="{escape(css)}" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" fill="none"'
        f' stroke="currentColor" aria-hidden="true" focusable="false">{"".join(groups)}</g></svg>'
    )


def _group(slot: str, marked: bool) -> str:
    if not slot:
        return '<g class="beam">'
    return f'<g class="part{" marked" if marked else ""}" data-slot="{slot}">'


def _element(shape: Shape, marked: bool) -> str:
    if shape.role == "t":
        x, y = shape.at
        return (
            f'<text x="{x:g}" y="{y:g}" font-size="{NUMBER_SIZE}" font-weight="700" text-anchor="middle"'
            f' fill="currentColor" stroke="none">{shape.text}</text>'
        )
    quiet = ' stroke="none" pointer-events="all"' if shape.role == "s" else ""
    if shape.role == "h" and not marked:
        quiet = ' visibility="hidden"'
    if shape.kind == "path":
        return f'<path class="{shape.role}"{quiet} d="{shape.path}"/>'
    names = ("cx", "cy", "r") if shape.kind == "circle" else ("x", "y", "width", "height", "rx")
    numbers = "".join(f' {name}="{value:g}"' for name, value in zip(names, shape.at, strict=True))
    return f'<{shape.kind} class="{shape.role}"{quiet}{numbers}/>'


def draw(
    canvas: Canvas, drawing: str, x: float, y: float, width: float, marked: frozenset[str] = frozenset()
) -> None:
    """Draw the picture in black vectors; (x, y) is its lower left corner, all in points.

    A marked part has a 1 mm outline and a hatch. Numbers are printed only where they come out at 11 pt or more.
    """
    pen = _Pen(canvas, x, y, width / WIDTH)
    numbered = NUMBER_SIZE * pen.scale >= LEAST_PRINT
    canvas.saveState()
    for shape in shapes(drawing):
        picked = shape.slot in marked
        if shape.role in "df" or (shape.role == "h" and picked) or (shape.role in "nt" and numbered):
            canvas.setLineWidth(HEAVY if picked and shape.role == "d" else THIN)
            pen.draw(shape)
    canvas.restoreState()


@dataclass(frozen=True, slots=True)
class _Pen:
    canvas: Canvas
    left: float
    bottom: float
    scale: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        return self.left + x * self.scale, self.bottom + (HEIGHT - y) * self.scale

    def draw(self, shape: Shape) -> None:
        k, white = self.scale, int(shape.role in "dn")  # white inside, so that a hatch behind does not show through
        self.canvas.setFillGray(white)
        if shape.kind == "circle":
            self.canvas.circle(*self.at(*shape.at[:2]), shape.at[2] * k, fill=white)
        elif shape.kind == "rect":
            x, y, w, h, corner = shape.at
            self.canvas.roundRect(*self.at(x, y + h), w * k, h * k, corner * k, fill=white)
        elif shape.kind == "text":
            self.canvas.setFont(BOLD, NUMBER_SIZE * k)
            self.canvas.drawCentredString(*self.at(*shape.at), shape.text)
        else:
            self.trace(shape.path, white)

    def trace(self, path: str, white: int) -> None:
        line = self.canvas.beginPath()
        for letter, points in steps(path):
            numbers = [value for point in points for value in self.at(*point)]
            {"M": line.moveTo, "L": line.lineTo, "C": line.curveTo, "Z": line.close}[letter](*numbers)
        self.canvas.drawPath(line, fill=white)
