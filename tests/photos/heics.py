"""HEIC files built box by box (ISO/IEC 14496-12, 23008-12), so that they may be turned, cut into tiles, or lie.

The one coded picture is ours: 128 × 64 pixels, red top left, green top right, blue below. It was drawn with Pillow
and encoded once by an HEVC encoder (quality 40); below are the decoder's settings and the coded bytes as it wrote
them. The logbook's own decoder cannot encode.
"""

import base64
import struct

SETTINGS = base64.b64decode(
    "AQNwAAAAkAAAAAAAHvAA/P34+AAADwNgAAEAGEABDAH//wNwAAADAJAAAAMAAAMAHroCQGEAAQArQgEBA3AAAAMAkAAAAwAAAwAeoBAgQWW6"
    "kkprm4CGgwIAAAMAMgAAAwACEGIAAQAHRAHBcrAiQA=="
)
CODED = base64.b64decode("AAAAMCgBr1j5DpJf//Od3/+VHpD7EXUOG//r86M/bly3/GBdDeUnH620z+RV9/00iqd6zA==")
SIZE = (128, 64)
MAIN, EXIF, TILES = 1, 2, 100


def box(kind, *content):
    body = b"".join(content)
    return struct.pack(">I", len(body) + 8) + kind + body


def full(kind, *content, version=0, flags=0):
    return box(kind, struct.pack(">I", version << 24 | flags), *content)


def entry(item, kind):
    return full(b"infe", struct.pack(">HH", item, 0), kind, b"\0", version=2)


def spread(size):
    return full(b"ispe", struct.pack(">II", *size))


def tiled(columns, rows, size):
    """The few bytes that make one picture of many tiles."""
    return struct.pack(">BBBBII", 0, 1, rows - 1, columns - 1, *size)


def locations(items, start):
    """Where each item's bytes are, from `start` on; the same bytes are there once."""
    rows, places = [], {}
    for item, data in items.items():
        at = places.setdefault(data, start)
        start += len(data) if at == start else 0
        rows.append(struct.pack(">HHHII", item, 0, 1, at, len(data)))
    return full(b"iloc", b"\x44\x00", struct.pack(">H", len(items)), *rows)


def heic(
    *, size=SIZE, quarters=0, mirror=None, exif=b"", grid=None, whole=None, refers=None, brand=b"heic", also=b"heic"
):
    """A HEIC file. `quarters` turns it anticlockwise, `mirror` 0 swaps top and bottom, 1 left and right.

    `size` is what it claims to be. `grid` (columns, rows) makes it a picture of so many equal tiles that claims the
    size `whole`; `refers` names other items as its tiles.
    """
    turns = [box(b"irot", bytes([quarters]))] if quarters else []
    turns += [box(b"imir", bytes([mirror]))] if mirror is not None else []
    properties = [box(b"hvcC", SETTINGS), spread(size), *turns]
    turned = [0x80 | 3 + n for n in range(len(turns))]
    tiles = list(range(TILES, TILES + grid[0] * grid[1])) if grid else [MAIN]
    items, kinds, has = dict.fromkeys(tiles, CODED), dict.fromkeys(tiles, b"hvc1"), dict.fromkeys(tiles, [0x81, 2])
    has[MAIN], links = [0x81, 2, *turned], []
    if grid:
        columns, rows = grid
        whole = whole or (columns * SIZE[0], rows * SIZE[1])
        properties.append(spread(whole))
        tiles = refers or tiles
        items[MAIN], kinds[MAIN], has[MAIN] = tiled(columns, rows, whole), b"grid", [len(properties), *turned]
        links.append(box(b"dimg", struct.pack(f">HH{len(tiles)}H", MAIN, len(tiles), *tiles)))
    if exif:
        items[EXIF], kinds[EXIF] = struct.pack(">I", 6) + exif, b"Exif"
        links.append(box(b"cdsc", struct.pack(">HHH", EXIF, 1, MAIN)))
    return joined(box(b"ftyp", brand, bytes(4), b"mif1", also), properties, items, kinds, has, links)


def joined(head, properties, items, kinds, has, links):
    """The file: its head, what it says of its items, and their bytes."""
    owned = (struct.pack(">HB", item, len(its)) + bytes(its) for item, its in has.items())
    known = [
        full(b"hdlr", bytes(4), b"pict", bytes(13)),
        full(b"pitm", struct.pack(">H", MAIN)),
        full(b"iinf", struct.pack(">H", len(kinds)), *(entry(*item) for item in kinds.items())),
        full(b"iref", *links) if links else b"",
        box(b"iprp", box(b"ipco", *properties), full(b"ipma", struct.pack(">I", len(has)), *owned)),
    ]
    start = len(head) + len(full(b"meta", *known, locations(items, 0))) + 8
    return head + full(b"meta", *known, locations(items, start)) + box(b"mdat", *dict.fromkeys(items.values()))
