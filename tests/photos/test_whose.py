"""Whose photo may belong to whose report, and what is remembered of a photo that was too big."""

import hashlib
import json
from datetime import timedelta
from uuid import UUID

import pytest

from inspections import case, grading, intake, log, photos
from inspections.models import LogEntry, Observation, Photo, Submission
from inspections.photos import MAX_BYTES, REFUSED, receive
from tests.conftest import body, uuid_of

from .makers import jpeg

PHOTO, SECOND = UUID(int=100), UUID(int=101)
FAULT = uuid_of("fault", "1")
GOOD, SMALLER = jpeg(), jpeg((64, 48))
HUGE = GOOD.ljust(MAX_BYTES + 1, b"\0")


@pytest.fixture
def send(media, cast, railway, now):
    """Send a photo of the fault; `by` names somebody of the cast."""

    def sending(by, data=GOOD, *, uuid=PHOTO, owner=FAULT, at=now):
        digest = hashlib.sha256(data).hexdigest()
        return receive(uuid=uuid, owner=owner, data=data, claimed_sha256=digest, by=getattr(cast, by), now=at)

    return sending


@pytest.fixture
def reported(cast, railway, now):
    """The driver's report comes in; it tells of one photo unless said otherwise."""

    def reporting(at=now, told_of=(PHOTO,)):
        raw = json.dumps(body(cast.driver, photos=[str(photo) for photo in told_of])).encode()
        receipt = intake.receive(raw=raw, submitted_by=cast.driver, channel="phone", received=at)
        assert receipt.state == "stored"
        return receipt

    return reporting


def shown(now):
    """The photos that stand beside the driver's report: (state, why)."""
    observation = Observation.objects.select_related("finding__unit", "finding__end").get()
    pictures = case.pictures_of(observation.finding, [observation], grading.ruleset(now))[observation.uuid]
    return [(picture.state, picture.why) for picture in pictures]


@pytest.mark.parametrize(
    ("by", "status"),
    [
        ("driver", 201),
        ("other_driver", 404),
        ("outsider", 404),
        ("fitter", 201),
        ("controller", 201),
        ("manager", 201),
    ],
)
def test_who_may_add_a_photo_to_the_drivers_report(send, reported, files, now, by, status):
    reported()
    receipt = send(by)
    assert receipt.status == status
    if status == 404:
        assert (receipt.state, receipt.sha256, receipt.words) == ("", "", photos.NOT_YOURS)
        assert (Photo.objects.count(), files()) == (0, [])
        assert not LogEntry.objects.filter(subject=f"photo:{PHOTO}").exists()
        assert shown(now) == [("waiting", "")]
    else:
        assert shown(now) == [("stored", "")]


def test_a_stranger_learns_nothing_and_changes_nothing_by_sending_what_is_there(send, reported):
    reported()
    send("driver")
    assert send("other_driver").status == 404
    assert send("other_driver", SMALLER).status == 404
    assert send("other_driver", HUGE).status == 404
    assert (Photo.objects.count(), Photo.objects.get().state) == (1, "stored")


EARLY, LATE = timedelta(minutes=-5), timedelta(minutes=5)


def test_the_drivers_own_photo_may_come_before_the_report(send, reported, now):
    send("driver", at=now + EARLY)
    reported()
    assert shown(now) == [("stored", "")]


@pytest.mark.parametrize("by", ["fitter", "controller"])
def test_so_may_one_that_control_or_a_fitter_sent(send, reported, now, by):
    send(by, at=now + EARLY)
    reported()
    assert shown(now) == [("stored", "")]


def test_a_strangers_early_photo_is_kept_but_not_shown_with_the_report(send, reported, now):
    assert send("other_driver", uuid=SECOND, at=now + EARLY).status == 201
    reported()
    assert shown(now) == [("waiting", "")]
    assert Photo.objects.get().by.username == "driver2"


def test_strangers_early_photos_take_no_room(send, reported, now):
    for number in range(4):
        send("other_driver", uuid=UUID(int=200 + number), at=now + EARLY)
    reported()
    assert send("driver").status == 201
    assert shown(now) == [("stored", "")]


def test_a_strangers_early_copy_of_the_photo_counts_once_the_driver_sends_it(send, reported, now, cast):
    send("other_driver", at=now + EARLY)
    reported()
    assert shown(now) == [("waiting", "")]
    receipts = [send("driver", at=now + LATE), send("driver", at=now + 2 * LATE)]
    assert [(receipt.status, receipt.state) for receipt in receipts] == [(200, "stored")] * 2
    assert shown(now) == [("stored", "")]
    row, claims = Photo.objects.get(), LogEntry.objects.filter(kind="photo claimed")
    assert (row.by, row.received) == (cast.driver, now + LATE)
    assert [(entry.actor, entry.data["before"]) for entry in claims] == [(cast.driver, cast.other_driver.pk)]
    assert log.first_break() is None


def test_other_bytes_that_a_stranger_put_under_the_photos_id_are_said_to_be_in_the_way(send, reported, now):
    send("other_driver", SMALLER, at=now + EARLY)
    reported()
    receipt = send("driver")
    assert (receipt.status, receipt.words) == (409, REFUSED["same_id"])
    assert shown(now) == [("refused", REFUSED["same_id"]), ("waiting", "")]


def test_a_photo_added_by_control_stays_when_the_drivers_phone_sends_it_too(send, reported, cast):
    reported()
    send("controller")
    assert send("driver").status == 200
    assert Photo.objects.get().by == cast.controller
    assert not LogEntry.objects.filter(kind="photo claimed").exists()


def test_what_a_fitter_added_stays_when_the_fitter_leaves(send, reported, cast, now):
    reported()
    send("fitter", at=now + LATE)
    cast.fitter.groups.clear()
    assert shown(now) == [("stored", "")]


def test_too_big_is_remembered_where_the_report_told_of_it(send, reported, files, now):
    reported()
    for _ in range(2):
        receipt = send("driver", HUGE)
        assert (receipt.status, receipt.words) == (413, REFUSED["too_big"])
    row = Photo.objects.get()
    assert (row.uuid, row.owner, row.state, row.why) == (PHOTO, FAULT, "refused", REFUSED["too_big"])
    assert (row.sha256_received, files()) == ("", [])
    assert shown(now) == [("refused", REFUSED["too_big"])]
    assert LogEntry.objects.filter(subject=f"photo:{PHOTO}", kind="photo refused").count() == 1
    receipt = intake.receipt(Submission.objects.get(), status=200)
    assert receipt.missing == ()


def test_a_photo_that_was_too_big_may_come_again_smaller(send, reported, now):
    reported()
    send("driver", HUGE)
    assert send("driver", SMALLER).status == 201
    row = Photo.objects.get()
    assert (row.state, row.why, row.width) == ("stored", "", 64)
    assert shown(now) == [("stored", "")]
    assert send("driver", HUGE).status == 413
    assert shown(now) == [("stored", "")]


def test_too_big_fills_a_waiting_row(send, reported, cast, now):
    reported()
    Photo.objects.create(uuid=PHOTO, owner=FAULT, state="waiting", by=cast.driver, received=now)
    send("driver", HUGE)
    assert Photo.objects.get().why == REFUSED["too_big"]


@pytest.mark.parametrize("known", [True, False])
def test_too_big_leaves_nothing_where_no_report_told_of_it(send, reported, known):
    if known:
        reported(told_of=())
    assert send("driver", HUGE).status == 413
    assert not Photo.objects.exists()
