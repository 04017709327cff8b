"""A photo drawn anew: decoded, turned upright, stripped, bounded, encoded again. Bytes in, bytes out; no database.

Whatever a phone sends, what is stored and shown is a fresh JPEG made here with no metadata of the original.
"""

import hashlib
import io
import logging
import re
import struct
import threading
import zlib
from dataclasses import dataclass

from PIL import Image, ImageOps

from inspections import heif

logger = logging.getLogger(__name__)

MAX_BYTES = 12_000_000
MAX_PIXELS = 50_000_000
MAX_SIDE = 12_000
SHOWN_SIDE = 1_600
QUALITY = 82
# Made files, not camera files: a scan of 50 million pixels costs 30 ms however few bytes it takes, and cameras
# write ten; a camera writes some dozens of segments, a screen a dozen chunks beside the picture's own.
MAX_SCANS = 32
MAX_SEGMENTS = 1_000
MAX_CHUNKS = 20_000
MAX_SIDE_CHUNKS = 256

# Decoding 50 million pixels takes up to 500 MB (WebP 800 MB), so two at a time and the rest wait; one that is
# decoded in a child process counts like the others.
DECODING = threading.BoundedSemaphore(2)
Image.MAX_IMAGE_PIXELS = MAX_PIXELS

UNREADABLE = (
    ArithmeticError,
    AttributeError,
    EOFError,
    LookupError,
    MemoryError,
    OSError,
    RuntimeError,
    SyntaxError,
    TypeError,
    ValueError,
    struct.error,
    zlib.error,
)
TOO_MANY_PIXELS = (Image.DecompressionBombError, Image.DecompressionBombWarning)

REFUSED = {
    "empty": "That photo is empty. Take it again or skip it.",
    "too_big": "That photo is over 12 MB. It was too big to be sent. Take it again smaller or skip it.",
    "unsupported_type": "That file is not a JPEG, PNG or WebP photo. Take a photo or skip it.",
    "document": "That is a PDF document, not a photo. Take a photo of the page or skip it.",
    "other_camera_type": "An AVIF photo or film doesn't open here. Set the camera to JPEG, take it again or skip it.",
    "unreadable": "That photo is incomplete or damaged and didn't open. Send it again, take a new one or skip it.",
    "too_many_pixels": "That photo is over 50 million pixels or 12,000 on a side. Take it smaller or skip it.",
    "too_slow": "That photo took too long to open. Set the camera to JPEG, take it again or skip it.",
    "too_many_parts": "That photo is not built as a camera builds one. Take it again or skip it.",
    "not_clean": "That photo could not be cleaned of hidden data. Take it again or skip it.",
    "same_id": "Another photo already has this photo's id. Both are kept. Tell control which one is right.",
}


class PhotoRefused(Exception):
    """A photo that will not be shown: `code` names the cause, `words` tell the person what to do."""

    def __init__(self, code):
        self.code, self.words = code, REFUSED[code]
        super().__init__(f"{code}: {self.words}")


@dataclass(frozen=True)
class CleanPhoto:
    """A photo fit to be stored and shown: the JPEG, the SHA-256 of it in hex, its size in pixels."""

    jpeg: bytes
    sha256: str
    width: int
    height: int


def clean(data: bytes) -> CleanPhoto:
    """Make the stored JPEG from the bytes a phone sent: upright, RGB, longest side 1,600 pixels, no metadata.

    Raises PhotoRefused, and nothing else, for bytes that are not a photo this logbook opens; OSError when this
    machine cannot open any of their kind just now.
    """
    read = READERS[_kind(data)]
    with DECODING:
        try:
            picture = _upright(_shrunk(_plain(read(data))))
            jpeg = _encoded(picture)
        except heif.NotNow:
            raise
        except heif.NotOpened as error:
            raise PhotoRefused(error.code) from error
        except TOO_MANY_PIXELS as error:
            raise PhotoRefused("too_many_pixels") from error
        except UNREADABLE as error:
            raise PhotoRefused("unreadable") from error
    return CleanPhoto(jpeg, hashlib.sha256(jpeg).hexdigest(), picture.width, picture.height)


def _kind(data):
    """The format the first bytes declare, one of READERS; Pillow is never asked to guess."""
    if not data:
        raise PhotoRefused("empty")
    if len(data) > MAX_BYTES:
        raise PhotoRefused("too_big")
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data.startswith(b"RIFF") and data[8:12] == b"WEBP":
        return "WEBP"
    if data.startswith(b"%PDF-"):
        raise PhotoRefused("document")
    if heif.is_heif(data):
        return "HEIF"
    if data[4:8] == b"ftyp":
        raise PhotoRefused("other_camera_type")
    raise PhotoRefused("unsupported_type")


def _read_jpeg(data):
    _bound_jpeg_segments(data)
    picture = _opened(data, "JPEG")
    # Decoding at half or quarter size saves most of the time, but only for a target of the same shape.
    picture.draft(None, _target(picture.size))
    picture.load()
    return picture


def _read_png(data):
    _bound_png_chunks(data)
    picture = _opened(data, "PNG")
    picture.load()
    return picture


def _read_webp(data):
    picture = _opened(data, "WEBP")
    picture.load()
    return picture


def _read_heif(data):
    return heif.opened(data, shown_side=SHOWN_SIDE, most_pixels=MAX_PIXELS, most_side=MAX_SIDE)


# From the declared format to a function: bytes in, a loaded picture out.
READERS = {"JPEG": _read_jpeg, "PNG": _read_png, "WEBP": _read_webp, "HEIF": _read_heif}


def _opened(data, kind):
    """The picture with its header read and its size accepted; no pixel is decoded yet."""
    picture = Image.open(io.BytesIO(data), formats=[kind])
    width, height = picture.size
    if width * height > MAX_PIXELS or max(width, height) > MAX_SIDE:
        raise PhotoRefused("too_many_pixels")
    return picture


MARKER = re.compile(rb"\xff+([\x02-\xcf\xd8-\xfe])")
START_OF_SCAN, END_OF_IMAGE = 0xDA, 0xD9


def _bound_jpeg_segments(data):
    """Refuse a JPEG (ISO/IEC 10918-1, annex B) with more scans or segments than a camera writes."""
    at, segments, scans = 2, 0, 0
    while (found := MARKER.search(data, at)) and found[1][0] != END_OF_IMAGE:
        segments += 1
        scans += found[1][0] == START_OF_SCAN
        if segments > MAX_SEGMENTS or scans > MAX_SCANS:
            raise PhotoRefused("too_many_parts")
        at = found.end() + max(2, int.from_bytes(data[found.end() : found.end() + 2]))


def _bound_png_chunks(data):
    """Refuse a PNG (ISO/IEC 15948, clause 5.3) with more chunks than any camera or screen writes."""
    at, chunks, side_chunks = 8, 0, 0
    while at + 8 <= len(data) and (kind := data[at + 4 : at + 8]) != b"IEND":
        chunks += 1
        side_chunks += kind not in (b"IDAT", b"fdAT", b"fcTL")
        if chunks > MAX_CHUNKS or side_chunks > MAX_SIDE_CHUNKS:
            raise PhotoRefused("too_many_parts")
        at += 12 + int.from_bytes(data[at : at + 4])


def _plain(picture):
    """The picture in L, RGB or RGBA, whichever holds it."""
    if picture.mode.startswith("I;16"):
        # A plain conversion clips everything above 255 to white.
        return picture.point(lambda value: value * (1 / 256)).convert("L")
    if "transparency" in picture.info or picture.mode in ("LA", "PA", "RGBA"):
        return picture.convert("RGBA")
    return picture.convert("L" if picture.mode in ("1", "L") else "RGB")


def _target(size):
    """`size` reduced in proportion so that the longest side is at most SHOWN_SIDE pixels."""
    ratio = min(1, SHOWN_SIDE / max(size))
    return max(1, round(size[0] * ratio)), max(1, round(size[1] * ratio))


def _shrunk(picture):
    return picture.resize(_target(picture.size), Image.Resampling.LANCZOS, reducing_gap=3.0)


def _upright(picture):
    """The picture turned as its EXIF says; with EXIF that cannot be read it stays as it came."""
    try:
        if picture.info.get("exif") and not picture.getexif():
            logger.warning("A photo's EXIF could not be read; it is shown as it came.")
        return ImageOps.exif_transpose(picture)
    except UNREADABLE as error:
        logger.warning("A photo's EXIF could not be read (%s); it is shown as it came.", type(error).__name__)
        return picture


def _encoded(picture):
    """A JPEG of the pixels alone. Saving the picture itself would carry its comment along."""
    sheet = Image.new("RGB", picture.size, "white")
    sheet.paste(picture, mask=picture if picture.mode == "RGBA" else None)
    out = io.BytesIO()
    sheet.save(out, "JPEG", quality=QUALITY)
    _prove_clean(out.getvalue())
    return out.getvalue()


def _prove_clean(jpeg):
    """Reopen the JPEG: pixels and one JFIF header, no EXIF, comment, profile or any other segment."""
    picture = Image.open(io.BytesIO(jpeg), formats=["JPEG"])
    picture.load()
    if [name for name, _ in picture.applist] != ["APP0"] or picture.getexif():
        logger.error("A re-encoded photo still had segments %s.", [name for name, _ in picture.applist])
        raise PhotoRefused("not_clean")
