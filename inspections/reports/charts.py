"""Charts as static SVG: data in, text out. No ORM, no request, no style attribute.

Colours and sizes of type come from the stylesheet by class, so that the same picture follows the theme; every label
stands directly at its mark.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

WIDTH = 328  # CSS px on the narrowest phone, so that labels keep their size there
ROW = 46
BAR = 18
NUMBER = 44  # room for the count at the bar's end
LEAST = 2


def bars(rows: Sequence[tuple[str, int]], *, question: str, answer: str, name: str) -> str:
    """Horizontal bars in the order given, the label above each and its count at its end.

    `question` and `answer` become title and description; `name` makes their ids unique on the page.
    """
    most = max((count for _, count in rows), default=0) or 1
    drawn = "".join(_bar(label, count, most, index * ROW) for index, (label, count) in enumerate(rows))
    height = max(1, len(rows)) * ROW
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" role="img" '
        f'aria-labelledby="{escape(name)}-title {escape(name)}-desc">'
        f'<title id="{escape(name)}-title">{escape(question)}</title>'
        f'<desc id="{escape(name)}-desc">{escape(answer)}</desc>{drawn}</svg>'
    )


def _bar(label: str, count: int, most: int, top: int) -> str:
    length = round(max(LEAST, (WIDTH - NUMBER) * count / most)) if count else 0
    return (
        f'<text x="0" y="{top + 16}">{escape(label)}</text>'
        f'<rect class="bar" x="0" y="{top + 22}" width="{length}" height="{BAR}"/>'
        f'<text x="{length + 6}" y="{top + 36}">{count}</text>'
    )
