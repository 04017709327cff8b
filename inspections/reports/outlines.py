"""Plain outlines: the shapes of a drawing, their corners and the hatch that fills them, in view box units."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import cos, pi, sin

HATCH_STEP = 9
Form = tuple[str, tuple[float, ...], str]  # kind, numbers, path: the tail of a Shape
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Shape:
    """One outline. `slot` is the part's code, "" for what is no part of the coupler.

    `role`: s hit area, d outline, f fine line, h hatch, n number disc, t number. `kind` and `at`: circle (cx, cy, r);
    rect (x, y, width, height, corner radius); text (x of the middle, y of the base line);
    path (no numbers: `path` holds absolute M, L, C and Z steps, space separated).
    """

    slot: str
    role: str
    kind: str
    at: tuple[float, ...] = ()
    path: str = ""
    text: str = ""


def circle(x: float, y: float, r: float) -> Form:
    return "circle", (x, y, r), ""


def rect(x: float, y: float, w: float, h: float, corner: float = 0) -> Form:
    return "rect", (x, y, w, h, corner), ""


def path(steps: str) -> Form:
    return "path", (), steps


def _polygon(shape: Shape) -> list[Point]:
    """The outline as corners; curves as short straight pieces."""
    if shape.kind == "circle":
        x, y, r = shape.at
        return [(x + r * cos(i * pi / 24), y + r * sin(i * pi / 24)) for i in range(48)]
    if shape.kind == "rect":
        return list(_corners(*shape.at))
    corners: list[Point] = []
    for letter, points in steps(shape.path):
        if letter == "C":
            corners += [_bezier(corners[-1], *points, i / 8) for i in range(1, 9)]
        else:
            corners += points
    return corners


def _corners(x: float, y: float, w: float, h: float, r: float) -> Iterator[Point]:
    """A rectangle with rounded corners, clockwise from the top right one."""
    middles = ((x + w - r, y + r), (x + w - r, y + h - r), (x + r, y + h - r), (x + r, y + r))
    for i, (mx, my) in enumerate(middles):
        for j in range(5):
            angle = (i - 1 + j / 4) * pi / 2
            yield mx + r * cos(angle), my + r * sin(angle)


def _bezier(a, b, c, d, t: float) -> Point:
    u = 1 - t
    return tuple(
        u**3 * p + 3 * u * u * t * q + 3 * u * t * t * r + t**3 * s for p, q, r, s in zip(a, b, c, d, strict=True)
    )


def hatch(outlines: Iterable[Shape]) -> str:
    """Path of the 45-degree lines that fill the outlines: real lines, as clip paths and patterns would need ids."""
    polygons = [_polygon(shape) for shape in outlines]
    edges = [edge for corners in polygons for edge in pairwise([*corners, corners[0]])]
    sums = [x + y for corners in polygons for x, y in corners]
    lines = []
    for i in range(int(min(sums) // HATCH_STEP) + 1, int(max(sums) // HATCH_STEP) + 1):
        level = i * HATCH_STEP + 0.01  # off the round corners, so that no line runs through one
        xs = sorted(_crossings(edges, level))
        for left, right in zip(xs[::2], xs[1::2], strict=True):
            lines.append(f"M {left:.1f} {level - left:.1f} L {right:.1f} {level - right:.1f}")
    return " ".join(lines)


def _crossings(edges, level: float) -> Iterator[float]:
    for (ax, ay), (bx, by) in edges:
        a, b = ax + ay - level, bx + by - level
        if (a < 0) != (b < 0):
            yield ax + (bx - ax) * a / (a - b)


def steps(path: str) -> Iterator[tuple[str, list[Point]]]:
    """("M" | "L" | "C" | "Z", its points) for each step of a path."""
    letter, numbers = "", []
    for word in [*path.split(), ""]:
        if word.isalpha() or not word:
            if letter:
                yield letter, list(zip(numbers[::2], numbers[1::2], strict=True))
            letter, numbers = word, []
        else:
            numbers.append(float(word))
