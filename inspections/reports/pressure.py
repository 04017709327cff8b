"""A leak test as a small picture: pressure against time. Data in, static SVG out; no ORM, no request, no style.

Three lines from one start, told apart by dash and mark, each named where it ends. All ink is the text's own colour,
so that the picture follows the theme and prints black.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

WIDTH, HEIGHT = 328, 216  # CSS px on the narrowest phone, so that labels keep their size there
LEFT, RIGHT, TOP, BOTTOM = 10, 176, 28, 176  # the plot; its labels stand right of it
GAP = 18  # between two labels


@dataclass(frozen=True, slots=True)
class Ending:
    """Where one line ends: pressure (bar), its words, dash pattern ("" is solid) and mark."""

    bar: float
    words: str
    dash: str = ""
    mark: str = "none"


def pressure(
    start: float, endings: Sequence[Ending], *, minutes: str, either_way: float, question: str, answer: str, name: str
) -> str:
    """The lines from `start` (bar) to each ending after `minutes` (words); `either_way` (bar) is drawn as a bar at
    the first ending. `question` and `answer` become title and description; `name` makes their ids unique."""
    read = endings[0].bar
    values = [start, *(ending.bar for ending in endings), read - either_way, read + either_way]
    low, high = min(values), max(values)
    scale = (BOTTOM - TOP) / ((high - low) or 1)

    def y(bar: float) -> float:
        return round(BOTTOM - (bar - low) * scale, 1)

    drawn = "".join(_line(y(start), y(ending.bar), ending) for ending in endings)
    labels = "".join(
        _label(y(ending.bar), place, ending.words)
        for ending, place in zip(endings, _apart([y(ending.bar) for ending in endings]), strict=True)
    )
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" role="img" '
        f'aria-labelledby="{escape(name)}-title {escape(name)}-desc">'
        f'<title id="{escape(name)}-title">{escape(question)}</title>'
        f'<desc id="{escape(name)}-desc">{escape(answer)}</desc>'
        f'<g stroke="currentColor" fill="none" stroke-width="2">{_frame()}'
        f"{_spread(y(read - either_way), y(read + either_way))}{drawn}</g>{labels}"
        f'<text x="{LEFT}" y="{max(14, y(start) - 8)}">{start:.2f} bar at the start</text>'
        f'<text x="{LEFT}" y="{BOTTOM + 28}">0</text>'
        f'<text x="{RIGHT}" y="{BOTTOM + 28}" text-anchor="end">{escape(minutes)}</text></svg>'
    )


def _frame() -> str:
    return f'<path d="M{LEFT} {TOP - 8}V{BOTTOM + 8}H{RIGHT}" stroke-width="1"/>'


def _spread(bottom: float, top: float) -> str:
    wide = f"M{RIGHT - 5} {bottom}h10M{RIGHT - 5} {top}h10"
    return f'<path class="spread" d="M{RIGHT} {bottom}V{top}{wide}" stroke-width="1"/>'


def _line(from_y: float, to_y: float, ending: Ending) -> str:
    dash = f' stroke-dasharray="{ending.dash}"' if ending.dash else ""
    mark = f'<circle cx="{RIGHT}" cy="{to_y}" r="4" fill="{ending.mark}"/>'
    return f'<path d="M{LEFT} {from_y}L{RIGHT} {to_y}"{dash}/>{mark}'


def _label(at: float, place: float, words: str) -> str:
    lead = f'<path d="M{RIGHT + 7} {at}L{RIGHT + 17} {place}" stroke="currentColor" fill="none"/>'
    return f'{lead}<text x="{RIGHT + 20}" y="{place + 5}">{escape(words)}</text>'


def _apart(places: Sequence[float]) -> list[float]:
    """The places moved as little downwards as keeps them GAP apart, then up again into the picture; order kept."""
    order = sorted(range(len(places)), key=places.__getitem__)
    moved = list(places)
    for above, below in zip(order, order[1:], strict=False):
        moved[below] = max(moved[below], moved[above] + GAP)
    over = max(0.0, moved[order[-1]] - BOTTOM)
    return [round(place - over, 1) for place in moved]
