"""The fitter's pages of the work: examine, made safe, put back; and what the next person sees of it."""

from uuid import uuid4

import pytest

from inspections import workflow, working
from inspections.models import Finding, Isolation, LogEntry, Observation
from tests.screens.desk import ESCAPED, HOSTILE, finding_of, taken

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(cast, railway, report, now):
    def make(part="air-upper", symptom="seal-torn", **more):
        return taken(cast, railway, finding_of(report(cast.driver, part=part, symptom=symptom, **more)), now)

    return make


@pytest.fixture
def fitter(cast, client_of):
    return client_of(cast.fitter)


def address(finding, act="examine"):
    return f"/findings/{finding.ref}/{act}/"


def test_it_asks_what_was_found_then_the_facts_of_that_fault(job, fitter):
    finding = job()
    page = fitter.get(address(finding)).content.decode()
    assert page.index("As it was reported") < page.index("Air seal torn") < page.index("Another fault of this part")
    assert "I cannot tell which it is yet" in page
    assert "I could not find the fault" in page
    page = fitter.get(address(finding), {"found": "seal-torn"}).content.decode()
    assert "Leak, coupled, free air" in page
    assert "Which pipe?" not in page, "the pattern says which"
    assert "Play of the lock" not in page
    assert page.count('class="primary"') == 1


def test_saving_it_regrades_and_leads_back(job, fitter):
    finding = job()
    posted = {
        "version": finding.version,
        "uuid": uuid4(),
        "found": "seal-torn",
        "fact-leak": "0.40",
        "fact-leak-uncertainty": "0.1",
    }
    response = fitter.post(address(finding), {**posted, "note": "Small nick."}, follow=True)
    page = response.content.decode()
    assert response.redirect_chain == [(f"/findings/{finding.ref}/", 302)]
    row = Observation.objects.latest("pk")
    assert (row.facts["leak"], row.facts["looked-at"], row.note) == ("0.4", "measured", "Small nick.")
    assert Finding.objects.get(pk=finding.pk).worst < finding.worst
    assert "Measured: Air seal torn, nicked or part missing" in page
    assert "Examined by a fitter, measured" in page


def test_a_second_press_saves_once(job, fitter):
    finding = job()
    posted = {"version": finding.version, "uuid": uuid4(), "found": "seal-torn", "note": "x"}
    assert [fitter.post(address(finding), posted).status_code for _ in range(2)] == [302, 302]
    assert LogEntry.objects.filter(kind="examined").count() == 1


def test_a_draft_sent_again_after_its_answer_was_lost_saves_once(job, fitter):
    finding = job()
    posted = {"version": finding.version, "uuid": uuid4(), "found": "seal-torn", "note": "x"}
    assert fitter.post(address(finding), posted).status_code == 302
    again = {**posted, "version": Finding.objects.get(pk=finding.pk).version}
    assert fitter.post(address(finding), again).status_code == 302
    changed = fitter.post(address(finding), {**again, "note": "Other words"})
    assert changed.status_code == 422
    assert "saved before with other words" in changed.content.decode()
    assert Observation.objects.filter(kind="examined").count() == 1
    assert LogEntry.objects.filter(kind="examined").count() == 1


def test_another_look_of_the_same_fault_is_not_taken_for_a_second_press(job, fitter):
    finding = job()
    posted = {"version": finding.version, "found": "seal-torn"}
    assert fitter.post(address(finding), {**posted, "uuid": uuid4(), "note": "One"}).status_code == 302
    response = fitter.post(address(finding), {**posted, "uuid": uuid4(), "note": "Two"})
    assert response.status_code == 409
    assert "Two" in response.content.decode()


def test_a_page_that_was_used_for_another_finding_is_refused(job, fitter):
    first, other = job(), job("handle", "release-dead")
    uuid = uuid4()
    posted = {"version": first.version, "uuid": uuid, "found": "seal-torn", "note": "x"}
    assert fitter.post(address(first), posted).status_code == 302
    response = fitter.post(
        address(other, "make-safe"), {"version": other.version, "uuid": uuid, "done": "x", "secured": "on"}
    )
    assert response.status_code == 422
    assert "This page was used for something else" in response.content.decode()


WRONG = [
    ({"found": "seal-torn", "fact-leak": "0,4"}, "“Leak, coupled, free air”: enter a number with a point"),
    ({"found": "seal-torn", "fact-leak": "-1"}, "“Leak, coupled, free air”: at least 0"),
    ({"found": "not-seen", "note": " "}, "Write what you saw"),
    ({"found": "pin-bent"}, "Choose what you found"),
    ({"found": HOSTILE}, "Choose what you found"),
]


@pytest.mark.parametrize(("posted", "sentence"), WRONG)
def test_what_is_wrong_is_said_and_nothing_is_saved(job, fitter, posted, sentence):
    finding = job()
    count = Observation.objects.count()
    response = fitter.post(address(finding), {"version": finding.version, "uuid": uuid4(), **posted})
    page = response.content.decode()
    assert response.status_code == 422
    assert sentence in page
    assert "<title>Problem: " in page
    assert Observation.objects.count() == count
    assert HOSTILE not in page


def test_somebody_was_first_and_the_words_are_kept(job, fitter, cast, now):
    finding = job()
    workflow.raise_category(finding, version=finding.version, by=cast.controller, now=now, to=3, why="Worse.")
    posted = {"version": finding.version, "uuid": uuid4(), "found": "seal-torn", "note": "My words"}
    response = fitter.post(address(finding), posted)
    page = response.content.decode()
    assert response.status_code == 409
    assert "Controller 1 raised this" in page
    assert "My words" in page
    assert not LogEntry.objects.filter(kind="examined").exists()


def test_made_safe_records_the_isolation(job, fitter, railway):
    finding = job()
    page = fitter.get(address(finding, "make-safe")).content.decode()
    assert "Brake pipe cock shut" in page
    posted = {
        "version": finding.version,
        "uuid": uuid4(),
        "done": HOSTILE,
        "kind-1": "bp-cock",
        "where-1": "A face",
        "key-1": "14",
    }
    page = fitter.post(address(finding, "make-safe"), posted, follow=True).content.decode()
    assert ESCAPED in page
    assert HOSTILE not in page
    assert Isolation.objects.get().end == railway.ends["201 A"]
    assert "In work" in page


@pytest.mark.parametrize(
    ("posted", "sentence"),
    [
        ({}, "Say what was done to make it safe"),
        ({"done": "x"}, "Say that it is secured or off, or what was isolated"),
        ({"done": "x", "kind-1": "bp-cock"}, "Say where it was isolated (1)"),
        ({"done": "x", "where-2": "A face"}, "Choose what was isolated (2)"),
    ],
)
def test_what_is_missing_is_said_by_its_field(job, fitter, posted, sentence):
    finding = job()
    response = fitter.post(address(finding, "make-safe"), {"version": finding.version, "uuid": uuid4(), **posted})
    assert response.status_code == 422
    assert sentence in response.content.decode()
    assert not Isolation.objects.exists()
    assert not Observation.objects.filter(kind="made safe").exists()


def test_put_back_shows_on_the_finding_and_the_work_list(job, fitter, cast, client_of):
    finding = job()
    posted = {"version": finding.version, "parts_off": "Seal <b>ring</b>", "isolated": "MR cock", "key": "14, me"}
    page = fitter.post(address(finding, "put-back"), posted, follow=True).content.decode()
    assert "Left half done" in page
    assert "Parts off: Seal &lt;b&gt;ring&lt;/b&gt;." in page
    other = client_of(cast.other_fitter)
    page = other.get("/work/?depot=BRK").content.decode()
    assert "<strong>Left half done.</strong>" in page
    assert "Isolated: MR cock." in page
    assert "late shift, road 3 (1)" in page
    assert other.post(f"/findings/{finding.ref}/take/", {"version": finding.version + 1}).status_code == 302
    assert Finding.objects.get(pk=finding.pk).state == "in work"
    driver = client_of(cast.driver).get(f"/findings/{finding.ref}/").content.decode()
    assert "Left half done" in driver
    assert "MR cock" not in driver


def test_put_back_lists_what_is_isolated(job, fitter, cast, now):
    finding = job()
    shut = (working.Shut("mrp-cock", "A face", "14"),)
    finding = working.make_safe(
        finding, version=finding.version, by=cast.fitter, now=now, done="Shut.", secured=False, shut=shut
    )
    page = fitter.get(address(finding, "put-back")).content.decode()
    assert "Main reservoir cock shut: <bdi>A face</bdi>, key: <bdi>14</bdi>" in page
    response = fitter.post(address(finding, "put-back"), {"version": finding.version, "isolated": "cock"})
    assert response.status_code == 422
    assert "Say who holds the key" in response.content.decode()


@pytest.mark.parametrize("act", ["examine", "make-safe", "put-back"])
def test_a_job_that_is_not_taken_leads_back(cast, railway, report, fitter, act):
    finding = finding_of(report(cast.driver))
    response = fitter.get(address(finding, act), follow=True)
    assert "this is not possible now" in response.content.decode()
    posted = {"version": 1, "uuid": uuid4(), "found": "seal-torn", "note": "x", "done": "x", "secured": "on"}
    response = fitter.post(address(finding, act), posted)
    assert response.status_code == 422
    assert "is not possible" in response.content.decode()


def test_the_finding_offers_them_to_whoever_works_on_it(job, fitter, cast, client_of):
    finding = job()
    page = fitter.get(f"/findings/{finding.ref}/").content.decode()
    for act in ("examine", "make-safe", "put-back", "close"):
        assert address(finding, act) in page
    assert address(finding) not in client_of(cast.controller).get(f"/findings/{finding.ref}/").content.decode()


def test_another_fault_found_on_the_way_is_a_report_of_its_own(job, fitter):
    finding = job()
    page = fitter.get(address(finding)).content.decode()
    assert '<a href="/reports/new/?unit=201">Report it on 201</a>' in page
