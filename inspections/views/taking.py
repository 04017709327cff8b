"""Photos that come with a report's page: taken in under the ids the page has for them. No page here."""

from __future__ import annotations

from hashlib import sha256
from uuid import UUID, uuid4

from django.contrib import messages

from inspections import photos
from inspections.forms.report import SLOTS
from inspections.models import Observation, Photo

NOT_TAKEN = "photos not taken"  # session: slot → why
REFUSALS_KEPT = 12


def take_photos(request, files, *, slots, owner, now) -> list[str]:
    """Take in each file under the next slot; the state of each. What has no row to show is said at once."""
    states = []
    for number, (file, slot) in enumerate(zip(files, slots, strict=False), 1):
        state, words = take_photo(request, file, slot, owner, now)
        states.append(state)
        if not state:
            messages.warning(request, f"Photo {number}: {words}")
            remember_refusal(request, slot, words)
    say_left_out(request, len(files) - len(slots))
    return states


def say_left_out(request, over: int) -> None:
    """No photo is dropped in silence."""
    if over > 0:
        left = "1 photo was left out" if over == 1 else f"{over} photos were left out"
        messages.warning(request, f"{left}: at most {len(SLOTS)} go with a fault.")


def remember_refusal(request, slot: UUID, words: str) -> None:
    """Keep why nothing was kept of a photo, for the receipt: it has no row of its own."""
    kept = list(request.session.get(NOT_TAKEN, {}).items())[1 - REFUSALS_KEPT :]
    request.session[NOT_TAKEN] = dict([*kept, (str(slot), words)])


def take_photo(request, file, slot: UUID, owner: UUID, now) -> tuple[str, str]:
    """(state, words) of one photo; state "" where nothing was kept."""
    data = file.read(photos.MAX_BYTES + 1)
    try:
        receipt = photos.receive(
            uuid=slot,
            owner=owner,
            data=data,
            claimed_sha256=sha256(data).hexdigest(),
            by=request.user,
            now=now,
        )
    except OSError:
        return "", "It could not be kept just now. The report stands; add the photo again."
    return (receipt.state if receipt.status in (200, 201) else ""), receipt.words


def keep_photos(request, data, now) -> None:
    """A page that comes back cannot hold files: keep them now, under the ids of the report to come."""
    files = request.FILES.getlist("photos")
    owner, kept = UUID(data["fault"]), int(data["kept"])
    if not files or Observation.objects.filter(uuid=owner).exists():
        return
    free = len(SLOTS) - kept
    for file in files[:free]:
        slot = SLOTS[kept]
        state, words = take_photo(request, file, UUID(data[slot]), owner, now)
        if state == Photo.State.STORED:
            kept += 1
        else:
            messages.warning(request, words)
            data[slot] = str(uuid4())
    say_left_out(request, len(files) - free)
    data["kept"] = str(kept)
