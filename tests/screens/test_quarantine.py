"""What was kept whole is worked off: filed by the report's own questions, or dealt with otherwise; the body stays."""

import json
from datetime import timedelta
from threading import Barrier, Thread
from uuid import UUID

import pytest
from django.db import connection, connections
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from inspections import calls, intake
from inspections.models import Finding, LogEntry, Observation, Photo, Submission
from inspections.permissions import Refused
from tests.conftest import body, uuid_of
from tests.screens.desk import ESCAPED, HOSTILE

pytestmark = pytest.mark.django_db
LIST, CALL = "/reports/quarantine/", "/calls/new/"


@pytest.fixture
def desk(client_of, cast, railway):
    return client_of(cast.controller)


@pytest.fixture
def keep(cast, railway, now):
    """Send a body that cannot be filed; gives its row. `extra` is put over the good body."""
    count = iter(range(1, 1000))

    def made(by=None, received=now, raw=None, **extra):
        by = by or cast.driver
        data = body(by, key=f"kept {next(count)}") | {"v": 9} | extra
        raw = raw or json.dumps(data).encode()
        intake.receive(raw=raw, submitted_by=by, channel="phone", received=received)
        return Submission.objects.order_by("-pk").first()

    return made


def text_of(answer, status=200):
    assert answer.status_code == status, answer.content.decode()[:2000]
    return answer.content.decode()


def posted(desk, row, **changes):
    """What a browser would post of the page that opens for a kept body."""
    answer = desk.get(f"{CALL}?kept={row.pk}")
    form, call = answer.context["form"], answer.context["call"]
    data = {name: form[name].value() for name in form.fields} | {"kept_body": row.pk, "send": "1"}
    reporter, called = call["reporter"].value(), call["called"].value()
    data |= {"reporter": getattr(reporter, "pk", reporter), "called": f"{called:%Y-%m-%dT%H:%M}", "caller": ""}
    return {name: value for name, value in (data | changes).items() if value is not None}


# ---- dealt with otherwise


def test_it_leaves_the_list_with_a_reason_and_the_body_stays(desk, keep, cast):
    row = keep()
    before = bytes(row.body)
    assert f"/reports/quarantine/{row.pk}/" in text_of(desk.get(LIST))
    answer = desk.post(f"{LIST}{row.pk}/", {"why": "Reported again by radio."}, follow=True)
    assert "Nothing is waiting" in text_of(answer)
    row.refresh_from_db()
    assert (bytes(row.body), row.status) == (before, "quarantined")
    (entry,) = LogEntry.objects.filter(kind="quarantine worked off")
    assert (entry.subject, entry.actor) == (f"kept:{row.pk}", cast.controller)
    assert (entry.data["why"], entry.data["report"]) == ("Reported again by radio.", str(row.uuid))
    page = text_of(desk.get(f"{LIST}{row.pk}/"))
    assert "Controller 1 worked this off" in page
    assert "Reported again by radio." in page
    assert "The text as it came" in page


def test_of_two_bodies_under_one_id_one_stays(desk, report, cast, keep, now):
    good = report(cast.driver)
    data = json.loads(bytes(Submission.objects.get().body))
    one, other = (keep(raw=json.dumps(data | {"note": note}).encode()) for note in ("a", "b"))
    assert one.uuid == other.uuid == good.id
    assert "the report that came under it before" in text_of(desk.get(LIST))
    desk.post(f"{LIST}{one.pk}/", {"why": "The same"})
    assert list(Submission.objects.quarantined()) == [other]


def test_no_reason_is_no_way_out(desk, keep):
    row = keep()
    for why in ("", "   "):
        assert "Say how it was dealt with" in text_of(desk.post(f"{LIST}{row.pk}/", {"why": why}), 422)
    assert "too long" in text_of(desk.post(f"{LIST}{row.pk}/", {"why": "x" * 301}), 422)
    assert Submission.objects.quarantined().count() == 1


def test_the_second_of_two_sees_what_became_of_it_and_keeps_what_was_typed(desk, client_of, cast, keep):
    row = keep()
    desk.post(f"{LIST}{row.pk}/", {"why": "First"})
    desk.post(f"{LIST}{row.pk}/", {"why": "First"})
    assert LogEntry.objects.filter(kind="quarantine worked off").count() == 1
    page = text_of(client_of(cast.other_controller).post(f"{LIST}{row.pk}/", {"why": f"Second {HOSTILE}"}), 409)
    assert "Somebody has worked this off already" in page
    assert f"Second {ESCAPED}" in page
    assert "First" in page
    assert LogEntry.objects.filter(kind="quarantine worked off").count() == 1


def test_who_may(client_of, cast, keep):
    row = keep()
    for role, get, post in [
        ("manager", 200, 403),
        ("driver", 403, 403),
        ("fitter", 403, 403),
        ("outsider", 403, 403),
    ]:
        visitor = client_of(getattr(cast, role))
        assert visitor.get(f"{LIST}{row.pk}/").status_code == get, role
        assert visitor.post(f"{LIST}{row.pk}/", {"why": "x"}).status_code == post, role
    assert "File it" not in text_of(client_of(cast.manager).get(f"{LIST}{row.pk}/"))
    with pytest.raises(Refused, match="Your role"):
        calls.work_off(row, by=cast.manager, now=timezone.now(), why="x")
    assert Submission.objects.quarantined().count() == 1


def test_what_is_filed_or_not_there_cannot_be_worked_off(desk, report, cast):
    report(cast.driver)
    stored = Submission.objects.get()
    kept = ("x", "9" * 40, stored.pk)
    for address in (f"{LIST}{stored.pk}/", f"{LIST}999999/", *(f"{CALL}?kept={pk}" for pk in kept)):
        assert desk.get(address).status_code == 404, address
    with pytest.raises(Refused, match="filed"):
        calls.work_off(stored, by=cast.controller, now=timezone.now(), why="x")


def test_two_controllers_at_once_write_one_entry(transactional_db, cast, keep, now):
    row, start, outcomes = keep(), Barrier(2), []

    def go(by):
        start.wait()
        try:
            calls.work_off(row, by=by, now=now, why=by.username)
            outcomes.append("done")
        except Refused:
            outcomes.append("refused")
        finally:
            connections.close_all()

    threads = [Thread(target=go, args=[by]) for by in (cast.controller, cast.other_controller)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["done", "refused"]
    assert LogEntry.objects.filter(kind="quarantine worked off").count() == 1


@pytest.mark.parametrize(
    ("extra", "sentence"),
    [
        ({}, "The version of its form: "),
        ({"v": 1, "unit": ""}, "The unit: This field is required."),
        ({"v": 1, "ends": [{"end": "A", "situation": "X"}]}, "End 1, how the end was: "),
        ({"v": 1, "faults": [{"end": "Z"}]}, "Fault 1, which end: "),
        ({"v": 1, "faults": 5}, "Faults: must be a list of objects"),
        ({"v": 1, "author": 2**30}, "Its author is not the person signed in"),
    ],
)
def test_what_is_wrong_is_said_in_words(desk, keep, extra, sentence):
    row = keep(**extra)
    assert sentence in text_of(desk.get(f"{LIST}{row.pk}/"))


# ---- filed


def test_it_is_filed_as_far_as_it_could_be_read(desk, keep, cast, now):
    row = keep(by=cast.driver, seen="2026-11-21T05:48:00+00:00", place="THO", weather="wet", note="")
    answer = desk.post(CALL, posted(desk, row), follow=True)
    page = text_of(answer)
    finding = Finding.objects.get()
    assert f"Filed as {finding.spoken_ref}" in page
    look = Observation.objects.get()
    assert (look.by, look.symptom, look.seen.isoformat()) == (cast.driver, "seal-torn", "2026-11-21T05:48:00+00:00")
    assert look.inspection.place.code == "THO"
    assert look.inspection.weather == "wet"
    filed = Submission.objects.get(status="stored")
    assert (filed.channel, filed.submitted_by, filed.author) == ("typed", cast.controller, cast.driver)
    assert json.loads(bytes(filed.body))["call"]["kept"] == str(row.uuid)
    assert not Submission.objects.quarantined().exists()
    entry = LogEntry.objects.get(kind="quarantine worked off")
    assert entry.data["filed"] == str(filed.uuid)
    assert "It is filed as this report" in text_of(desk.get(f"{LIST}{row.pk}/"))
    assert LogEntry.objects.get(kind="typed in").data["how"] == "kept"


def test_the_same_press_again_files_nothing_more(desk, keep):
    row = keep()
    data = posted(desk, row)
    first, second = desk.post(CALL, data), desk.post(CALL, data)
    assert (first.status_code, second.url) == (302, first.url)
    assert Finding.objects.count() == 1
    assert desk.get(f"{CALL}?kept={row.pk}").url == f"{LIST}{row.pk}/"


def test_who_comes_second_files_nothing_and_keeps_what_was_typed(desk, client_of, cast, keep):
    row = keep()
    other = client_of(cast.other_controller)
    theirs = posted(other, row, note=f"Mine {HOSTILE}")
    desk.post(f"{LIST}{row.pk}/", {"why": "A test"})
    page = text_of(other.post(CALL, theirs), 409)
    assert "worked off meanwhile" in page
    assert f"Mine {ESCAPED}" in page
    assert not Finding.objects.exists()


def test_faults_keep_their_photos_but_not_an_id_that_another_report_has(desk, keep, cast, report, now):
    fault = str(uuid_of("fault", "with a photo"))
    photo = Photo.objects.create(
        uuid=uuid_of("a photo"), owner=UUID(fault), sha256_received="0" * 64, sha256_stored="0" * 64, state="stored",
        by=cast.driver, received=now,
    )  # fmt: skip
    sound = {"end": "A", "part": "air-upper", "symptom": "seal-torn"}
    row = keep(faults=[{"id": fault, **sound}, {"id": fault, **sound, "part": "handle", "symptom": "handle-stiff"}])
    assert "two faults have one uuid" in row.why or row.why
    desk.post(CALL, posted(desk, row))
    looks = list(Observation.objects.order_by("pk"))
    assert [look.slot for look in looks] == ["air-upper", "handle"]
    assert looks[0].photos == [str(photo.uuid)]
    assert looks[0].uuid == UUID(fault)
    again = keep(faults=[{"id": fault, **sound}])
    desk.post(CALL, posted(desk, again))
    assert Observation.objects.count() == 3
    assert Observation.objects.filter(uuid=fault).count() == 1


def test_a_look_that_found_nothing_and_both_ends(desk, keep):
    row = keep(faults=[], ends=[{"end": "B", "situation": "R", "clean": True}])
    form = desk.get(f"{CALL}?kept={row.pk}").context["form"]
    assert (form.clean_look, form["end"].value(), form["situation"].value()) == (True, "B", "R")
    row = keep(ends=[{"end": "A", "situation": "U"}, {"end": "B", "situation": "R", "clean": True}])
    form = desk.get(f"{CALL}?kept={row.pk}").context["form"]
    assert (form.clean_look, form["end"].value(), form["other"].value()) == (False, "A", "R")


def test_what_was_reported_already_is_meant(desk, keep, report, cast):
    ref = report(cast.driver).refs[0]
    row = keep(faults=[{"id": str(uuid_of("again")), "end": "A", "part": "air-upper", "kind": "worse", "of": ref}])
    desk.post(CALL, posted(desk, row))
    assert Finding.objects.count() == 1
    assert Observation.objects.order_by("-pk").first().kind == "worse"


HOSTILE_FAULT = {"id": "x", "end": "Z", "part": HOSTILE, "symptom": 5, "facts": [], "of": {}, "note": HOSTILE}
ODD = [
    {"unit": HOSTILE, "faults": HOSTILE, "ends": 7, "seen": [], "author": "x", "sent": {}},
    {"unit": ["201"], "faults": [1, None, {}], "ends": [{}, [], {"end": {}}], "author": True, "note": {"a": 1}},
    {"faults": [HOSTILE_FAULT]},
    {"faults": [{"end": "A"}] * 40, "ends": [{"end": "A"}] * 9, "place": "x" * 500, "weather": 3, "author": 2**40},
    {"unit": None, "seen": "0001-01-01T00:00:00+00:00", "occasion": "war", "v": None},
    {"seen": "2099-01-01T00:00:00+00:00", "faults": [{"end": "?", "of": "00000000", "facts": {"may-fall": 1}}]},
]  # fmt: skip


@pytest.mark.parametrize("odd", ODD)
def test_whatever_was_kept_opens_and_what_is_missing_is_asked_for(desk, keep, odd, now):
    row = keep(received=now, **odd)
    answer = desk.get(f"{CALL}?kept={row.pk}")
    page = text_of(answer)
    assert "<script>alert" not in page
    called = answer.context["call"]["called"].value()
    assert called <= timezone.localtime(row.received).replace(tzinfo=None)
    data = posted(desk, row, unit="201", end="A", part="air-upper", sign="seal-torn", situation="U", said="")
    assert desk.post(CALL, data).status_code in (302, 422)
    assert "<script>alert" not in text_of(desk.get(f"{LIST}{row.pk}/"))


def test_bytes_that_are_no_text_are_shown_and_can_be_filed(desk, keep):
    row = keep()
    Submission.objects.filter(pk=row.pk).update(body=b"\xff\x00")
    assert "File what was kept" in text_of(desk.get(f"{CALL}?kept={row.pk}"))


def test_a_kept_body_can_be_filed_for_somebody_else(desk, keep, cast):
    row = keep(by=cast.driver)
    desk.post(CALL, posted(desk, row, reporter=cast.other_driver.pk))
    assert Observation.objects.get().by == cast.other_driver
    other = keep()
    assert desk.post(CALL, posted(desk, other, reporter="", caller="")).status_code == 422
    desk.post(CALL, posted(desk, other, reporter="", caller="The relief driver"))
    assert Observation.objects.order_by("-pk").first().by == cast.controller


def test_queries_do_not_grow_with_what_is_kept(desk, keep, cast, now):
    def count():
        with CaptureQueriesContext(connection) as queries:
            text_of(desk.get(LIST))
        return len(queries)

    keep()
    count()
    before = count()
    for n in range(12):
        row = keep(received=now + timedelta(minutes=n))
        if n % 2:
            calls.work_off(row, by=cast.controller, now=now, why="x")
    assert count() == before
    assert Submission.objects.quarantined().count() == 7
