"""Photos: received once, kept, opened again.

What does not open is refused in plain words and its bytes kept sealed; the report it belongs to stands.
"""

import hashlib
import io
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID, uuid5

from django.contrib.auth.models import AbstractBaseUser
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import Q

from inspections import log
from inspections.models import Observation, Photo
from inspections.permissions import may_see_words
from inspections.redraw import MAX_BYTES, REFUSED, PhotoRefused, clean
from inspections.storage import photo_name, sealed_name

MAX_PHOTOS = 4
NOT_YOURS = "No report of yours has this fault, so the photo was not kept."
# As _is_awaited says it of one row.
AWAITED = Q(state=Photo.State.WAITING) | Q(state=Photo.State.REFUSED, sha256_received="")


@dataclass(frozen=True)
class PhotoReceipt:
    """The answer to one sending. `sha256` is the hex digest of the bytes received here.

    201 stored or refused (see `state`), 200 the same again, 409 another photo has this id or the report has its
    photos, 400 not what the phone sent, 404 the report is somebody else's, 413 too big: the last three, and a full
    report, keep nothing. That a photo was too big is remembered where its report told of it.
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
    file, or nothing of its kind can be opened just now; then there is no row, and the phone sends again.
    """
    observation = Observation.objects.filter(uuid=owner).only("uuid", "by", "photos").first()
    if observation is not None and not may_see_words(by, observation):
        return PhotoReceipt(404, uuid, "", "", NOT_YOURS)
    known = Photo.objects.filter(uuid=uuid).first()
    if len(data) > MAX_BYTES:
        return _too_big(_Arrival(uuid, owner, "", by, now), known, observation)
    arrival = _Arrival(uuid, owner, hashlib.sha256(data).hexdigest(), by, now)
    if arrival.sha256 != claimed_sha256.strip().lower():
        return PhotoReceipt(400, uuid, arrival.sha256, "", "The photo was damaged on the way. Send it again.")
    if known is not None and not (_is_awaited(known) and _is_same(known, arrival)):
        return _answer_again(known, arrival, data)
    if known is None and Photo.objects.of_owners([owner]).exclude(state=Photo.State.REFUSED).count() >= max_photos:
        words = f"This report has its {max_photos} photos already. This one was not kept."
        return PhotoReceipt(409, uuid, arrival.sha256, "", words)
    written = _record(arrival, _kept(arrival, data))
    row = Photo.objects.get(uuid=uuid)
    return _receipt(201, row) if written else _answer_again(row, arrival, data)


def _too_big(arrival, known, observation):
    """Keep nothing but why, where a report told of the photo: control would wait for it for ever."""
    told_of = observation is not None and str(arrival.uuid) in observation.photos
    if (known is None and told_of) or (known is not None and known.state == Photo.State.WAITING):
        _record(arrival, {"state": Photo.State.REFUSED, "why": REFUSED["too_big"]})
    return PhotoReceipt(413, arrival.uuid, "", "", REFUSED["too_big"])


def _is_awaited(row):
    """True where no bytes have come yet; one that was too big may come again smaller."""
    return row.state == Photo.State.WAITING or (row.state == Photo.State.REFUSED and not row.sha256_received)


def _is_same(row, arrival):
    return row.owner == arrival.owner and row.sha256_received in ("", arrival.sha256)


def _answer_again(row, arrival, data):
    """A known id: the same answer for the same photo; another photo is sealed under an id made from both."""
    if _is_same(row, arrival):
        _claim(row, arrival)
        return _receipt(200, row)
    sealed = replace(arrival, uuid=uuid5(arrival.uuid, f"{arrival.owner} {arrival.sha256}"))
    _record(sealed, _sealed(arrival, data, "same_id"))
    return PhotoReceipt(409, arrival.uuid, arrival.sha256, Photo.State.REFUSED, REFUSED["same_id"])


def _claim(row, arrival):
    """A photo that a stranger sent before the report came counts once it comes from somebody it may come from."""
    if row.by_id == arrival.by.pk or Photo.objects.of_owners([row.owner]).filter(pk=row.pk).exists():
        return
    with transaction.atomic(durable=True):
        log.hold()
        if Photo.objects.filter(pk=row.pk, by=row.by_id).update(by=arrival.by, received=arrival.now):
            _log(arrival, "photo claimed", before=row.by_id)


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
    fields = {"why": ""} | outcome | {"sha256_received": arrival.sha256, "received": arrival.now}
    new = fields | {"owner": arrival.owner, "by": arrival.by}
    with transaction.atomic(durable=True):
        row, made = Photo.objects.get_or_create(uuid=arrival.uuid, defaults=new)
        awaited = Photo.objects.filter(pk=row.pk, owner=arrival.owner).filter(AWAITED)
        if not made and not awaited.update(**fields):
            return False
        stored, why = outcome.get("sha256_stored", ""), outcome.get("why", "")
        _log(arrival, f"photo {outcome['state']}", sha256_stored=stored, why=why)
    return True


def _log(arrival, kind, **more):
    log.write(
        subject=f"photo:{arrival.uuid}",
        kind=kind,
        actor=arrival.by.pk,
        happened=arrival.now,
        written=arrival.now,
        owner=arrival.owner,
        sha256_received=arrival.sha256,
        **more,
    )


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
