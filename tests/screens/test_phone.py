"""What the phone's scripts speak with: receipts, refusals, limits, clocks; the worker and the manifest."""

import io
import json
import re
from datetime import timedelta
from hashlib import sha256

import pytest
from django.contrib.sessions.models import Session
from django.test import Client
from PIL import Image

from inspections import bodies, log, photos, workflow
from inspections.models import Finding, Inspection, LogEntry, Photo, Submission
from inspections.views import phone
from tests.conftest import body, uuid_of


def raw_of(author, **more):
    return json.dumps(body(author, **more)).encode()


def put(client, raw, uuid=None, **headers):
    uuid = uuid or json.loads(raw)["id"]
    headers = {"X-Content-SHA256": sha256(raw).hexdigest()} | headers
    return client.put(f"/phone/reports/{uuid}/", raw, content_type="application/json", headers=headers)


def put_photo(client, data, uuid, owner, **headers):
    headers = {"X-Content-SHA256": sha256(data).hexdigest()} | headers
    return client.put(f"/phone/faults/{owner}/photos/{uuid}/", data, content_type="image/jpeg", headers=headers)


def jpeg(colour="red"):
    out = io.BytesIO()
    Image.new("RGB", (80, 60), colour).save(out, "JPEG")
    return out.getvalue()


@pytest.fixture
def driver(cast, railway, client_of):
    return client_of(cast.driver)


def test_a_report_is_taken_once_and_the_receipt_names_it(cast, driver):
    raw = raw_of(cast.driver)
    first, again = put(driver, raw), put(driver, raw)
    assert (first.status_code, again.status_code) == (201, 200)
    told = first.json()
    assert told["id"] == json.loads(raw)["id"]
    assert told["sha256"] == sha256(raw).hexdigest()
    assert told["state"] == "stored"
    assert told["refs"] == [Finding.objects.get().ref]
    assert told["told"]["A"]["now"] == "U"
    assert again.json() == told
    assert Submission.objects.get().channel == "phone"
    assert first.headers["Cache-Control"] == "no-store"


def test_the_same_id_with_other_words_is_kept_apart(cast, driver):
    put(driver, raw_of(cast.driver))
    answer = put(driver, raw_of(cast.driver, note="more"))
    assert answer.status_code == 409
    assert "kept apart" in answer.json()["words"]
    assert Submission.objects.count() == 2
    assert Finding.objects.count() == 1


def test_another_persons_report_is_not_taken_and_nothing_is_stored(cast, driver):
    answer = put(driver, raw_of(cast.other_driver))
    assert (answer.status_code, answer.json()["error"]) == (403, "other person")
    assert not Submission.objects.exists()


@pytest.mark.parametrize(
    ("raw", "headers", "status", "error"),
    [
        (b"{", {}, 400, "unreadable"),
        (b"[]", {}, 400, "unreadable"),
        (b'{"id": "no uuid"}', {}, 400, "unreadable"),
        (b'{"id": "00000000-0000-0000-0000-000000000009"}', {}, 400, "unreadable"),
        (b"{}", {"X-Content-SHA256": "0" * 64}, 400, "damaged"),
        (b"{}", {"X-Content-SHA256": ""}, 400, "damaged"),
        (b" " * (bodies.MAX_BYTES + 1), {}, 413, "too big"),
    ],
    ids=["cut", "list", "no id", "other id", "wrong digest", "no digest", "too long"],
)
def test_what_cannot_be_parsed_is_refused_and_the_phone_keeps_it(driver, raw, headers, status, error):
    answer = put(driver, raw, uuid=uuid_of("asked"), **headers)
    assert (answer.status_code, answer.json()["error"]) == (status, error)
    assert not Submission.objects.exists()


def test_content_that_does_not_fit_is_kept_in_quarantine(cast, driver):
    raw = json.dumps(body(cast.driver) | {"v": 7}).encode()
    answer = put(driver, raw)
    assert (answer.status_code, answer.json()["state"]) == (201, "quarantined")
    assert bytes(Submission.objects.get().body) == raw


def test_a_photo_may_come_before_its_report(cast, driver):
    owner, photo = uuid_of("fault", "1"), uuid_of("photo", 1)
    data = jpeg()
    first = put_photo(driver, data, photo, owner)
    assert (first.status_code, first.json()["state"]) == (201, "stored")
    assert first.json() | {"words": ""} == put_photo(driver, data, photo, owner).json() | {"words": ""}
    other = uuid_of("photo", 2)
    told = put(driver, raw_of(cast.driver, photos=[str(photo), str(other)])).json()
    assert told["missing"] == [str(other)]
    assert Photo.objects.get().sha256_received == sha256(data).hexdigest()


def test_a_photo_beyond_the_memory_limit_is_read_as_a_stream(cast, driver, settings):
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 100
    data = jpeg()
    assert len(data) > 100
    assert put_photo(driver, data, uuid_of("photo"), uuid_of("fault")).status_code == 201


@pytest.mark.parametrize(
    ("data", "headers", "status", "error"),
    [(jpeg(), {"X-Content-SHA256": "0" * 64}, 400, "damaged"), (bytes(photos.MAX_BYTES + 1), {}, 413, "too big")],
    ids=["damaged", "too big"],
)
def test_a_photo_that_is_refused_leaves_no_row(driver, data, headers, status, error):
    answer = put_photo(driver, data, uuid_of("photo"), uuid_of("fault"), **headers)
    assert (answer.status_code, answer.json()["error"]) == (status, error)
    assert not Photo.objects.exists()


def test_a_full_disk_asks_the_phone_to_wait(driver, monkeypatch):
    def full(**_):
        raise OSError("no space left")

    monkeypatch.setattr(phone.photos, "receive", full)
    answer = put_photo(driver, jpeg(), uuid_of("photo"), uuid_of("fault"))
    assert (answer.status_code, answer.headers["Retry-After"]) == (503, "60")


def test_who_sends_too_fast_is_told_to_wait_and_loses_nothing(cast, driver, monkeypatch):
    monkeypatch.setattr(phone.pace, "wait", lambda *_: 17)
    for answer in (put(driver, raw_of(cast.driver)), put_photo(driver, jpeg(), uuid_of("p"), uuid_of("f"))):
        assert (answer.status_code, answer.json()["error"]) == (429, "slow down")
        assert answer.headers["Retry-After"] == "17"
    assert not Submission.objects.exists()


@pytest.mark.parametrize(
    ("off", "words"),
    [
        (timedelta(minutes=4), ""),
        (timedelta(minutes=-4), ""),
        (timedelta(minutes=37), "37 min fast"),
        (timedelta(hours=-5), "5 h slow"),
        (timedelta(days=800), "800 days fast"),
    ],
    ids=str,
)
def test_a_wrong_clock_is_flagged_not_believed(cast, driver, off, words):
    from django.utils import timezone

    shown = timezone.now() + off
    put(driver, raw_of(cast.driver, seen=timezone.now().isoformat()), **{"X-Phone-Now": shown.isoformat()})
    look = Inspection.objects.get()
    assert words in look.doubtful
    assert bool(words) is bool(look.doubtful)
    assert look.submission.device_sent == shown
    assert abs(look.submission.received - timezone.now()) < timedelta(minutes=1)


def test_signed_out_is_said_in_json_everywhere(client):
    for url in ("/phone/session/", "/phone/facts/", "/phone/receipts/"):
        answer = client.get(url)
        assert (answer.status_code, answer.json()["error"]) == (401, "sign in")
    assert put(client, b"{}", uuid=uuid_of("x")).status_code == 401


def test_the_session_says_who_and_gives_a_token_that_works(cast, railway):
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(cast.driver)
    told = strict.get("/phone/session/").json()
    assert told["user"] == {"id": cast.driver.pk, "name": "Driver 1", "roles": ["driver"]}
    assert put(strict, raw_of(cast.driver), **{"X-CSRFToken": told["csrf"]}).status_code == 201
    assert put(strict, raw_of(cast.driver), **{"X-CSRFToken": "x" * 64}).json() == {"error": "csrf", "words": ""}


def test_a_session_that_ended_is_a_401_and_the_next_sign_in_delivers(cast, railway):
    phone_ = Client()
    phone_.force_login(cast.driver)
    Session.objects.all().delete()
    raw = raw_of(cast.driver)
    assert put(phone_, raw).status_code == 401
    phone_.force_login(cast.driver)
    assert put(phone_, raw).status_code == 201


def test_receipts_say_what_became_of_ones_own(cast, driver, client_of, now):
    raw = raw_of(cast.driver, photos=[str(uuid_of("photo"))])
    uuid = json.loads(raw)["id"]
    put(driver, raw)
    finding = Finding.objects.get()
    told = driver.get("/phone/receipts/", {"id": [uuid, uuid_of("none"), "no uuid"]}).json()["receipts"]
    assert list(told) == [uuid]
    assert told[uuid]["refs"] == [finding.ref]
    assert told[uuid]["seen"] is None
    assert told[uuid]["missing"] == [str(uuid_of("photo"))]
    assert told[uuid]["words"] == ["The logbook has it. Control has not looked yet."]
    workflow.look(finding, version=finding.version, by=cast.controller, now=now)
    put_photo(driver, jpeg(), uuid_of("photo"), uuid_of("fault", "1"))
    told = driver.get("/phone/receipts/", {"id": uuid}).json()["receipts"][uuid]
    assert told["seen"] == now.isoformat()
    assert told["missing"] == []
    assert client_of(cast.other_driver).get("/phone/receipts/", {"id": uuid}).json() == {"receipts": {}}


def test_receipts_take_a_fixed_number_of_queries(cast, driver, django_assert_max_num_queries):
    ids = []
    for key in range(12):
        raw = raw_of(cast.driver, key=str(key))
        put(driver, raw)
        ids.append(json.loads(raw)["id"])
    with django_assert_max_num_queries(20) as few:
        driver.get("/phone/receipts/", {"id": ids[:2]})
    with django_assert_max_num_queries(len(few)):
        driver.get("/phone/receipts/", {"id": ids})


def test_the_last_unit_reported_on_is_todays_unit(cast, driver):
    put(driver, raw_of(cast.driver, unit="301"))
    assert driver.session["unit"] == "301"


def test_the_log_holds_after_a_day_of_phones(cast, driver):
    for key in range(3):
        put(driver, raw_of(cast.driver, key=str(key)))
        put(driver, raw_of(cast.driver, key=str(key)))
    assert LogEntry.objects.filter(kind="report stored").count() == 3
    assert log.first_break() is None


# ---- the worker, the manifest, the shells


def listed(client):
    script = client.get("/sw.js").content.decode()
    return json.loads(re.match(r"const SHELL = (.*?);\n", script)[1]), script


def test_the_worker_lists_files_that_are_there(client, db, settings):
    told, script = listed(client)
    assert "addEventListener" in script
    assert told["scripts"] in told["first"]
    assert set(told["answers"].values()) | {told["other"]} < {*told["first"], *told["later"]}
    assert told["answers"]["/reports/new/"] in told["first"]
    for name in (*phone.FIRST, *phone.LATER):
        assert phone.script_of(name)
    for path in (*told["answers"].values(), told["other"]):
        assert client.get(path).status_code == 200
    answer = client.get("/sw.js")
    assert answer.headers["Cache-Control"] == "no-cache"
    assert answer.headers["Content-Type"].startswith("text/javascript")


def test_the_workers_version_changes_with_a_file_and_only_then(client, db, monkeypatch):
    phone.version.cache_clear()
    first, _ = listed(client)
    phone.version.cache_clear()
    assert listed(client)[0]["version"] == first["version"]
    real = phone.script_of
    monkeypatch.setattr(phone, "script_of", lambda name: real(name) + b" ")
    phone.version.cache_clear()
    assert listed(client)[0]["version"] != first["version"]
    phone.version.cache_clear()


def test_the_shells_are_the_same_for_everybody(cast, railway, client, client_of, report):
    report(cast.driver)
    for path in ("/phone/", "/phone/report/", "/phone/coupling/"):
        nobody = client.get(path)
        driver = client_of(cast.driver).get(path)
        assert nobody.content == driver.content
        assert "Set-Cookie" not in driver.headers
        assert not driver.cookies
        assert "Cookie" not in driver.headers.get("Vary", "")
        for word in (b"Driver 1", b"csrfmiddlewaretoken", b"data-person", b"201"):
            assert word not in driver.content, word


def test_the_manifest_names_icons_that_are_there(client):
    told = json.loads(client.get("/manifest.webmanifest").content)
    assert {icon["sizes"] for icon in told["icons"]} == {"192x192", "512x512"}
    assert {icon["purpose"] for icon in told["icons"]} == {"any", "maskable"}
    for icon in told["icons"]:
        with Image.open(io.BytesIO(phone.script_of(icon["src"].removeprefix("/static/")))) as picture:
            assert f"{picture.width}x{picture.height}" == icon["sizes"]
