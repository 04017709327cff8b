"""Found and repaired in one visit: asked in steps, saved all at once when signed, once however often it is sent."""

import re

import pytest

from fleet.models import PartFitting
from inspections import log, repairing, workflow
from inspections.models import CloseOut, Finding, Inspection, LogEntry, Observation, Restriction, Submission
from inspections.permissions import Refused
from tests.conftest import PASSWORD, uuid_of
from tests.inspections.test_closing import work
from tests.inspections.test_workflow import everything
from tests.screens.desk import ESCAPED, HOSTILE, finding_of

pytestmark = pytest.mark.django_db
URL = "/units/201/repaired/"
WHERE = {"end": "A", "situation": "U", "sign": "air-upper:seal-torn"}


@pytest.fixture
def fitter(cast, railway, client_of):
    return client_of(cast.fitter)


def uuid_in(page):
    return re.search(r'name="uuid" value="([0-9a-f-]{36})"', page)[1]


@pytest.fixture
def sent(fitter):
    """The entries of a sound repair as the page posts them."""
    page = fitter.get(URL, {**WHERE, "found": "seal-torn"}).content.decode()
    return {
        **WHERE, "uuid": uuid_in(page), "version": "1", "found": "seal-torn", "cause": "Wear or age",
        "action": "Seal ring renewed", "in_words": "Ring was cut at the bottom.", "test-look": "yes",
        "test-leak-coupled": "0.1", "outcome": "repaired",
    }  # fmt: skip


def sign(client, sent, password=PASSWORD, **changes):
    return client.post(URL, {**sent, "step": "sign", "password": password, **changes})


def rows():
    return everything() + [list(table.objects.order_by("pk").values()) for table in (Submission, Inspection)]


def test_it_asks_where_then_which_then_the_results(fitter):
    page = fitter.get(URL).content.decode()
    assert "Which end?" in page
    assert "5 Upper air seal" in page
    assert 'method="get"' in page
    page = fitter.get(URL, WHERE).content.decode()
    assert "5 Upper air seal: The rubber is torn or has a flap." in page
    assert page.index("As it was reported") < page.index("Air seal torn") < page.index("Another fault of this part")
    page = fitter.get(URL, {**WHERE, "found": "seal-torn"}).content.decode()
    assert "Air leak, coupled: at most 0.2 bar" in page
    assert "No fault found" not in page
    assert page.count('class="primary"') == 1
    assert not Submission.objects.exists()


WRONG = [
    ({"sign": ""}, "Choose which end"),
    ({**WHERE, "end": "C"}, "Choose"),
    ({**WHERE, "sign": "air-upper:no-such"}, "Choose"),
    ({**WHERE, "sign": HOSTILE}, "Choose"),
    ({**WHERE, "found": "pin-bent"}, "Choose what you found"),
    ({**WHERE, "found": "not-found"}, "Choose what you found"),
]


@pytest.mark.parametrize(("asked", "sentence"), WRONG)
def test_an_odd_answer_is_asked_again(fitter, asked, sentence):
    response = fitter.get(URL, asked)
    page = response.content.decode()
    assert response.status_code == 422
    assert sentence in page
    assert HOSTILE not in page


def test_one_signature_saves_report_examination_and_results(fitter, cast, sent):
    page = fitter.post(URL, {**sent, "step": "check"}).content.decode()
    assert "Yes: Air seal torn, nicked or part missing" in page
    assert not Submission.objects.exists()
    response = sign(fitter, sent)
    finding = Finding.objects.get()
    assert response.headers["Location"] == f"/findings/{finding.ref}/"
    assert (finding.state, finding.mode, finding.symptom, finding.end.letter) == (
        "closed", "seal-torn", "seal-torn", "A",
    )  # fmt: skip
    assert [(row.kind, row.quality, row.by) for row in Observation.objects.order_by("pk")] == [
        ("first report", "seen", cast.fitter), ("examined", "examined", cast.fitter),
    ]  # fmt: skip
    inspection = Inspection.objects.get()
    assert (inspection.person, inspection.occasion, inspection.submission.channel) == (cast.fitter, "depot", "page")
    close = CloseOut.objects.get()
    assert (close.by, close.outcome, close.tests.count()) == (cast.fitter, "repaired", 2)
    kinds = list(LogEntry.objects.filter(subject=f"finding:{finding.ref}").values_list("kind", flat=True))
    assert [kind for kind in kinds if kind != "graded"] == ["opened", "taken", "examined", "signed"]
    assert log.first_break() is None


def test_sent_twice_it_is_saved_once(fitter, sent):
    first, second = sign(fitter, sent), sign(fitter, sent)
    assert first.headers["Location"] == second.headers["Location"]
    assert (Submission.objects.count(), Finding.objects.count(), CloseOut.objects.count()) == (1, 1, 1)


def test_another_persons_page_is_not_signed_again(fitter, cast, client_of, sent):
    sign(fitter, sent)
    response = sign(client_of(cast.other_fitter), sent)
    assert response.status_code == 422
    assert "This page was used before" in response.content.decode()
    assert CloseOut.objects.count() == 1


REFUSED = [
    ({"password": "wrong"}, "That is not your password. Nothing was signed."),
    ({"test-leak-coupled": "0.3"}, "0.3 bar is over the limit of 0.2 bar"),
    ({"test-look": ""}, "“Look” is needed for “repaired”"),
    ({"coupler": "X-1", "coupler-why": "failed"}, "No coupler has the serial X-1"),
    ({"uuid": "x"}, "This page had lost part of itself"),
    ({"outcome": "no fault found"}, "Choose an outcome"),
]


@pytest.mark.parametrize(("changes", "sentence"), REFUSED)
def test_what_is_refused_saves_nothing_and_keeps_the_words(fitter, sent, changes, sentence):
    before = rows()
    response = sign(fitter, sent, **changes)
    page = response.content.decode()
    assert response.status_code == 422
    assert sentence in page
    assert "Ring was cut at the bottom." in page
    assert rows() == before


def test_released_with_limits_and_a_part(fitter, railway, sent):
    part = {"part-1": "air-upper", "part-1-why": "failed", "part-1-batch": "14"}
    more = {
        "outcome": "released with limits",
        "couple": "not",
        "limits_why": "Test again.",
        "test-leak-coupled": "0.3",
    }
    assert sign(fitter, sent, **part, **more).status_code == 302
    assert Restriction.objects.get().end == railway.ends["201 A"]
    assert PartFitting.objects.get(removed=None).batch == "14"


def test_a_lock_waits_for_the_second_person(fitter):
    asked = {"end": "B", "situation": "U", "sign": "hook:hook-dry"}
    page = fitter.get(URL, {**asked, "found": "lock-seized"}).content.decode()
    posted = {
        **asked, "uuid": uuid_in(page), "version": "1", "found": "lock-seized", "cause": "Wear or age",
        "action": "Something else, in my words below", "in_words": "Freed.", "outcome": "released with limits",
        "couple": "attended", "limits_why": "Watch it.",
    }  # fmt: skip
    response = fitter.post(URL, {**posted, "step": "sign", "password": PASSWORD}, follow=True)
    assert "A second person must check it before it is closed." in response.content.decode()
    assert Finding.objects.get().state == "awaiting check"


def test_what_is_reported_already_is_named_first(cast, fitter, report):
    finding = finding_of(report(cast.driver))
    page = fitter.get(URL).content.decode()
    assert "Reported already on 201" in page
    assert f'<a href="/findings/{finding.ref}/">' in page


def test_only_a_fitter_may_and_the_units_page_leads_there(cast, railway, client_of, fitter, now):
    assert f'<a href="{URL}">' in fitter.get("/units/201/").content.decode()
    assert f'<a href="{URL}">' not in client_of(cast.driver).get("/units/201/").content.decode()
    assert fitter.get("/units/999/repaired/").status_code == 404
    end = railway.ends["201 A"]
    fault = repairing.Fault(uuid_of("x"), end.unit, end, "U", "air-upper", "seal-torn")
    with pytest.raises(Refused, match="role"):
        repairing.found_and_repaired(fault, by=cast.controller, now=now, password=PASSWORD, work=work())
    assert workflow.FROM["repair at once"] == ("reported",)


def test_words_are_escaped(fitter, sent):
    page = fitter.post(URL, {**sent, "in_words": HOSTILE, "step": "check"}).content.decode()
    assert ESCAPED in page
    assert HOSTILE not in page
