"""S3 and S4: the receipt, adding photos to it, one's own reports; and what is in quarantine."""

import json
from datetime import timedelta
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone

from inspections import intake, workflow
from inspections.models import CloseOut, Finding, Observation, Photo, Submission
from tests.conftest import body, uuid_of
from tests.screens.desk import ESCAPED, HOSTILE, finding_of, looked, planned
from tests.screens.driver import picture, sent


@pytest.fixture
def driver(client_of, cast, railway):
    return client_of(cast.driver)


@pytest.fixture
def mine(report, cast):
    """A report of the driver's; gives (receipt, finding)."""
    receipt = report(cast.driver, note="by the lower bolt")
    return receipt, finding_of(receipt)


def read(client, receipt):
    return client.get(f"/reports/{receipt.id}/")


# ---- who may see it


def test_its_author_sees_it(driver, mine):
    page = read(driver, mine[0]).content.decode()
    assert mine[1].spoken_ref in page
    assert "by the lower bolt" in page


@pytest.mark.parametrize("role", ["controller", "fitter", "manager"])
def test_control_fitter_and_manager_see_it(client_of, cast, mine, role):
    page = read(client_of(getattr(cast, role)), mine[0]).content.decode()
    assert "by the lower bolt" in page
    assert "Driver 1" in page
    assert "Add a photo" not in page


def test_another_driver_gets_the_same_as_for_one_that_is_not_there(client_of, cast, mine):
    other = client_of(cast.other_driver)
    there, nowhere = read(other, mine[0]), other.get(f"/reports/{uuid4()}/")
    assert there.status_code == nowhere.status_code == 404
    assert there.content == nowhere.content


def test_who_has_no_role_gets_403(client_of, cast, mine):
    assert read(client_of(cast.outsider), mine[0]).status_code == 403


def test_a_report_under_somebody_elses_id_does_not_open_theirs(client_of, cast, mine):
    receipt, finding = mine
    raw = json.dumps(body(cast.other_driver) | {"id": str(receipt.id)}).encode()
    intake.receive(raw=raw, submitted_by=cast.other_driver, channel="page", received=timezone.now())
    page = read(client_of(cast.other_driver), receipt).content.decode()
    assert "This report came before" in page
    assert finding.spoken_ref not in page
    assert "by the lower bolt" not in page


# ---- its states, in words


def test_received_is_not_seen(driver, mine, cast, now):
    page = read(driver, mine[0]).content.decode()
    assert "The logbook has it. Control has not looked yet." in page
    assert "Seen by control" not in page
    looked(cast, mine[1], now)
    page = read(driver, mine[0]).content.decode()
    assert "Seen by control 06:00" in page
    assert "has not looked yet" not in page


def test_planned_and_in_work(driver, mine, cast, railway, now):
    finding = planned(cast, railway, mine[1], now)
    assert "Work is planned at Brackwater" in read(driver, mine[0]).content.decode()
    workflow.take(finding, version=finding.version, by=cast.fitter, now=now)
    assert "A fitter is working on it." in read(driver, mine[0]).content.decode()


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        ("repaired", "Repaired and tested"),
        ("released with limits", "Released with limits"),
        ("no fault found", "A fitter examined it and found no fault"),
    ],
)
def test_closed(driver, mine, cast, now, outcome, said):
    finding = mine[1]
    Finding.objects.filter(pk=finding.pk).update(state="closed", closed=now)
    CloseOut.objects.create(
        finding=finding, seen_version=1, confirmed=True, outcome=outcome, by=cast.fitter, signed=now, signed_text="x"
    )
    page = read(driver, mine[0]).content.decode()
    assert f"{said}" in page
    assert "Thank you for reporting it." in page
    assert "Fitter 1" not in page


def test_awaiting_check_and_withdrawn(driver, mine, cast, railway, now):
    Finding.objects.filter(pk=mine[1].pk).update(state="awaiting check")
    assert "a second person has still to check it" in read(driver, mine[0]).content.decode()
    Finding.objects.filter(pk=mine[1].pk).update(state="withdrawn", closed=now)
    assert "Withdrawn: it no longer counts." in read(driver, mine[0]).content.decode()


def test_merged_keeps_its_reference_and_leads_on(driver, mine, cast, report, now):
    other = finding_of(report(cast.other_driver))
    looked(cast, other, now)
    Finding.objects.filter(pk=mine[1].pk).update(state="merged", closed=now, merged_into=other)
    page = read(driver, mine[0]).content.decode()
    assert mine[1].spoken_ref in page
    assert f"Joined with {other.spoken_ref}, the same fault. Seen by control" in page


def test_the_call_stands_first_until_control_has_looked(driver, report, cast, now):
    receipt = report(cast.driver, part="cover", symptom="cover-hanging")
    page = read(driver, receipt).content.decode()
    assert page.index("Call control now. The call is the report.") < page.index("The logbook has")
    looked(cast, finding_of(receipt), now)
    assert "Call control now" not in read(driver, receipt).content.decode()


def test_what_was_told_is_shown_not_what_holds_now(driver, mine, cast, now):
    before = read(driver, mine[0]).content.decode()
    assert "Do not couple at this end." in before
    Finding.objects.filter(pk=mine[1].pk).update(state="withdrawn", closed=now)
    assert "Do not couple at this end." in read(driver, mine[0]).content.decode()
    assert "As known at" in before


def test_several_faults_have_a_reference_each(driver, cast, railway, now):
    data = body(cast.driver)
    data["faults"].append({"id": str(uuid_of("second")), "end": "A", "part": "cover", "symptom": "cover-open"})
    receipt = intake.receive(raw=json.dumps(data).encode(), submitted_by=cast.driver, channel="phone", received=now)
    page = read(driver, receipt).content.decode()
    for ref in receipt.refs:
        assert f"{ref[:4]} {ref[4:]}" in page
    assert page.count("<summary>Add a photo</summary>") == 2


def test_a_doubtful_time_is_said(driver, report, cast, now):
    receipt = report(cast.driver, seen=(now + timedelta(hours=3)).isoformat())
    assert "the time seen lies after the time it was received" in read(driver, receipt).content.decode()


def test_a_report_in_quarantine_says_so_without_a_reference(driver, cast, railway, now):
    raw = json.dumps({"v": 1, "id": str(uuid4()), "author": cast.driver.pk, "faults": "none"}).encode()
    receipt = intake.receive(raw=raw, submitted_by=cast.driver, channel="phone", received=now)
    page = read(driver, receipt).content.decode()
    assert "The logbook has kept this report whole, but could not file it" in page
    assert "Control will sort it out." in page
    assert 'class="ref' not in page


# ---- photos


def test_a_photo_named_but_not_here_is_still_to_send_and_can_be_sent(driver, report, cast):
    waiting = uuid_of("photo")
    receipt = report(cast.driver, photos=[str(waiting)])
    page = read(driver, receipt)
    assert "Your report is in. Photo 1 has still to be sent." in page.content.decode()
    observation = Observation.objects.get()
    slots = [str(slot) for slot in page.context["items"][0]["slots"]]
    assert slots[0] == str(waiting)
    assert len(slots) == 4
    response = driver.post(
        f"/reports/{receipt.id}/photos/", {"fault": observation.uuid, "slot": slots, "photos": picture()}
    )
    assert response.headers["Location"] == f"/reports/{receipt.id}/"
    assert Photo.objects.get().uuid == waiting
    page = read(driver, receipt).content.decode()
    assert "still to be sent" not in page
    assert 'alt="Photo: 5 Upper air seal, A end of 201' in page


def test_adding_a_photo_twice_is_one_photo(driver, mine):
    slots = read(driver, mine[0]).context["items"][0]["slots"]
    for _ in range(2):
        data = {"fault": Observation.objects.get().uuid, "slot": slots, "photos": picture()}
        driver.post(f"/reports/{mine[0].id}/photos/", data)
    assert Photo.objects.count() == 1
    assert len(read(driver, mine[0]).context["items"][0]["slots"]) == 3


def test_a_refused_photo_says_why(driver, mine):
    slots = read(driver, mine[0]).context["items"][0]["slots"]
    bad = SimpleUploadedFile("p.pdf", b"%PDF-1.7", "application/pdf")
    driver.post(
        f"/reports/{mine[0].id}/photos/", {"fault": Observation.objects.get().uuid, "slot": slots, "photos": bad}
    )
    page = read(driver, mine[0]).content.decode()
    assert "Photo 1 was not taken: That is a PDF document, not a photo." in page


def test_no_photo_picked_is_said(driver, mine):
    address = f"/reports/{mine[0].id}/photos/"
    page = driver.post(address, {"fault": Observation.objects.get().uuid}, follow=True).content.decode()
    assert "No photo was picked. Take or choose one first." in page


@pytest.mark.parametrize("role", ["other_driver", "controller", "fitter", "manager"])
def test_nobody_else_adds_a_photo(client_of, cast, mine, role):
    data = {"fault": Observation.objects.get().uuid, "slot": uuid4(), "photos": picture()}
    assert client_of(getattr(cast, role)).post(f"/reports/{mine[0].id}/photos/", data).status_code == 404
    assert not Photo.objects.exists()


@pytest.mark.parametrize("fault", ["", "no uuid", str(uuid_of("nothing"))])
def test_a_photo_for_a_fault_of_another_report_is_not_taken(driver, mine, fault):
    data = {"fault": fault, "slot": uuid4(), "photos": picture()}
    assert driver.post(f"/reports/{mine[0].id}/photos/", data).status_code == 404
    assert not Photo.objects.exists()


def test_ids_that_are_none_take_no_photo(driver, mine):
    data = {"fault": Observation.objects.get().uuid, "slot": ["x", ""], "photos": picture()}
    assert driver.post(f"/reports/{mine[0].id}/photos/", data, follow=True).status_code == 200
    assert not Photo.objects.exists()


def test_looking_at_the_address_of_adding_photos_is_405(driver, mine):
    assert driver.get(f"/reports/{mine[0].id}/photos/").status_code == 405


# ---- my reports


def test_nothing_reported_yet(driver):
    assert "You have not reported anything yet." in driver.get("/reports/").content.decode()


def test_my_reports_newest_first_and_nobody_elses(driver, report, cast, now):
    report(cast.driver, received=now - timedelta(hours=2))
    report(cast.driver, part="cover", symptom="cover-open", received=now)
    report(cast.other_driver, part="handle", symptom="handle-out")
    page = driver.get("/reports/").content.decode()
    assert page.index("8 Electric head cover") < page.index("5 Upper air seal")
    assert "Release handle" not in page


def test_my_clean_looks_and_what_is_in_quarantine_are_among_them(driver, cast, railway, now):
    clean = body(cast.driver) | {"faults": [], "ends": [{"end": "A", "situation": "U", "clean": True}]}
    intake.receive(raw=json.dumps(clean).encode(), submitted_by=cast.driver, channel="page", received=now)
    odd = {"v": 1, "id": str(uuid4()), "author": 999_999}
    intake.receive(raw=json.dumps(odd).encode(), submitted_by=cast.driver, channel="page", received=now)
    page = driver.get("/reports/").content.decode()
    assert "looked, nothing found" in page
    assert "A report kept whole" in page


@pytest.mark.parametrize("address", ["/reports/", "/"])
def test_lists_ask_the_database_no_more_with_many(driver, report, cast, now, address, django_assert_max_num_queries):
    session = driver.session
    session["unit"] = "201"
    session.save()
    looked(cast, finding_of(report(cast.driver)), now)
    driver.get(address)
    with django_assert_max_num_queries(32) as one:
        driver.get(address)
    for number in range(30):
        report(cast.driver, end="AB"[number % 2], part="hook", symptom="hook-slow", received=now)
    with django_assert_max_num_queries(len(one)):
        driver.get(address)


def test_many_reports_come_in_pages(driver, report, cast):
    for _ in range(27):
        report(cast.driver)
    assert driver.get("/reports/").content.decode().count('<li class="card">') == 25
    assert driver.get("/reports/?page=2").content.decode().count('<li class="card">') == 2
    assert driver.get("/reports/?page=x").status_code == driver.get("/reports/?page=99").status_code == 200


def test_a_receipt_asks_a_fixed_number_of_queries(driver, mine, django_assert_max_num_queries):
    read(driver, mine[0])
    with django_assert_max_num_queries(20):
        read(driver, mine[0])


# ---- quarantine


@pytest.fixture
def kept(cast, railway, now):
    """One body that could not be filed, with hostile text."""
    raw = json.dumps(
        {"v": 1, "id": str(uuid4()), "author": cast.driver.pk, "unit": HOSTILE, "faults": HOSTILE}
    ).encode()
    intake.receive(raw=raw, submitted_by=cast.driver, channel="phone", received=now)
    return Submission.objects.get()


@pytest.mark.parametrize(
    ("role", "status"),
    [("controller", 200), ("manager", 200), ("driver", 403), ("fitter", 403), ("outsider", 403)],
)
def test_who_may_see_the_quarantine(client_of, cast, kept, role, status):
    assert client_of(getattr(cast, role)).get("/reports/quarantine/").status_code == status


def test_the_quarantine_shows_the_text_as_it_came_and_why(client_of, cast, kept):
    page = client_of(cast.controller).get("/reports/quarantine/").content.decode()
    assert "<script>alert" not in page
    assert ESCAPED in page
    assert "Driver 1" in page
    assert str(kept.uuid) in page
    assert "must be a list" in page


def test_an_empty_quarantine(client_of, cast):
    assert "Nothing is waiting" in client_of(cast.controller).get("/reports/quarantine/").content.decode()


def test_a_long_body_is_cut_on_the_page_and_bytes_that_are_no_text_are_shown(client_of, cast, kept):
    Submission.objects.filter(pk=kept.pk).update(body=b"\xff\x00" + b"x" * 25_000)
    page = client_of(cast.controller).get("/reports/quarantine/").content.decode()
    assert "5002 more characters are kept but not shown." in page


def test_the_quarantine_cannot_be_changed_here(client_of, cast, kept):
    assert client_of(cast.controller).post("/reports/quarantine/").status_code == 405


def test_a_withdrawn_report_asks_for_no_photo(driver, mine, cast, now):
    receipt, finding = mine
    address = f"/reports/{receipt.id}/"
    assert "Add a photo" in driver.get(address).content.decode()
    workflow.withdraw(finding, version=finding.version, by=cast.controller, now=now, why="a mistake")
    assert "Add a photo" not in driver.get(address).content.decode()


def test_a_mate_not_joined_yet_is_not_called_joined(driver):
    response, _ = sent(driver, situation="C", mate="303 A")
    page = driver.get(response.headers["Location"]).content.decode()
    assert "about to couple to 303 A" in page
    assert "Joined to" not in page
