"""Plain drawings that stand in for photos of coupler faces: dim light, grain, the same bytes from the same seed."""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from random import Random

from PIL import Image, ImageDraw, ImageFilter

SIZE = WIDTH, HEIGHT = 1280, 960
STEEL, DARK, RUBBER, BRASS, WET = (112, 116, 118), (38, 40, 42), (26, 27, 28), (172, 140, 72), (150, 168, 178)


def picture(of: str, seed: object) -> bytes:
    """A JPEG of a torn "seal", a worn "lock", an open "cover" or crooked "pins"; KeyError for anything else."""
    random = Random(f"{seed} {of}")  # noqa: S311  (a repeatable drawing)
    image = Image.new("RGB", SIZE, (54, 56, 58))
    draw = ImageDraw.Draw(image)
    draw.rounded_rectangle((90, 70, WIDTH - 90, HEIGHT - 60), 60, STEEL, DARK, 8)
    for x, y in [(150, 130), (WIDTH - 150, 130), (150, HEIGHT - 120), (WIDTH - 150, HEIGHT - 120)]:
        disc(draw, x, y, 26, DARK)
    DRAWINGS[of](draw, random)
    out = io.BytesIO()
    lit(image, random).save(out, "JPEG", quality=88)
    return out.getvalue()


def disc(draw: ImageDraw.ImageDraw, x: float, y: float, r: float, fill) -> None:
    draw.ellipse((x - r, y - r, x + r, y + r), fill=fill)


def lit(image: Image.Image, random: Random) -> Image.Image:
    """As a hand lamp lights it: bright in the middle, dark at the rim, soft and grainy."""
    rim = Image.radial_gradient("L").resize(SIZE).point(lambda value: min(255, 300 - value))
    image = Image.composite(image, Image.new("RGB", SIZE, (8, 9, 11)), rim).filter(ImageFilter.GaussianBlur(2.2))
    small = WIDTH // 4, HEIGHT // 4
    grain = Image.frombytes("L", small, random.randbytes(small[0] * small[1])).resize(SIZE)
    return Image.blend(image, Image.merge("RGB", [grain] * 3), 0.07)


def seal(draw: ImageDraw.ImageDraw, random: Random) -> None:
    """An air seal ring with a piece torn out and a flap."""
    x, y = WIDTH / 2, HEIGHT / 2
    disc(draw, x, y, 300, DARK)
    disc(draw, x, y, 270, RUBBER)
    disc(draw, x, y, 170, (70, 72, 74))
    disc(draw, x, y, 120, (12, 12, 13))
    angle = random.uniform(20, 70)
    draw.pieslice((x - 272, y - 272, x + 272, y + 272), angle, angle + 24, STEEL)
    disc(draw, x, y, 168, (70, 72, 74))
    disc(draw, x, y, 120, (12, 12, 13))
    flap = math.radians(angle)
    tip = x + 340 * math.cos(flap), y + 340 * math.sin(flap)
    draw.polygon([(x + 180 * math.cos(flap), y + 180 * math.sin(flap)), tip, (tip[0] - 60, tip[1] - 90)], RUBBER)


def lock(draw: ImageDraw.ImageDraw, random: Random) -> None:
    """The hook plate not quite home: its mark stands beside the mark on the face."""
    x, y = WIDTH / 2, HEIGHT / 2
    disc(draw, x, y, 250, DARK)
    disc(draw, x, y, 220, (92, 94, 96))
    turn = math.radians(random.uniform(14, 22))
    points = [(-60, -230), (60, -230), (80, 120), (190, 150), (120, 240), (-90, 200)]
    turned = [
        (x + px * math.cos(turn) - py * math.sin(turn), y + px * math.sin(turn) + py * math.cos(turn))
        for px, py in points
    ]
    draw.polygon(turned, (136, 138, 140), DARK)
    draw.line((x, y - 330, x, y - 255), (226, 226, 214), 14)
    top = (turned[0][0] + turned[1][0]) / 2, (turned[0][1] + turned[1][1]) / 2
    draw.line((*top, top[0] * 0.9 + x * 0.1, top[1] * 0.8 + y * 0.2), (226, 226, 214), 14)


def pins(draw: ImageDraw.ImageDraw, random: Random) -> None:
    """Rows of contact pins; one leans on its neighbour, some are wet."""
    draw.rectangle((240, 240, WIDTH - 240, HEIGHT - 240), (44, 46, 50), DARK, 10)
    bent = random.randrange(6), random.randrange(3)
    for column in range(12):
        for row in range(6):
            x, y = 300 + column * 62, 290 + row * 76
            lean = 34 if (column, row) == bent else 0
            draw.line((x, y + 26, x + lean, y - 6), DARK, 22)
            disc(draw, x + lean, y - 6, 17, BRASS)
    for _ in range(40):
        disc(draw, random.uniform(260, WIDTH - 260), random.uniform(260, HEIGHT - 260), random.uniform(3, 9), WET)


def cover(draw: ImageDraw.ImageDraw, random: Random) -> None:
    """The electric head's cover standing open at its hinge, pins behind."""
    pins(draw, random)
    left, gap = 235, random.randint(300, 380)
    draw.polygon(
        [(left, 235), (WIDTH - 235, 235 + gap // 2), (WIDTH - 235, 420 + gap), (left, HEIGHT - 235)],
        (86, 88, 84),
        DARK,
    )
    draw.line((left, 220, left, HEIGHT - 220), DARK, 26)


DRAWINGS: dict[str, Callable[[ImageDraw.ImageDraw, Random], None]] = {
    "seal": seal,
    "lock": lock,
    "pins": pins,
    "cover": cover,
}
