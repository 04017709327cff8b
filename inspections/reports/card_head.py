"""The top of a work card: the head that every sheet repeats, and what the first sheet says about the whole end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from reportlab.pdfgen.canvas import Canvas

from inspections.reports import qr
from inspections.reports.card import Card, CardIsolation, grouped, moment, said, sentence
from inspections.reports.fonts import printable
from inspections.reports.paper import (
    BODY,
    LABEL,
    LEAST,
    LEFT,
    LINE_GAP,
    MM,
    MOST_LINES,
    TICK,
    WIDTH,
    Block,
    Room,
    Run,
    box,
    large,
    lay,
    line,
    paragraph,
    put,
    stack,
    wrap,
)

QR_SIDE = 30 * MM
QR_ABOVE = 3 * MM  # its white edge may reach into the margin
BESIDE_QR = WIDTH - QR_SIDE
UNIT_SIZE = 34
KEY_WIDTH, KEY_HEIGHT = 30 * MM, 10 * MM
PAPER_IS_NOT_THE_RECORD = "This paper is not the record until the result is entered."
WHO_DECIDES = "Rule book, signaller and control decide."


@dataclass(frozen=True, slots=True)
class Head:
    """What every sheet repeats. `draw` gets the canvas, the top edge and "sheet n of m"; `rest` had no room in it."""

    height: float
    draw: Callable[[Canvas, float, str], None]
    rest: tuple[Block, ...]


def head(card: Card, widest: str = "sheet 99 of 99") -> Head:
    """Reference, version, sheet n of m, printed time, unit and end, what the end may do; the square at the right.

    `widest`: the longest count there may be, so that there is room for every one.
    """
    references, count = _references(card, widest)
    count_below = sum(block.height for block in references[:-1])
    lines = [*references, *_unit(card)]
    used = QR_ABOVE + sum(block.height for block in lines)
    standing = _standing(card, lambda i: BESIDE_QR if used + i * BODY * LINE_GAP < QR_SIDE else WIDTH)
    block = stack([*lines, *standing[:MOST_LINES]], least=QR_SIDE - QR_ABOVE if card.link else 0)

    def draw(canvas: Canvas, top: float, sheet: str) -> None:
        block.draw(canvas, top)
        put(canvas, replace(count, text=f"{count.text}, {sheet}"), top - count_below)
        if card.link:
            qr.draw(canvas, card.link, LEFT + WIDTH - QR_SIDE, top + QR_ABOVE - QR_SIDE, QR_SIDE)

    return Head(block.height, draw, tuple(standing[MOST_LINES:]))


def _references(card: Card, widest: str) -> tuple[list[Block], Run]:
    """The references, and on their last line the place of version and count."""
    named = ", ".join(grouped(finding.reference) for finding in card.findings) or "no open finding"
    texts = wrap(f"Work card {named}", LABEL, BESIDE_QR, bold=True, most=3)
    runs = [Run(0, text, LABEL, bold=True) for text in texts]
    count = Run(runs[-1].end + LABEL, f"version {card.version}", LABEL)
    if replace(count, text=f"{count.text}, {widest}").end > BESIDE_QR:
        runs.append(Run(0, "", LABEL))
        count = replace(count, x=0)
    return [line([run]) for run in runs], count


def _unit(card: Card) -> list[Block]:
    """Unit and end, large; when printed and where the work is, beside it if there is room, else below it."""
    texts = wrap(f"Unit {card.unit}, {_end(card)}", UNIT_SIZE, BESIDE_QR, bold=True, most=2)
    runs = [Run(0, text, UNIT_SIZE, bold=True) for text in texts]
    told = f"Printed {moment(card.printed)}\n{card.visit}"
    beside_at = runs[-1].end + 6 * MM
    beside = wrap(told, BODY, BESIDE_QR - beside_at) if beside_at < BESIDE_QR - 30 * MM else []
    if not 0 < len(beside) <= 2:
        below = wrap(f"Printed {moment(card.printed)}. {card.visit}", BODY, BESIDE_QR, most=3)
        return [*map(large, runs), *(line([Run(0, text)]) for text in below)]

    def draw(canvas: Canvas, top: float) -> None:
        for i, text in enumerate(beside):
            put(canvas, Run(beside_at, text), top - 4 - i * BODY * LINE_GAP)

    return [*map(large, runs[:-1]), stack([large(runs[-1])], behind=draw)]


def _end(card: Card) -> str:
    return f"{card.end} end" if card.end else "end not known"


def _standing(card: Card, room: Room) -> list[Block]:
    """What must be settled, what the end may do now and why, the labels that say so, its mates; running on."""
    return paragraph(
        (sentence([card.warning]) if card.warning else "", ""),
        ("Limits now", sentence(map(said, card.limits), "none known to the logbook")),
        ("Labels fitted", sentence(card.labels, "none")),
        ("Mates", sentence(card.mates, "none since the last look")),
        room=room,
    )


def common(card: Card) -> list[Block]:
    """Isolations to tick with their key numbers, and the cautions: once, on the first sheet."""
    pairs = [card.isolations[i : i + 2] for i in range(0, len(card.isolations), 2)]
    blocks = [_isolation_row(pair, gap=3 * MM if number else 0) for number, pair in enumerate(pairs)]
    cautions = [line(runs) for runs in lay([(" ".join(card.cautions), True)], LEAST, WIDTH)]
    return blocks + ([replace(cautions[0], gap=1 * MM), *cautions[1:]] if cautions else [])


def _isolation_row(pair: tuple[CardIsolation, ...], *, gap: float) -> Block:
    """Two isolations side by side, or one over the width: tick box, words, a cell for the key number."""
    column = (WIDTH - 6 * MM) / 2 if len(pair) > 1 else WIDTH
    words_at, key_at = TICK + 2 * MM, column - KEY_WIDTH
    room = key_at - words_at - 2 * MM
    texts = [wrap(_to_isolate(isolation), LEAST, room, most=MOST_LINES) for isolation in pair]
    keys = [
        wrap(f"Key {one.key}" if one.key else "Key no.", LEAST, KEY_WIDTH - 3 * MM, most=MOST_LINES) for one in pair
    ]
    key_height = max(KEY_HEIGHT, *(len(lines) * LEAST * LINE_GAP + 2 * MM for lines in keys))
    height = max(key_height, *(len(lines) * LEAST * LINE_GAP for lines in texts))

    def draw(canvas: Canvas, top: float) -> None:
        for i, (lines, key) in enumerate(zip(texts, keys, strict=True)):
            x = i * (column + 6 * MM)
            box(canvas, x, top - (KEY_HEIGHT - TICK) / 2, TICK, TICK)
            for j, text in enumerate(lines):
                put(canvas, Run(x + words_at, text, LEAST), top - j * LEAST * LINE_GAP)
            box(canvas, x + key_at, top, KEY_WIDTH, key_height)
            for j, text in enumerate(key):
                put(canvas, Run(x + key_at + 1.5 * MM, text, LEAST), top - 1 * MM - j * LEAST * LINE_GAP)

    return Block(height, draw, gap)


def _to_isolate(isolation: CardIsolation) -> str:
    if not isolation.since:
        return f"Isolate: {isolation.what}"
    return f"Recorded as isolated, prove it: {isolation.what} ({isolation.since})"


def foot(canvas: Canvas) -> None:
    """The last line of every sheet."""
    said = Run(0, PAPER_IS_NOT_THE_RECORD, BODY, bold=True)
    top = 9.5 * MM
    put(canvas, said, top)
    put(canvas, Run(said.end + 1.5 * MM, printable(WHO_DECIDES), LEAST), top)
