"""Photos made in the test: good ones, odd ones, and ones made to hurt. Nothing binary is kept in the tree."""

import io
import random
import struct
import zipfile
import zlib

from PIL import Image

SCRIPT = b"<?php system($_GET['x']); ?><script>alert(1)</script>"
PNG_HEAD = b"\x89PNG\r\n\x1a\n"
GREY, RGB = 0, 2


def picture(size=(640, 480), mode="RGB"):
    """A picture with something in it: red left, blue right, and a ramp."""
    made = Image.linear_gradient("L").resize(size).convert("RGB")
    half = (size[0] // 2, size[1])
    made.paste("red", (0, 0, *half))
    made.paste("blue", (half[0], 0, half[0] + half[0] // 2, half[1]))
    return made.convert(mode)


def saved(made, kind, **options):
    """The bytes of a picture saved as `kind`."""
    out = io.BytesIO()
    made.save(out, kind, **options)
    return out.getvalue()


def jpeg(size=(640, 480), mode="RGB", **options):
    return saved(picture(size, mode), "JPEG", **options)


def frames(kind, count=100):
    """An animation: a red frame, then ones in two blues, so that none is merged into its neighbour."""
    rest = [Image.new("RGB", (40, 30), (0, 99 * (index % 2), 255)) for index in range(count - 1)]
    return saved(Image.new("RGB", (40, 30), "red"), kind, save_all=True, append_images=rest)


def exif(orientation, *, gps=True):
    """EXIF bytes with an orientation, a place and a maker."""
    data = Image.Exif()
    data[0x0112] = orientation
    data[0x010F] = "SECRET-MAKER"
    if gps:
        data[0x8825] = {1: "N", 2: (51.0, 28.0, 38.0), 3: "W", 4: (0.0, 0.0, 5.0)}
    return data.tobytes()


def after_start(image, *segments):
    """A JPEG with segments put directly after its first two bytes."""
    return image[:2] + b"".join(segments) + image[2:]


def segment(marker, content):
    return struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content


def chunk(kind, content=b""):
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def png(width, height, *, depth=8, colour=GREY, rows=None, extra=b""):
    """A PNG built by hand, so that it may lie: `rows` is the unpacked content, all zeros when None."""
    head = struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0)
    content = (
        rows if rows is not None else b"\0" * ((width * depth * (3 if colour == RGB else 1) + 7) // 8 + 1) * height
    )
    return PNG_HEAD + chunk(b"IHDR", head) + extra + chunk(b"IDAT", zlib.compress(content, 9)) + chunk(b"IEND")


def png_claiming(width, height):
    """A PNG of a hundred-odd bytes that claims a size it has no content for."""
    return png(width, height, rows=b"\0" * 100)


def jpeg_claiming(width, height):
    """A small JPEG whose frame header is changed to claim a size."""
    image = bytearray(jpeg((64, 48)))
    at = image.index(b"\xff\xc0") + 5
    image[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(image)


def inflating(size):
    """`size` zero bytes, deflated, without ever holding them."""
    squeeze, block = zlib.compressobj(9), b"\0" * 1_000_000
    return b"".join([*(squeeze.compress(block) for _ in range(size // len(block))), squeeze.flush()])


def one_bit_bomb(side=50_000):
    """A true PNG of side × side pixels of one bit in a few hundred kilobytes."""
    head = struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0)
    body = inflating(side * (side // 8 + 1) // 1_000_000 * 1_000_000 + 1_000_000)
    return PNG_HEAD + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND")


def many_scans(count, size=(640, 480)):
    """A progressive JPEG whose last scan is repeated: few bytes, much work."""
    image = jpeg(size, progressive=True)
    last = image[image.rfind(b"\xff\xc4", 0, image.rfind(b"\xff\xda")) : -2]
    return image[:-2] + last * count + image[-2:]


def spoilt(seed, good):
    """A file made wrong by chance: noise behind a good head, or a good file cut, flipped or spliced."""
    chance = random.Random(seed)
    image = bytearray(chance.choice(good))
    way = seed % 4
    if way == 0:
        return bytes(image[: chance.choice((3, 12, 40))]) + chance.randbytes(chance.randrange(3_000))
    if way == 1:
        return bytes(image[: chance.randrange(8, len(image))])
    if way == 2:
        for _ in range(chance.randrange(1, 20)):
            image[chance.randrange(12, len(image))] = chance.randrange(256)
        return bytes(image)
    at = chance.randrange(12, len(image))
    return bytes(image[:at]) + chance.randbytes(chance.randrange(1, 60)) + bytes(image[at:])


def zipped():
    """An archive as a word processor writes it."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("word/document.xml", "<w:document/>")
    return out.getvalue()
