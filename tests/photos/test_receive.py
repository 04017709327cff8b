"""One sending of one photo: stored once however often it comes, and nothing of a bad one is lost."""

import errno
import hashlib
import os
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
from django.contrib.auth import get_user_model
from django.db import DatabaseError, connection, transaction
from django.test.utils import CaptureQueriesContext
from PIL import Image

from inspections import heif, log, photos
from inspections.models import LogEntry, Photo
from inspections.photos import MAX_BYTES, PhotoUnavailable, open_photo, receive
from inspections.storage import photo_name, sealed_name

from .heics import heic
from .makers import exif, jpeg, saved

NOW = datetime(2026, 3, 2, 6, 40, tzinfo=UTC)
REPORT, OTHER_REPORT = UUID(int=1), UUID(int=2)
PHOTO = UUID(int=100)
GOOD, BAD = jpeg(exif=exif(6)), jpeg()[:-1]
HEIC = b"\0\0\0\x18ftypheic" + bytes(200)
AVIF = b"\0\0\0\x1cftypavif" + bytes(200)


def sha(data):
    return hashlib.sha256(data).hexdigest()


@pytest.fixture
def send(media, sender):
    """Send a photo as the sender does; any argument may be given otherwise."""

    def sending(data=GOOD, **changed):
        usual = {"uuid": PHOTO, "owner": REPORT, "claimed_sha256": sha(data), "by": sender, "now": NOW}
        return receive(data=data, **usual | changed)

    return sending


def logged():
    return [(entry.subject, entry.kind) for entry in LogEntry.objects.order_by("seq")]


def test_a_photo_is_stored_before_its_report(send, files, sender):
    receipt = send()
    assert (receipt.status, receipt.id, receipt.sha256, receipt.state) == (201, PHOTO, sha(GOOD), "stored")
    row = Photo.objects.get()
    assert (row.uuid, row.owner, row.by, row.received) == (PHOTO, REPORT, sender, NOW)
    assert (row.sha256_received, row.width, row.height, row.why) == (sha(GOOD), 480, 640, "")
    assert files() == [photo_name(row.sha256_stored)]
    assert sha(open_photo(row).read()) == row.sha256_stored
    entry = LogEntry.objects.get()
    assert (entry.subject, entry.kind, entry.actor) == (f"photo:{PHOTO}", "photo stored", sender)
    assert entry.data["sha256_received"] == sha(GOOD)
    assert log.first_break() is None


def test_a_heic_photo_is_stored_as_a_jpeg(send, files):
    receipt = send(heic(quarters=3))
    assert (receipt.status, receipt.state, receipt.sha256) == (201, "stored", sha(heic(quarters=3)))
    row = Photo.objects.get()
    assert ((row.width, row.height), files()) == ((64, 128), [photo_name(row.sha256_stored)])
    assert open_photo(row).read().startswith(b"\xff\xd8\xff")


def test_a_decoder_that_cannot_be_started_keeps_nothing_and_the_next_sending_works(send, files, monkeypatch):
    with monkeypatch.context() as broken:
        broken.setattr(heif.sys, "executable", "/no/such/program")
        with pytest.raises(OSError, match="could not be started"):
            send(heic())
    assert (Photo.objects.count(), files(), logged()) == (0, [], [])
    assert send(heic()).status == 201


def test_the_same_again_gets_the_same_answer(send, files):
    first, again = send(), send(now=NOW + timedelta(hours=1))
    assert (first.status, again.status) == (201, 200)
    assert (first.id, first.sha256, first.state, first.words) == (again.id, again.sha256, again.state, again.words)
    assert Photo.objects.get().received == NOW
    assert (len(files()), logged()) == (1, [(f"photo:{PHOTO}", "photo stored")])


def test_the_same_again_is_not_decoded(send, monkeypatch):
    send()
    monkeypatch.setattr(photos, "clean", lambda data: pytest.fail("decoded a second time"))
    assert send().status == 200


def test_a_colleague_may_hand_the_same_photo_over(send):
    send()
    assert send(by=get_user_model().objects.create_user("control")).status == 200
    assert Photo.objects.get().by.username == "sender"


def test_the_same_picture_under_two_ids_is_one_file(send, files):
    assert [send().status, send(uuid=UUID(int=101)).status] == [201, 201]
    assert (Photo.objects.count(), len(files())) == (2, 1)


@pytest.mark.parametrize("claim", ["", "0" * 64, "not a digest", "é" * 64])
def test_damaged_on_the_way_leaves_nothing(send, files, claim):
    receipt = send(claimed_sha256=claim)
    assert (receipt.status, receipt.words) == (400, "The photo was damaged on the way. Send it again.")
    assert (Photo.objects.count(), files(), logged()) == (0, [], [])


def test_a_digest_in_capitals_with_blanks_is_the_same_digest(send):
    assert send(claimed_sha256=f" {sha(GOOD).upper()} ").status == 201


def test_too_big_leaves_nothing_and_is_not_decoded(send, files, monkeypatch):
    monkeypatch.setattr(photos, "clean", lambda data: pytest.fail("decoded"))
    receipt = send(GOOD.ljust(MAX_BYTES + 1, b"\0"))
    assert (receipt.status, "12 MB" in receipt.words) == (413, True)
    assert (Photo.objects.count(), files(), logged()) == (0, [], [])


@pytest.mark.parametrize(
    ("data", "part_of_why"),
    [
        (b"", "empty"),
        (b"MZ" + bytes(99), "not a JPEG"),
        (BAD, "incomplete"),
        (HEIC, "incomplete"),
        (AVIF, "AVIF"),
        (b"%PDF-1.7", "PDF"),
    ],
    ids=["empty", "program", "cut", "HEIC cut", "AVIF", "document"],
)
def test_what_does_not_open_is_refused_and_kept_sealed(send, files, media, data, part_of_why):
    receipt = send(data)
    assert (receipt.status, receipt.state, receipt.sha256) == (201, "refused", sha(data))
    assert part_of_why in receipt.words
    row = Photo.objects.get()
    assert (row.state, row.why, row.sha256_stored) == ("refused", receipt.words, "")
    assert files() == [sealed_name(sha(data))]
    assert (media / sealed_name(sha(data))).read_bytes() == data
    assert logged() == [(f"photo:{PHOTO}", "photo refused")]
    assert send(data).status == 200
    with pytest.raises(PhotoUnavailable) as unavailable:
        open_photo(row)
    assert (unavailable.value.code, unavailable.value.words) == ("refused", receipt.words)


@pytest.mark.parametrize("other", [jpeg((64, 48)), BAD], ids=["a good one", "a bad one"])
def test_other_bytes_under_a_known_id_are_kept_sealed(send, files, media, other):
    send()
    stored = Photo.objects.get()
    receipts = [send(other), send(other)]
    assert [(receipt.status, receipt.id, receipt.sha256) for receipt in receipts] == [(409, PHOTO, sha(other))] * 2
    stored.refresh_from_db()
    assert (stored.state, stored.sha256_received) == ("stored", sha(GOOD))
    second = Photo.objects.exclude(pk=stored.pk).get()
    assert (second.state, second.owner, second.sha256_received) == ("refused", REPORT, sha(other))
    assert second.uuid != PHOTO
    assert (media / sealed_name(sha(other))).read_bytes() == other
    assert len(files()) == 2
    assert logged() == [(f"photo:{PHOTO}", "photo stored"), (f"photo:{second.uuid}", "photo refused")]
    assert send().status == 200


def test_a_known_id_for_another_report_is_a_conflict(send):
    send()
    assert send(owner=OTHER_REPORT).status == 409
    assert Photo.objects.get(uuid=PHOTO).owner == REPORT
    assert Photo.objects.of_owners([OTHER_REPORT]).get().state == "refused"


@pytest.fixture
def waiting(sender):
    """A row made when the report told of a photo still on the phone."""
    return Photo.objects.create(uuid=PHOTO, owner=REPORT, state="waiting", by=sender, received=NOW)


@pytest.mark.parametrize(("data", "state"), [(GOOD, "stored"), (BAD, "refused")])
def test_a_photo_the_report_told_of_is_filled_in(send, waiting, data, state):
    later = NOW + timedelta(minutes=9)
    assert (send(data, now=later).status, send(data).status) == (201, 200)
    row = Photo.objects.get()
    assert (row.pk, row.state, row.sha256_received, row.received) == (waiting.pk, state, sha(data), later)
    assert logged() == [(f"photo:{PHOTO}", f"photo {state}")]


def test_a_photo_handed_over_stays_with_whoever_reported_it(send, waiting, sender):
    control = get_user_model().objects.create_user("control")
    assert send(by=control).status == 201
    assert (Photo.objects.get().by, LogEntry.objects.get().actor) == (sender, control)


def test_a_photo_told_of_by_another_report_stays_awaited(send, waiting):
    assert send(owner=OTHER_REPORT).status == 409
    waiting.refresh_from_db()
    assert waiting.state == "waiting"


def test_an_erased_photo_does_not_come_back(send):
    send()
    Photo.objects.update(state="erased")
    receipt = send()
    assert (receipt.status, receipt.state, receipt.words) == (200, "erased", "The photo was erased.")


def test_a_report_has_four_photos_and_a_refused_one_does_not_count(send, files):
    assert send(BAD, uuid=UUID(int=99)).state == "refused"
    for number in range(4):
        assert send(uuid=UUID(int=200 + number)).status == 201
    receipt = send(uuid=UUID(int=300))
    assert receipt.status == 409
    assert receipt.words == "This report has its 4 photos already. This one was not kept."
    assert not Photo.objects.filter(uuid=UUID(int=300)).exists()
    assert send(uuid=UUID(int=200)).status == 200
    assert send(uuid=UUID(int=300), owner=OTHER_REPORT).status == 201


@pytest.mark.parametrize(("overtaking", "status"), [(GOOD, 200), (jpeg((64, 48)), 409)])
@pytest.mark.parametrize("told_of", [False, True])
def test_two_sendings_at_once(send, sender, monkeypatch, overtaking, status, told_of):
    """The second arrives, and is answered, while the first is still being decoded."""
    if told_of:
        Photo.objects.create(uuid=PHOTO, owner=REPORT, state="waiting", by=sender, received=NOW)
    clean, inner = photos.clean, []

    def overtaken(data):
        if not inner:
            inner.append(None)
            inner[0] = send(overtaking)
        return clean(data)

    monkeypatch.setattr(photos, "clean", overtaken)
    outer = send()
    assert (inner[0].status, outer.status) == (201, status)
    assert Photo.objects.get(uuid=PHOTO).sha256_received == sha(overtaking)
    assert log.first_break() is None


@pytest.mark.django_db(transaction=True)
def test_eight_phones_at_once(flushed, send, files):
    """Four send the same photo and four another one under its id: one is stored, and the other is sealed once."""
    other = jpeg((64, 48))

    def sending(data):
        try:
            return send(data).status
        finally:
            connection.close()

    with ThreadPoolExecutor(8) as phones:
        statuses = list(phones.map(sending, [GOOD, other] * 4))
    assert sorted(statuses) == [200, 200, 200, 201, 409, 409, 409, 409]
    assert sorted(Photo.objects.values_list("state", flat=True)) == ["refused", "stored"]
    assert not any(".tmp" in name for name in files())
    assert log.first_break() is None


def test_a_report_that_tells_of_the_id_meanwhile_is_not_robbed_of_it(send, sender, monkeypatch):
    clean = photos.clean

    def overtaken(data):
        Photo.objects.create(uuid=PHOTO, owner=OTHER_REPORT, state="waiting", by=sender, received=NOW)
        return clean(data)

    monkeypatch.setattr(photos, "clean", overtaken)
    assert send().status == 409
    assert Photo.objects.get(uuid=PHOTO).state == "waiting"


def test_the_file_is_on_the_disk_before_the_row_is_begun(send, monkeypatch, files):
    order, rename, fsync, atomic = [], os.rename, os.fsync, transaction.atomic

    def noting(name, call):
        def noted(*args, **options):
            order.append(name)
            return call(*args, **options)

        return noted

    monkeypatch.setattr(os, "rename", noting("rename", rename))
    monkeypatch.setattr(os, "fsync", noting("fsync", fsync))
    monkeypatch.setattr(photos, "clean", noting("decode", photos.clean))
    monkeypatch.setattr(photos.transaction, "atomic", noting("begin", atomic))
    monkeypatch.setattr(log, "write", noting("log", log.write))
    send()
    assert order[:6] == ["decode", "fsync", "rename", "fsync", "fsync", "begin"]
    assert order[-1] == "log"
    assert set(order[6:-1]) <= {"begin"}


def test_a_full_disk_leaves_no_row_and_the_next_sending_works(send, files, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as broken:
        broken.setattr(os, "fsync", full)
        for data in (GOOD, BAD):
            with pytest.raises(OSError, match="No space left"):
                send(data)
    assert (Photo.objects.count(), files(), logged()) == (0, [], [])
    assert send().status == 201


def test_a_log_that_fails_leaves_no_row(send, monkeypatch, files):
    def fail(**_):
        raise DatabaseError("disk I/O error")

    with monkeypatch.context() as broken:
        broken.setattr(log, "write", fail)
        with pytest.raises(DatabaseError):
            send()
    assert (Photo.objects.count(), logged()) == (0, [])
    assert (send().status, len(files())) == (201, 1)


def test_a_photo_is_never_written_inside_another_transaction(send, monkeypatch):
    """Its commit is what the receipt promises; a caller's roll-back must not be able to take it away."""
    asked = []
    atomic = transaction.atomic
    monkeypatch.setattr(photos.transaction, "atomic", lambda *a, **o: asked.append(o) or atomic(*a, **o))
    send()
    assert {"durable": True} in asked


def test_a_fixed_number_of_queries(send, django_assert_num_queries):
    def sending(number):
        return send(saved(Image.new("L", (9, 9), number), "PNG"), uuid=UUID(int=900 + number))

    with CaptureQueriesContext(connection) as first:
        sending(0)
    sending(1), sending(2)
    with django_assert_num_queries(len(first)):
        assert sending(3).status == 201
    with django_assert_num_queries(2):
        assert sending(3).status == 200


@pytest.fixture
def stored(send):
    send()
    return Photo.objects.get()


@pytest.mark.parametrize(
    "harm",
    [lambda image: image[:-1], lambda image: image[:99] + bytes([image[99] ^ 1]) + image[100:], lambda image: b""],
    ids=["cut", "one bit", "emptied"],
)
def test_damage_on_the_disk_is_said_not_shown(stored, media, harm):
    place = media / photo_name(stored.sha256_stored)
    place.write_bytes(harm(place.read_bytes()))
    with pytest.raises(PhotoUnavailable) as unavailable:
        open_photo(stored)
    assert (unavailable.value.code, "damaged" in unavailable.value.words) == ("damaged", True)


def test_a_lost_file_is_said(stored, media):
    (media / photo_name(stored.sha256_stored)).unlink()
    with pytest.raises(PhotoUnavailable) as unavailable:
        open_photo(stored)
    assert unavailable.value.code == "missing"


@pytest.mark.parametrize("state", ["waiting", "erased"])
def test_what_is_not_there_to_show_is_said(stored, state):
    stored.state = state
    with pytest.raises(PhotoUnavailable) as unavailable:
        open_photo(stored)
    assert unavailable.value.code == state
    assert unavailable.value.words
