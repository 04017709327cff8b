"""The charts of recurring faults: a section's chart data → a picture, drawn alike on page and paper.

WIDTH is the narrowest phone's, so that labels keep their size there; labels stand at their marks, no legends.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, timedelta

from inspections.reports.picture import SIZE, Box, Dot, Line, Picture, Shape, Text, fitted
from inspections.reports.picture import svg as as_svg

WIDTH = 328.0
ROW = 42.0
BAR = 16.0
NUMBER = 46.0  # room for a number at the end of a bar
LEAST = 2.0
FOOT = 22.0
PLOT = 180.0  # height of a plot with two axes
LEFT = 34.0
TOP_RATIO = 12.0  # an interval that reaches further is cut there, and says so


def picture(section: dict) -> Picture | None:
    """The picture of a section; None where it has no chart."""
    chart = section["chart"]
    return KINDS[chart["kind"]](chart) if chart else None


def svg(section: dict) -> str:
    """The picture as SVG, its question as title, its answer as description; "" where there is none."""
    drawn = picture(section)
    if drawn is None:
        return ""
    return as_svg(drawn, question=section["question"], answer=section["answer"], name=f"chart-{section['name']}")


def bars(chart: dict) -> Picture:
    """Horizontal bars in the order given, the label above each and its count at its end. `rows`: (label, count)."""
    rows = chart["rows"]
    most = max((count for _, count in rows), default=0) or 1
    shapes: list[Shape] = []
    for n, (label, count) in enumerate(rows):
        top = n * ROW
        length = max(LEAST, (WIDTH - NUMBER) * count / most) if count else 0.0
        shapes += [
            Text(0, top + 14, fitted(label, WIDTH)),
            Box(0, top + 20, length, BAR),
            Text(length + 6, top + 20 + BAR - 3, f"{count:,}"),
        ]
    return Picture(WIDTH, max(1, len(rows)) * ROW, tuple(shapes))


def intervals(chart: dict) -> Picture:
    """Dots with their limits on one scale from 0; a dashed line where everybody is. A line that runs off the scale
    ends in an open stroke and its number. `rows`: label, value, low, high, solid; `line`: the average (1)."""
    rows, average = chart["rows"], chart.get("line") if chart.get("line") is not None else 1.0
    ends = [row["high"] for row in rows if row["high"] is not None] + [row["value"] or 0 for row in rows]
    top = min(max([*ends, average * 1.5]), average * TOP_RATIO) or 1.0

    def x(value: float) -> float:
        return 6 + (WIDTH - 12 - NUMBER) * min(value, top) / top

    height = len(rows) * ROW + FOOT + SIZE
    shapes: list[Shape] = []
    for n, row in enumerate(rows):
        y = n * ROW + 28
        shapes.append(Line(((x(average), y - 9), (x(average), y + 9)), dashed=True, width=1.5))
        high = row["high"] if row["high"] is not None else top
        shapes += [
            Text(0, n * ROW + 14, fitted(row["label"], WIDTH)),
            Line(((x(row["low"] or 0), y), (x(high), y))),
            Dot(x(row["value"] or 0), y, filled=bool(row["solid"])),
            Text(WIDTH, y + 4, number(row["value"]), "end"),
        ]
    shapes += axis(x, height - FOOT - SIZE, ticks(top))
    shapes.append(Text(6, height - 2, fitted(f"{chart['unit']}; dashed: everybody", WIDTH)))
    return Picture(WIDTH, height, tuple(shapes))


def number(value: float | None) -> str:
    return "–" if value is None else f"{value:,g}"


def ticks(top: float) -> list[float]:
    """Three to six round values from 0 up to `top`."""
    step = next(
        (unit * 10**power for power in range(-2, 7) for unit in (1, 2, 5) if top / (unit * 10**power) <= 5),
        top or 1.0,
    )
    return [round(step * n, 6) for n in range(int(top / step + 1e-9) + 1)]


def axis(x: Callable[[float], float], y: float, values: Sequence[float], words: Callable[[float], str] = number):
    """A line with strokes and numbers below it."""
    line = Line(((x(values[0]), y), (x(values[-1]), y)), width=1)
    marks = [Line(((x(v), y), (x(v), y + 4)), width=1) for v in values]
    return [line, *marks, *(Text(x(v), y + 5 + SIZE, words(v), "middle" if v else "start") for v in values)]


def steps(chart: dict) -> Picture:
    """Faults so far as steps, what a steady rate would have brought dashed; strokes where something was changed."""
    days, most = chart["x"][-1] or 1, max([*chart["y"], *chart["expected"], 1])

    def x(day: float) -> float:
        return LEFT + (WIDTH - LEFT - 8) * day / days

    def y(count: float) -> float:
        return SIZE + 6 + PLOT * (1 - count / most)

    stairs: list[tuple[float, float]] = []
    for n, (day, count) in enumerate(zip(chart["x"], chart["y"], strict=True)):
        stairs += [(x(day), y(chart["y"][n - 1]))] if n else []
        stairs.append((x(day), y(count)))
    expected = tuple((x(d), y(c)) for d, c in zip(chart["x"], chart["expected"], strict=True))
    first = date.fromisoformat(chart["first"])
    foot = y(0)
    shapes: list[Shape] = [
        Text(0, SIZE, fitted(chart["title"], WIDTH)),
        Line(expected, dashed=True, width=1.5),
        Line(tuple(stairs)),
        Line(((LEFT, y(most)), (LEFT, foot), (WIDTH - 8, foot)), width=1),
    ]
    shapes += [Text(LEFT - 4, y(v) + 4, number(v), "end") for v in ticks(most)]
    for year in years(first, int(days)):
        shapes.append(Line(((x(year[0]), foot), (x(year[0]), foot + 4)), width=1))
        shapes.append(Text(x(year[0]) + 3, foot + 5 + SIZE, year[1]))
    for n, mark in enumerate(chart["marks"]):
        shapes.append(Line(((x(mark["x"]), y(most)), (x(mark["x"]), foot)), dashed=True, width=1))
        side = x(mark["x"]) < WIDTH / 2
        at = x(mark["x"]) + (4 if side else -4)
        shapes.append(
            Text(at, y(most) + SIZE * (1 + n), fitted(mark["label"], WIDTH / 2), "start" if side else "end")
        )
    shapes.append(Text(0, foot + 10 + 2 * SIZE, "Solid: so far. Dashed: a steady rate."))
    return Picture(WIDTH, foot + FOOT + SIZE + 4, tuple(shapes))


def years(first: date, days: int) -> list[tuple[int, str]]:
    """(day, year) of the start and of every 1 January within; the start only where its year has room."""
    last = first + timedelta(days=days)
    begun = [(date(year, 1, 1) - first).days for year in range(first.year + 1, last.year + 1)]
    room = days / 6
    kept = [(day, str((first + timedelta(days=day)).year)) for day in begun if days - day > room]
    return [(0, str(first.year)), *kept] if not begun or begun[0] > room else kept


def strip(chart: dict) -> Picture:
    """A row a year, a cell a month: its number, and four steps of ink; a cross where there is no record."""
    side = (WIDTH - LEFT) / 12
    most = max([cell for row in chart["cells"] for cell in row if cell is not None], default=0) or 1
    shapes: list[Shape] = [Text(0, SIZE, fitted(chart["title"], WIDTH))]
    for m, letter in enumerate("JFMAMJJASOND"):
        shapes.append(Text(LEFT + side * (m + 0.5), 2 * SIZE + 6, letter, "middle"))
    top = 2 * SIZE + 12
    for n, (year, row) in enumerate(zip(chart["years"], chart["cells"], strict=True)):
        at = top + n * side
        shapes.append(Text(0, at + side / 2 + 4, str(year)))
        for m, cell in enumerate(row):
            left = LEFT + m * side
            if cell is None:
                shapes.append(Text(left + side / 2, at + side / 2 + 4, "×", "middle"))
                continue
            shapes.append(Box(left, at, side, side, ink=round(4 * cell / most) / 4 * 0.36, outline=True))
            shapes.append(Text(left + side / 2, at + side / 2 + 4, str(cell), "middle"))
    return Picture(WIDTH, top + len(chart["years"]) * side + 2, tuple(shapes))


def survival(chart: dict) -> Picture:
    """Share still in use by age, its limits dashed, how many are still watched below the axis."""
    last = max([*chart["age"], 1])

    def x(age: float) -> float:
        return LEFT + (WIDTH - LEFT - 14) * age / last

    def y(share: float) -> float:
        return SIZE + 8 + PLOT * (1 - share / 100)

    shapes: list[Shape] = [Text(0, SIZE, fitted(chart["title"], WIDTH))]
    for name, dashed in (("low", True), ("high", True), ("share", False)):
        points, before = [(x(0), y(100))], 100.0
        for age, value in zip(chart["age"], chart[name], strict=True):
            value = before if value is None else value
            points += [(x(age), y(before)), (x(age), y(value))]
            before = value
        shapes.append(Line(tuple(points), dashed=dashed, width=1 if dashed else 2))
    shapes.append(Line(((LEFT, y(100)), (LEFT, y(0)), (WIDTH - 8, y(0))), width=1))
    shapes += [Text(LEFT - 4, y(v) + 4, f"{v}%", "end") for v in (0, 50, 100)]
    shapes.append(Line(((LEFT, y(50)), (WIDTH - 8, y(50))), dashed=True, width=0.7))
    for age in ticks(last):
        watched = next((n for a, n in zip(chart["age"], chart["at_risk"], strict=True) if a >= age), None)
        anchor = "middle" if age else "start"
        shapes.append(Line(((x(age), y(0)), (x(age), y(0) + 4)), width=1))
        shapes.append(Text(x(age), y(0) + 5 + SIZE, number(age), anchor))
        if watched is not None:
            shapes.append(Text(x(age), y(0) + 9 + 2 * SIZE, number(watched), anchor))
    shapes.append(Text(0, y(0) + 13 + 3 * SIZE, "Days in place; below: still watched"))
    return Picture(WIDTH, y(0) + 18 + 3 * SIZE, tuple(shapes))


def funnel(chart: dict) -> Picture:
    """Depots by size and share; between the dashed lines is what chance does around the mean."""
    most = max([p["n"] for p in chart["points"]] + [row[0] for row in chart["limits"]] + [1])
    top = min(100.0, max([row[2] for row in chart["limits"]] + [p["share"] for p in chart["points"]] + [1]))

    def x(n: float) -> float:
        return LEFT + (WIDTH - LEFT - 30) * n / most

    def y(share: float) -> float:
        return 8 + PLOT * (1 - min(share, top) / top)

    shapes: list[Shape] = [
        Line(tuple((x(n), y(low)) for n, low, _ in chart["limits"]), dashed=True, width=1.5),
        Line(tuple((x(n), y(high)) for n, _, high in chart["limits"]), dashed=True, width=1.5),
        Line(((LEFT, y(chart["mean"])), (WIDTH - 30, y(chart["mean"]))), width=1),
        Line(((LEFT, y(top)), (LEFT, y(0)), (WIDTH - 8, y(0))), width=1),
    ]
    for point in chart["points"]:
        right = x(point["n"]) > WIDTH * 0.6
        shapes.append(Dot(x(point["n"]), y(point["share"])))
        at = x(point["n"]) + (-9 if right else 9)
        shapes.append(Text(at, y(point["share"]) - 7, fitted(point["label"], WIDTH / 2), "end" if right else "start"))
    shapes += [Text(LEFT - 4, y(v) + 4, f"{v:g}%", "end") for v in ticks(top)]
    shapes += axis(x, y(0), ticks(most))
    shapes.append(Text(0, y(0) + 10 + 2 * SIZE, "Repairs; upwards: came back"))
    return Picture(WIDTH, y(0) + 16 + 2 * SIZE, tuple(shapes))


KINDS = {
    "bars": bars,
    "intervals": intervals,
    "steps": steps,
    "strip": strip,
    "survival": survival,
    "funnel": funnel,
}
