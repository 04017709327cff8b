"""Control loads a phone's hand-over file: every report through the door, none lost for another, nothing twice."""

import base64
import hashlib
import json

import pytest
from django.contrib.auth.models import User
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inspections import handed_over, intake, log
from inspections.models import Finding, LogEntry, Observation, Photo, Submission
from tests.conftest import body, uuid_of
from tests.photos.makers import jpeg
from tests.screens.desk import ESCAPED, HOSTILE

URL = "/reports/handed-over/"
PICTURE = jpeg((64, 48))
TABLES = (Submission, Finding, Observation, Photo, LogEntry)


@pytest.fixture(autouse=True)
def world(railway, cast):
    """A railway and people, whatever the file says."""


def sha(data):
    return hashlib.sha256(data).hexdigest()


def photo(key, owner, data=PICTURE, **changed):
    """One photo as the file holds it."""
    row = {"id": str(uuid_of("photo", key)), "owner": str(owner), "sha256": sha(data), "type": "image/jpeg"}
    return row | {"data": base64.b64encode(data).decode()} | changed


def packed(author, key="1", photos=0, **more):
    """One report as the file holds it, with so many photos of its fault."""
    owner = uuid_of("fault", key)
    taken = [photo(f"{key} {number}", owner) for number in range(photos)]
    raw = json.dumps(body(author, key=key, photos=[row["id"] for row in taken], **more)).encode()
    return {"id": str(uuid_of("report", key)), "sha256": sha(raw), "body": base64.b64encode(raw).decode()} | {
        "photos": taken
    }


def file_of(*reports, **changed):
    """The bytes of a hand-over file."""
    return json.dumps({"v": 1, "made": "2026-11-24T06:30:00Z", "from": 1, "reports": reports} | changed).encode()


@pytest.fixture
def load(client_of, cast):
    """Load a file as control does; gives the response."""
    control = client_of(cast.controller)

    def loading(raw, name="hand-over.json"):
        return control.post(URL, {"file": SimpleUploadedFile(name, raw, "application/json")})

    return loading


def lines(response):
    return [(line.state, line.stored, len(line.troubles)) for line in response.context["lines"]]


def counts():
    return [model.objects.count() for model in TABLES]


def words(response):
    return " ".join(response.content.decode().split())


def test_two_peoples_reports_come_in_under_their_own_names(load, cast):
    response = load(file_of(packed(cast.driver, "1", photos=2), packed(cast.other_driver, "2", end="B")))
    assert (response.status_code, lines(response)) == (200, [("new", 2, 0), ("new", 0, 0)])
    rows = Submission.objects.order_by("pk")
    assert [(row.author, row.submitted_by, row.channel, row.status) for row in rows] == [
        (cast.driver, cast.controller, "file", "stored"),
        (cast.other_driver, cast.controller, "file", "stored"),
    ]
    assert set(Photo.objects.values_list("state", "by__username")) == {("stored", "controller1")}
    page = words(response)
    assert "<strong>2 reports in the file.</strong> 2 new, 0 here already." in page
    assert "Driver 1 <span" in page
    assert "Driver 2 <span" in page
    assert "Controller 1, <time" in page
    assert "2 are here" in page
    for finding in Finding.objects.all():
        assert finding.spoken_ref in page


def test_the_bytes_are_kept_as_the_phone_wrote_them(load, cast):
    report = packed(cast.driver)
    load(file_of(report))
    assert base64.b64decode(report["body"]) == bytes(Submission.objects.get().body)


def test_twice_changes_nothing(load, cast):
    raw = file_of(packed(cast.driver, photos=1), packed(cast.other_driver, "2"))
    load(raw)
    before = counts(), log.head()
    response = load(raw)
    assert lines(response) == [("again", 1, 0), ("again", 0, 0)]
    assert (counts(), log.head()) == before
    assert "0 new, 2 here already" in words(response)


def test_what_the_phone_sent_itself_meanwhile_is_the_same_again(load, cast, now):
    report = packed(cast.driver, photos=1)
    raw = base64.b64decode(report["body"])
    intake.receive(raw=raw, submitted_by=cast.driver, channel="phone", received=now)
    response = load(file_of(report))
    assert lines(response) == [("again", 1, 0)]
    assert Submission.objects.get().channel == "phone"
    assert "Driver 1, <time" in words(response)  # who brought it in


def test_the_driver_sees_the_report_and_its_photo_as_one_of_theirs(load, cast, client_of):
    load(file_of(packed(cast.driver, photos=1)))
    driver = client_of(cast.driver)
    assert Finding.objects.get().spoken_ref in driver.get("/reports/").content.decode()
    assert driver.get(f"/photos/{Photo.objects.get().uuid}/").status_code == 200


BAD = [
    ("a digest of other bytes", lambda row: row | {"sha256": "0" * 64}, "does not fit its digest"),
    ("no digest", lambda row: {key: row[key] for key in row if key != "sha256"}, "does not fit its digest"),
    ("base64 cut", lambda row: row | {"body": row["body"][:-3]}, "not written as it should be"),
    ("base64 with a blank", lambda row: row | {"body": row["body"][:8] + " " + row["body"][8:]}, "not written as"),
    ("base64 of another alphabet", lambda row: row | {"body": row["body"][:-4] + "-_-_"}, "not written as"),
    ("a body that is no text", lambda row: row | {"body": 7}, "a part of it is missing"),
    ("no body", lambda row: {"id": row["id"]}, "a part of it is missing"),
    ("no report at all", lambda row: "report", "a part of it is missing"),
    ("nothing", lambda row: None, "a part of it is missing"),
    ("an empty body", lambda row: row | {"body": "", "sha256": sha(b"")}, "not readable JSON"),
]


def raw_report(data):
    return {"body": base64.b64encode(data).decode(), "sha256": sha(data), "photos": []}


BAD += [
    ("not JSON", lambda row: raw_report(b"<html>"), "not readable JSON"),
    ("no id", lambda row: raw_report(b'{"v":1}'), "no uuid of its own"),
    ("deep", lambda row: raw_report(b'{"id":' + b"[" * 90 + b"]" * 90 + b"}"), "nested too deeply"),
    ("long", lambda row: raw_report(b'{"id":"' + b"x" * 200_000 + b'"}'), "at most 200000"),
]


@pytest.mark.parametrize(("spoil", "why"), [case[1:] for case in BAD], ids=[case[0] for case in BAD])
def test_a_bad_report_is_named_and_the_others_come_in(load, cast, spoil, why):
    bad = spoil(packed(cast.driver, "bad"))
    response = load(file_of(packed(cast.driver, "1"), bad, packed(cast.driver, "2", end="B")))
    assert [state for state, *_ in lines(response)] == ["new", "left", "new"]
    page = words(response)
    assert "Report 2 of the file" in page
    assert why in page
    assert "What was not loaded is still on the phone" in page
    assert Submission.objects.count() == 2


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"author": 999_999}, "its author is not known here"),
        ({"author": "nobody"}, "author"),
        ({"ends": [{"end": "A", "situation": "U"}] * 2}, "ends: an end stands twice"),
    ],
)
def test_what_cannot_be_filed_is_kept_apart_with_its_reason(load, cast, change, why):
    taken = photo("1", uuid_of("fault", "1"))
    raw = json.dumps(body(cast.driver, photos=[taken["id"]]) | change).encode()
    response = load(file_of(raw_report(raw) | {"photos": [taken]}, packed(cast.driver, "2")))
    assert lines(response) == [("kept apart", 1, 0), ("new", 0, 0)]
    row = Submission.objects.get(status="quarantined")
    assert (row.submitted_by, row.author, row.channel) == (cast.controller, None, "file")
    assert why in row.why
    page = words(response)
    assert "Kept apart, not filed." in page
    assert 'href="/reports/quarantine/"' in page
    assert Photo.objects.get().state == "stored"


def test_another_report_under_a_known_id_is_kept_apart(load, cast):
    load(file_of(packed(cast.driver, "1")))
    other = packed(cast.driver, "2") | {"photos": []}
    raw = base64.b64decode(other["body"]).replace(
        str(uuid_of("report", "2")).encode(), str(uuid_of("report", "1")).encode()
    )
    response = load(file_of(raw_report(raw)))
    assert lines(response) == [("kept apart", 0, 0)]
    assert "This report came before" in words(response)


def test_bad_photos_are_named_and_the_report_stands(load, cast):
    report = packed(cast.driver)
    owner = uuid_of("fault", "1")
    report["photos"] = [
        photo("good", owner),
        photo("digest", owner, sha256="0" * 64),
        photo("base64", owner) | {"data": "***"},
        photo("no id", owner, id="x"),
        photo("stranger", uuid_of("fault", "of another")),
        photo("document", owner, b"%PDF-1.7"),
        photo("empty", owner, b""),
        "photo",
    ]
    response = load(file_of(report))
    assert lines(response) == [("new", 1, 7)]
    page = words(response)
    for said in (
        "Photo 2: It is damaged in the file: it does not fit its digest. It is still on the phone.",
        "Photo 3: It is damaged in the file: it is not written as it should be. It is still on the phone.",
        "Photo 4: It is damaged in the file",
        "Photo 5: It belongs to no fault of this report. It was not taken.",
        "Photo 6: That is a PDF document, not a photo.",
        "Photo 7: That photo is empty.",
        "Photo 8: It is damaged in the file: a part of it is missing.",
    ):
        assert said in page
    assert Photo.objects.filter(state="stored").count() == 1


@pytest.mark.parametrize("photos", [None, 7, "x", {"id": 1}])
def test_photos_that_are_no_list(load, cast, photos):
    response = load(file_of(packed(cast.driver) | {"photos": photos}))
    assert lines(response) == [("new", 0, 1)]


def test_no_photo_gets_into_somebody_elses_report_by_a_file(load, cast, now):
    """A file that names another report's fault, and one that claims to be about it."""
    theirs = json.dumps(body(cast.other_driver, key="theirs")).encode()
    intake.receive(raw=theirs, submitted_by=cast.other_driver, channel="phone", received=now)
    fault = uuid_of("fault", "theirs")
    named = packed(cast.driver, "1") | {"photos": [photo("1", fault)]}
    claiming = json.dumps(body(cast.driver, key="2")).replace(str(uuid_of("fault", "2")), str(fault)).encode()
    claimed = raw_report(claiming) | {"photos": [photo("2", fault)]}
    response = load(file_of(named, claimed))
    assert lines(response) == [("new", 0, 1), ("kept apart", 0, 1)]
    assert not Photo.objects.exists()


NO_FILE = [
    ("nothing in it", b"", "The file is empty"),
    ("a page", b"<!DOCTYPE html><p>", "is not a hand-over file, or only a part of one"),
    ("a photo", PICTURE, "is not a hand-over file, or only a part of one"),
    ("a list", b"[]", "is not a hand-over file"),
    ("null", b"null", "is not a hand-over file"),
    ("another object", b'{"a":1}', "is not a hand-over file, or one of a later kind"),
    ("a later kind", file_of(v=2), "or one of a later kind"),
    ("no reports", file_of(), "There is no report in this file."),
    ("reports that are no list", file_of(reports={}), "is not a hand-over file, or one of a later kind"),
    ("too many reports", file_of(*[0] * 501), "more than 500 reports"),
    ("deep", b'{"v":1,"reports":' + b"[" * 9 + b"]" * 9 + b"}", "is not a hand-over file"),
    ("deeper", b'{"v":1,"reports":' + b"[" * 600 + b"]" * 600 + b"}", "is not a hand-over file"),
    ("deepest", b'{"v":1,"reports":' + b"[" * 9_000 + b"]" * 9_000 + b"}", "is not a hand-over file"),
    ("endless brackets", b"[" * 20_001, "is not built as a phone builds"),
    ("a million small things", b'{"v":1,"reports":[' + b"0," * 1_000_000 + b"0]}", "is not built as a phone builds"),
    ("NaN", b'{"v":1,"reports":[NaN]}', "is not a hand-over file"),
    ("a fraction", b'{"v":1,"reports":[' + b"1" * 90_000 + b".5]}", "is not a hand-over file"),
    ("an endless number", b'{"v":1,"reports":[' + b"1" * 90_000 + b"]}", "is not a hand-over file"),
    ("a key twice", b'{"v":1,"v":1,"reports":[]}', "is not a hand-over file"),
    ("half a character", b'{"v":1,"reports":["\xc3"]}', "is not a hand-over file"),
]


@pytest.mark.parametrize(("raw", "why"), [case[1:] for case in NO_FILE], ids=[case[0] for case in NO_FILE])
def test_what_is_no_hand_over_file_is_refused_in_a_sentence(load, raw, why):
    before = counts()
    response = load(raw)
    assert (response.status_code, counts()) == (422, before)
    page = words(response)
    assert why in page
    assert "<title>Problem: Load a hand-over file" in page
    assert not response.context["lines"]


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.9999])
def test_a_part_of_a_file_changes_nothing(load, cast, share):
    raw = file_of(packed(cast.driver, photos=2), packed(cast.other_driver, "2"))
    response = load(raw[: int(len(raw) * share)])
    assert (response.status_code, Submission.objects.count(), Photo.objects.count()) == (422, 0, 0)
    assert "what is in it is still on the phone" in words(response)


def test_twenty_megabytes_are_taken_and_one_byte_more_is_not(load, cast):
    raw = file_of(packed(cast.driver))
    full = raw + b" " * (handed_over.MAX_BYTES - len(raw))
    assert load(full + b" ").status_code == 413
    assert Submission.objects.count() == 0
    assert lines(load(full)) == [("new", 0, 0)]


def test_no_file_chosen(client_of, cast):
    response = client_of(cast.controller).post(URL)
    assert response.status_code == 422
    assert "Choose the hand-over file" in words(response)


@pytest.mark.parametrize("who", ["driver", "fitter", "manager", "outsider"])
@pytest.mark.parametrize("method", ["get", "post"])
def test_only_control_loads_one(client_of, cast, who, method):
    raw = SimpleUploadedFile("hand-over.json", file_of(packed(cast.driver)))
    response = getattr(client_of(getattr(cast, who)), method)(URL, {"file": raw} if method == "post" else None)
    assert (response.status_code, Submission.objects.count()) == (403, 0)


def test_nobody_signed_out_loads_one(client, cast):
    response = client.post(URL, {"file": SimpleUploadedFile("x.json", file_of(packed(cast.driver)))})
    assert (response.status_code, Submission.objects.count()) == (302, 0)


def test_the_files_words_are_only_text(load, cast):
    User.objects.filter(pk=cast.driver.pk).update(first_name=HOSTILE)
    response = load(file_of(packed(cast.driver, unit=HOSTILE[:39]), packed(cast.driver, "2") | {"id": HOSTILE}))
    page = response.content.decode()
    assert ESCAPED in page
    assert "<script>alert" not in page


def test_a_disk_that_is_full_leaves_the_report_and_says_so(load, cast, monkeypatch):
    def full(**_):
        raise OSError("No space left on device")

    raw = file_of(packed(cast.driver, photos=1))
    with monkeypatch.context() as broken:
        broken.setattr(handed_over.photos, "receive", full)
        response = load(raw)
    assert lines(response) == [("new", 0, 1)]
    assert "It could not be kept just now. Load the file again." in words(response)
    assert lines(load(raw)) == [("again", 1, 0)]


def test_a_look_that_found_nothing_and_a_unit_nobody_knows(load, cast):
    clean = {"faults": [], "ends": [{"end": "A", "situation": "U", "clean": True}]}
    response = load(file_of(packed(cast.driver, "1", **clean), packed(cast.driver, "2", unit="999")))
    page = words(response)
    assert "None: nothing was found" in page
    assert "Unit 999, A end" in page


def test_what_one_more_report_costs_is_fixed(load, cast):
    """The doors ask for each report; what the page shows of all of them takes no more for many."""

    def asked(count):
        raw = file_of(*[packed(cast.driver, str(number), end="AB"[number % 2]) for number in range(count)])
        load(raw)
        with CaptureQueriesContext(connection) as queries:
            assert len(load(raw).context["lines"]) == count
        return len(queries)

    few, more, many = asked(5), asked(6), asked(20)
    assert many - few == 15 * (more - few)
    assert more - few <= 8
