"""Photos: decode, orient, strip, bound, re-encode; received once, kept, opened again.

Whatever a phone sends, what is stored and shown is a fresh JPEG made here with no metadata of the original.
What does not open is refused in plain words and its bytes kept sealed; the report it belongs to stands.
"""

import hashlib
import io
import logging
import re
import struct
import threading
import zlib
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID, uuid5

from django.contrib.auth.models import AbstractBaseUser
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import transaction
from PIL import Image, ImageOps

from inspections import log
from inspections.models import Photo
from inspections.storage import photo_name, sealed_name

logger = logging.getLogger(__name__)

MAX_BYTES = 12_000_000
MAX_PIXELS = 50_000_000
MAX_SIDE = 12_000
SHOWN_SIDE = 1_600
QUALITY = 82
MAX_PHOTOS = 4
# Made files, not camera files: a scan of 50 million pixels costs 30 ms however few bytes it takes, and cameras
# write ten; a camera writes some dozens of segments, a screen a dozen chunks beside the picture's own.
MAX_SCANS = 32
MAX_SEGMENTS = 1_000
MAX_CHUNKS = 20_000
MAX_SIDE_CHUNKS = 256

# Decoding 50 million pixels takes up to 500 MB (WebP 800 MB), so two at a time and the rest wait.
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
    "too_big": "That photo is over 12 MB. Take it again at a smaller size or skip it.",
    "unsupported_type": "That file is not a JPEG, PNG or WebP photo. Take a photo or skip it.",
    "document": "That is a PDF document, not a photo. Take a photo of the page or skip it.",
    "other_camera_type": "A HEIC or AVIF photo doesn't open here. Set the camera to JPEG, take it again or skip it.",
    "unreadable": "That photo is incomplete or damaged and didn't open. Send it again, take a new one or skip it.",
    "too_many_pixels": "That photo is over 50 million pixels or 12,000 on a side. Take it smaller or skip it.",
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

    Raises PhotoRefused, and nothing else, for bytes that are not a photo this logbook opens.
    """
    read = READERS[_kind(data)]
    with DECODING:
        try:
            picture = _upright(_shrunk(_plain(read(data))))
            jpeg = _encoded(picture)
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


# From the declared format to a function: bytes in, a loaded picture out.
READERS = {"JPEG": _read_jpeg, "PNG": _read_png, "WEBP": _read_webp}


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


@dataclass(frozen=True)
class PhotoReceipt:
    """The answer to one sending. `sha256` is the hex digest of the bytes received here.

    201 stored or refused (see `state`), 200 the same again, 409 another photo has this id or the report has its
    photos, 400 not what the phone sent, 413 too big: the last two, and a full report, keep nothing.
    """

    status: int
    id: UUID
    sha256: str
    state: str
    words: str


@dataclass(frozen=True)
class _Arrival:
    uuid: UUID
    owner: UUID
    sha256: str
    by: AbstractBaseUser
    now: datetime


def receive(
    *,
    uuid: UUID,
    owner: UUID,
    data: bytes,
    claimed_sha256: str,
    by: AbstractBaseUser,
    now: datetime,
    max_photos: int = MAX_PHOTOS,
) -> PhotoReceipt:
    """Take in one photo, once, however often it is sent; its owner (a report or close-out) may come later.

    What does not open becomes a refused row, its bytes sealed. Raises OSError when the disk will not take the
    file; then there is no row, and the phone sends again.
    """
    if len(data) > MAX_BYTES:
        return PhotoReceipt(413, uuid, "", "", REFUSED["too_big"])
    arrival = _Arrival(uuid, owner, hashlib.sha256(data).hexdigest(), by, now)
    if arrival.sha256 != claimed_sha256.strip().lower():
        return PhotoReceipt(400, uuid, arrival.sha256, "", "The photo was damaged on the way. Send it again.")
    known = Photo.objects.filter(uuid=uuid).first()
    if known is not None and not (known.state == Photo.State.WAITING and _is_same(known, arrival)):
        return _answer_again(known, arrival, data)
    if known is None and Photo.objects.of_owners([owner]).exclude(state=Photo.State.REFUSED).count() >= max_photos:
        words = f"This report has its {max_photos} photos already. This one was not kept."
        return PhotoReceipt(409, uuid, arrival.sha256, "", words)
    written = _record(arrival, _kept(arrival, data))
    row = Photo.objects.get(uuid=uuid)
    return _receipt(201, row) if written else _answer_again(row, arrival, data)


def _is_same(row, arrival):
    return row.owner == arrival.owner and row.sha256_received in ("", arrival.sha256)


def _answer_again(row, arrival, data):
    """A known id: the same answer for the same photo; another photo is sealed under an id made from both."""
    if _is_same(row, arrival):
        return _receipt(200, row)
    sealed = replace(arrival, uuid=uuid5(arrival.uuid, f"{arrival.owner} {arrival.sha256}"))
    _record(sealed, _sealed(arrival, data, "same_id"))
    return PhotoReceipt(409, arrival.uuid, arrival.sha256, Photo.State.REFUSED, REFUSED["same_id"])


def _receipt(status, row):
    words = row.why or ("The logbook has the photo." if row.state == Photo.State.STORED else "The photo was erased.")
    return PhotoReceipt(status, row.uuid, row.sha256_received, row.state, words)


def _kept(arrival, data):
    """Put the photo, or what was sent in its place, safely on the disk; return what its row will say."""
    try:
        photo = clean(data)
    except PhotoRefused as refused:
        return _sealed(arrival, data, refused.code)
    default_storage.save(photo_name(photo.sha256), ContentFile(photo.jpeg))
    return {
        "state": Photo.State.STORED,
        "sha256_stored": photo.sha256,
        "width": photo.width,
        "height": photo.height,
    }


def _sealed(arrival, data, code):
    default_storage.save(sealed_name(arrival.sha256), ContentFile(data))
    return {"state": Photo.State.REFUSED, "why": REFUSED[code]}


def _record(arrival, outcome):
    """Write the row, or fill the waiting one, with its log entry; False when another sending was first."""
    fields = outcome | {"sha256_received": arrival.sha256, "received": arrival.now}
    new = fields | {"owner": arrival.owner, "by": arrival.by}
    with transaction.atomic(durable=True):
        row, made = Photo.objects.get_or_create(uuid=arrival.uuid, defaults=new)
        waiting = Photo.objects.filter(pk=row.pk, owner=arrival.owner, state=Photo.State.WAITING)
        if not made and not waiting.update(**fields):
            return False
        log.write(
            subject=f"photo:{arrival.uuid}",
            kind=f"photo {outcome['state']}",
            actor=arrival.by.pk,
            happened=arrival.now,
            written=arrival.now,
            owner=arrival.owner,
            sha256_received=arrival.sha256,
            sha256_stored=outcome.get("sha256_stored", ""),
            why=outcome.get("why", ""),
        )
    return True


class PhotoUnavailable(Exception):
    """A photo that cannot be shown: `code` is waiting, refused, erased, missing or damaged; `words` say it."""

    def __init__(self, code, words):
        self.code, self.words = code, words
        super().__init__(f"{code}: {words}")


def open_photo(photo: Photo) -> io.BytesIO:
    """The stored JPEG, checked against its digest, for a view that has checked who asks.

    Raises PhotoUnavailable where there is none to show, or what is on the disk is not what was stored.
    """
    if photo.state != Photo.State.STORED:
        words = {"waiting": "The photo has not arrived yet.", "erased": "The photo was erased."}
        raise PhotoUnavailable(photo.state, words.get(photo.state, photo.why))
    try:
        with default_storage.open(photo_name(photo.sha256_stored)) as file:
            jpeg = file.read()
    except FileNotFoundError as error:
        raise PhotoUnavailable("missing", "The stored photo is missing. Tell who runs the logbook.") from error
    if hashlib.sha256(jpeg).hexdigest() != photo.sha256_stored:
        raise PhotoUnavailable("damaged", "The stored photo is damaged: its digest differs from the one recorded.")
    return io.BytesIO(jpeg)
