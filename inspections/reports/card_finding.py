"""One finding on a work card: what it is, who saw it, what to take, the rows, what was done, who signs."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO

from PIL import Image, UnidentifiedImageError
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from inspections.reports import card_steps, face
from inspections.reports.card import Card, CardFinding, CardSeen, grouped, moment, sentence
from inspections.reports.card_close import FREE_HEIGHT, close_blocks
from inspections.reports.paper import (
    BODY,
    HEAVY,
    LABEL,
    LEAST,
    LEFT,
    LINE_GAP,
    MM,
    MOST_LINES,
    WIDTH,
    Block,
    Run,
    box,
    headed,
    large,
    line,
    paragraph,
    put,
    rule,
    stack,
    wrap,
)

PART_SIZE, BAND_SIZE = 22, 20
PICTURE_WIDTH, PICTURE_HEIGHT = 52 * MM, 39 * MM
PICTURE_DOTS = (614, 461)  # 300 to the inch
BESIDE_PICTURE = WIDTH - PICTURE_WIDTH - 4 * MM
NO_STEPS = "No steps are held for this fault: work to the maintenance document."


def finding_blocks(card: Card, finding: CardFinding, *, last: bool, free: float = FREE_HEIGHT) -> list[Block]:
    """Everything on one finding. `last`: the one after which the isolations are taken off again.

    `free`: the height of the box for what was found and done.
    """
    name = f"{grouped(finding.reference)}, {finding.part}: {finding.fault} (continued)"
    again = line([Run(0, wrap(name, LABEL, WIDTH, bold=True, most=1)[0], LABEL, bold=True)], keep=True)
    rows = card_steps.rows(finding.steps, finding.tests, finding.document)
    rows = (
        [*headed(rows[:1], again), *headed(rows[1:], again, rows[0])]
        if rows
        else [line([Run(0, NO_STEPS, bold=True)])]
    )
    top = headed(_top(card, finding), again)
    close = headed(close_blocks(finding, free, restore=last and bool(card.isolations)), again)
    return [rule(HEAVY, 1.5 * MM), *top, *rows, *close]


def _top(card: Card, finding: CardFinding) -> list[Block]:
    """Title, band and words beside the picture; what is longer goes on below it over the full width."""
    blocks = [*_title(finding), _band(finding)]
    for pairs in _facts(finding):
        blocks += paragraph(*pairs, room=_room_below(blocks))
    beside, below, height = [], [], 0.0
    for block in blocks:
        (beside if height < PICTURE_HEIGHT else below).append(block)
        height += block.height

    def picture(canvas: Canvas, top: float) -> None:
        _picture(canvas, card, finding, top - 1 * MM)

    return [stack(beside, least=PICTURE_HEIGHT + 1 * MM, behind=picture), *below]


def _room_below(blocks: list[Block]) -> Callable[[int], float]:
    """Width of each further line of body text: narrow as long as the picture stands beside it."""
    used = sum(block.height for block in blocks)
    return lambda i: BESIDE_PICTURE if used + i * BODY * LINE_GAP < PICTURE_HEIGHT else WIDTH


def _title(finding: CardFinding) -> list[Block]:
    texts = wrap(f"{finding.part}: {finding.fault}", PART_SIZE, BESIDE_PICTURE, bold=True, most=3)
    set_line = large if len(texts) == 1 else lambda run: line([run])
    return [set_line(Run(0, text, PART_SIZE, bold=True)) for text in texts]


def _band(finding: CardFinding) -> Block:
    """The category white on black, and beside it by when to examine and the limits in words."""
    (category,) = wrap(finding.category, BAND_SIZE, BESIDE_PICTURE / 2, bold=True, most=1) or ["Not graded"]
    bar_width, bar_height = Run(0, category, BAND_SIZE, bold=True).end + 5 * MM, BAND_SIZE * LINE_GAP
    words_at = bar_width + 2 * MM
    due = f"Examine by {moment(finding.examine_by)}. " if finding.examine_by else ""
    room = BESIDE_PICTURE - words_at
    words = wrap(due + sentence(finding.limits), BODY, room, bold=True, most=MOST_LINES)
    height = max(bar_height + 1 * MM, len(words) * BODY * LINE_GAP)

    def draw(canvas: Canvas, top: float) -> None:
        canvas.setFillGray(0)
        canvas.rect(LEFT, top - bar_height, bar_width, bar_height, stroke=0, fill=1)
        put(canvas, Run(2.5 * MM, category, BAND_SIZE, bold=True), top - 0.05 * BAND_SIZE, white=True)
        for i, text in enumerate(words):
            put(canvas, Run(words_at, text, BODY, bold=True), top - i * BODY * LINE_GAP)

    return Block(height, draw)


def _facts(finding: CardFinding) -> list[list[tuple[str, str]]]:
    """(label, text) pairs that run on, for each paragraph: what came before, each look, what to take."""
    before = (("Left half done", finding.left), ("Repeat", finding.repeat), ("Left for now", finding.deferral))
    facts = [[(label, sentence([text])) for label, text in before]]
    looks = []
    for i, seen in enumerate(finding.seen):
        words = f"\u201c{seen.words.strip()}\u201d" if seen.words.strip() else ""
        label = f"{grouped(finding.reference)} seen" if not i else "Seen"
        looks += [(label, f"{_seen(seen)}."), ("Their words", words)]
    between = f"looks between the first and these: {finding.unseen}." if finding.unseen else ""
    facts.append([*looks, ("Not printed", between)])
    facts.append(
        [
            ("Past work here", sentence(finding.past, "none known")),
            ("Take", sentence((*finding.parts, *finding.tools))),
            (_from(finding), sentence([finding.document])),
        ]
    )
    said = [[(label, text) for label, text in pairs if text] for pairs in facts]
    return [pairs for pairs in said if pairs]


def _from(finding: CardFinding) -> str:
    return "Steps, tests from" if finding.document in {test.document for test in finding.tests} else "Steps from"


def _seen(seen: CardSeen) -> str:
    told = ", ".join(word for word in (moment(seen.at), seen.place, seen.by) if word)
    told = told if seen.kind == "first report" else f"{told} ({seen.kind})"
    return ". ".join((told, *seen.answers)).rstrip(".")


def _picture(canvas: Canvas, card: Card, finding: CardFinding, top: float) -> None:
    """The photograph, or the outline of the coupler with the part hatched."""
    x = WIDTH - PICTURE_WIDTH
    stored = finding.photo()
    photo = grey(stored) if stored else None
    if photo:
        canvas.drawImage(
            ImageReader(BytesIO(photo)),
            LEFT + x,
            top - PICTURE_HEIGHT,
            PICTURE_WIDTH,
            PICTURE_HEIGHT,
            preserveAspectRatio=True,
        )
    elif card.drawing in face.DRAWINGS:
        _outline(canvas, card, finding, top)
    else:
        box(canvas, x, top, PICTURE_WIDTH, PICTURE_HEIGHT)
        put(canvas, Run(x + 2 * MM, "No picture of this end", LEAST), top - 1 * MM)


def _outline(canvas: Canvas, card: Card, finding: CardFinding, top: float) -> None:
    caption = "Seen facing the end" if finding.slot in face.slots(card.drawing) else "Part not in the picture"
    height = PICTURE_HEIGHT - LEAST * LINE_GAP
    width = height * face.WIDTH / face.HEIGHT
    x = WIDTH - (PICTURE_WIDTH + width) / 2
    face.draw(canvas, card.drawing, LEFT + x, top - height, width, frozenset({finding.slot}))
    middle = WIDTH - PICTURE_WIDTH / 2 - Run(0, caption, LEAST).end / 2
    put(canvas, Run(middle, caption, LEAST), top - height)


def grey(photo: bytes) -> bytes | None:
    """The photograph as a grey JPEG of at most 300 dots to the inch of its place; None where it does not open."""
    try:
        with Image.open(BytesIO(photo), formats=["JPEG", "PNG"]) as image:
            image.draft("L", PICTURE_DOTS)
            small = image.convert("L")
            small.thumbnail(PICTURE_DOTS)
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError):
        return None
    out = BytesIO()
    small.save(out, "JPEG", quality=82)
    return out.getvalue()
