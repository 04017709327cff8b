"""The register of gauges: what is due first, who keeps it, what is logged, what was tested with a gauge."""

from datetime import date, timedelta
from decimal import Decimal as D

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet.models import Gauge
from inspections import closing, leak_tests, log, workflow
from inspections import gauges as register
from inspections.models import LogEntry, TestResult
from inspections.permissions import Refused
from tests.conftest import PASSWORD, uuid_of
from tests.inspections.test_leak_tests import gauge, read
from tests.screens.desk import ESCAPED, HOSTILE, finding_of, taken

pytestmark = pytest.mark.django_db
URL = "/gauges/"


@pytest.fixture
def keeper(cast, client_of):
    return client_of(cast.checker)


def words(response):
    return " ".join(response.content.decode().split())


def logged(kind):
    return [(e.subject, e.actor.username, e.data) for e in LogEntry.objects.filter(kind=kind)]


def entered(**changes):
    """A pressure gauge as the form posts it."""
    return {
        "number": "P-020",
        "kind": "pressure",
        "step": "0.05",
        "unit": "bar",
        "depot": "",
        "calibrated_until": "2099-03-03",
        "certificate": "C-2291",
        **changes,
    }


def test_an_empty_register_says_so(keeper):
    assert "No gauge is in the register here yet. Checked at" in words(keeper.get(URL))
    assert "No gauge here is retired. Checked at" in words(keeper.get(URL + "?show=retired"))


def test_the_first_to_fall_due_stands_first_and_what_is_past_says_so(keeper):
    today = timezone.localdate()
    for number, days in (("P-1", 200), ("P-2", -12), ("P-3", 20), ("P-4", 0)):
        gauge(number, calibrated_until=today + timedelta(days=days))
    gauge("P-5", calibrated_until=None)
    response = keeper.get(URL)
    rows = {row["gauge"].number: row["due"] for row in response.context["rows"]}
    assert list(rows) == ["P-5", "P-2", "P-4", "P-3", "P-1"]
    assert [due["look"] for due in rows.values()] == ["age-2", "age-2", "age-1", "age-1", ""]
    assert rows["P-2"]["words"].startswith("Overdue since ")
    assert rows["P-5"]["words"] == "No calibration recorded"
    assert "<strong>1 gauge is overdue.</strong> No value from it is taken." in words(response)


def test_a_depot_and_the_retired_are_lists_of_their_own(keeper, railway):
    gauge("P-1", depot=railway.places["BRK"])
    gauge("P-2", depot=railway.places["ELM"])
    gauge("P-3", retired=date(2026, 1, 1))

    def numbers(query):
        return [row["gauge"].number for row in keeper.get(URL + query).context["rows"]]

    assert numbers("") == ["P-1", "P-2"]
    assert numbers("?depot=ELM") == ["P-2"]
    assert numbers("?depot=nowhere") == ["P-1", "P-2"]
    assert numbers("?show=retired") == ["P-3"]


def test_a_long_list_comes_in_pages_with_as_many_queries(keeper):
    gauge("P-000")
    with CaptureQueriesContext(connection) as one:
        keeper.get(URL)
    for n in range(1, 61):
        gauge(f"P-{n:03}")
    with CaptureQueriesContext(connection) as many:
        response = keeper.get(URL)
    assert len(many) == len(one)
    assert len(response.context["rows"]) == 50
    assert "Page 1 of 2" in words(response)
    assert len(keeper.get(URL + "?page=2").context["rows"]) == 11


def test_entering_one_keeps_it_and_logs_it(keeper, railway):
    response = keeper.post("/gauges/new/", entered(depot="BRK"), follow=True)
    found = Gauge.objects.get()
    assert (found.number, found.kind, found.step, found.unit) == ("P-020", "pressure", D("0.05"), "bar")
    assert (found.depot, found.calibrated_until, found.certificate) == (
        railway.places["BRK"],
        date(2099, 3, 3),
        "C-2291",
    )
    assert "Gauge P-020 is in the register." in words(response)
    told = {"until": "2099-03-03", "certificate": "C-2291", "number": "P-020", "step": "0.05", "unit": "bar"}
    assert logged("gauge entered") == [(f"gauge:{found.pk}", "fitter3", told)]
    assert "Entered, in date to 3 March 2099: <bdi>C-2291</bdi>, by Fitter 3" in words(response)
    assert log.first_break() is None


WRONG = [
    ({"number": ""}, "number", "“Number on the gauge” is empty"),
    ({"number": "x" * 21}, "number", "“Number on the gauge” is too long: at most 20 characters"),
    ({"number": "P-017"}, "number", "Gauge P-017 is in the register already."),
    ({"kind": ""}, "kind", "Choose what it measures"),
    ({"kind": "magic"}, "kind", "Choose what it measures"),
    ({"step": ""}, "step", "Enter the smallest step of the pressure gauge"),
    ({"step": "0"}, "step", "“Smallest step you can read” is more than 0"),
    ({"step": "fine"}, "step", "“Smallest step you can read”: enter a number with a point, like 0.05"),
    ({"unit": ""}, "unit", "Enter the unit of the step"),
    ({"unit": "kPa"}, "unit", "A pressure gauge is read in bar: enter bar"),
    ({"depot": "THO"}, "depot", "“Kept at”: choose a depot from the list"),
    ({"calibrated_until": "soon"}, "calibrated_until", "“Calibration ends on” is no date: enter it like 24/11/2026"),
]


@pytest.mark.parametrize(("typed", "field", "sentence"), WRONG, ids=[f"{f} {s}"[:40] for _, f, s in WRONG])
def test_what_is_wrong_is_said_by_its_field(keeper, railway, typed, field, sentence):
    gauge()
    response = keeper.post("/gauges/new/", entered(**typed))
    assert response.status_code == 422
    assert response.context["form"].errors == {field: [sentence]}
    assert "<title>Problem: " in words(response)
    assert Gauge.objects.count() == 1
    assert not LogEntry.objects.filter(kind="gauge entered").exists()


def test_a_gauge_that_has_no_step_may_be_of_another_kind(keeper):
    posted = entered(kind="electrical", step="", unit="", calibrated_until="", certificate="")
    assert keeper.post("/gauges/new/", posted).status_code == 302
    assert Gauge.objects.get().step is None


def test_a_calibration_is_recorded_with_the_day_before(keeper):
    found = gauge(calibrated_until=date(2026, 1, 5))
    url = f"/gauges/{found.pk}/calibrate/"
    posted = {"until": "2099-01-05", "certificate": "C-9"}
    page = words(keeper.post(url, posted, follow=True))
    found.refresh_from_db()
    assert (found.calibrated_until, found.certificate) == (date(2099, 1, 5), "C-9")
    assert "Gauge P-017 is in date to 5 January 2099." in page
    assert "Calibrated, in date to 5 January 2099, before that to 5 January 2026: <bdi>C-9</bdi>" in page
    keeper.post(url, posted)
    assert len(logged("gauge calibrated")) == 1


@pytest.mark.parametrize(
    ("posted", "errors"),
    [
        ({"until": "", "certificate": "C-9"}, {"until": ["“Calibration ends on” is empty"]}),
        ({"until": "2099-01-05", "certificate": ""}, {"certificate": ["“Certificate” is empty"]}),
        (
            {"until": "2020-01-05", "certificate": "C-9"},
            {"__all__": ["The calibration ended before today. Enter the day on which it ends."]},
        ),
    ],
)
def test_a_calibration_that_is_none_is_refused_and_nothing_changes(keeper, posted, errors):
    found = gauge()
    response = keeper.post(f"/gauges/{found.pk}/calibrate/", posted)
    assert response.status_code == 422
    assert response.context["calibrate"].errors == errors
    assert f'value="{posted["certificate"]}"' in words(response) or not posted["certificate"]
    assert Gauge.objects.get().calibrated_until == found.calibrated_until
    assert not logged("gauge calibrated")


def test_a_retired_gauge_stays_readable_and_is_not_calibrated_again(keeper):
    found = gauge()
    page = words(keeper.post(f"/gauges/{found.pk}/retire/", {"why": "Dropped in the pit"}, follow=True))
    assert "Retired: <bdi>Dropped in the pit</bdi>, by Fitter 3" in page
    assert "Record the calibration" not in page
    assert Gauge.objects.get().retired == timezone.localdate()
    response = keeper.post(f"/gauges/{found.pk}/calibrate/", {"until": "2099-01-05", "certificate": "C-9"})
    assert response.status_code == 422
    assert "Gauge P-017 is retired already. Nothing was changed." in words(response)
    assert len(logged("gauge retired")) == 1
    assert not logged("gauge calibrated")


def test_retiring_needs_why(keeper):
    found = gauge()
    response = keeper.post(f"/gauges/{found.pk}/retire/", {"why": " "})
    assert response.status_code == 422
    assert response.context["retire"].errors == {"why": ["Say why"]}
    assert Gauge.objects.get().retired is None


@pytest.mark.parametrize("who", ["fitter", "controller"])
def test_who_does_not_keep_it_reads_it(cast, client_of, who):
    found = gauge()
    visitor = client_of(getattr(cast, who))
    assert "Enter a gauge" not in words(visitor.get(URL))
    page = words(visitor.get(f"/gauges/{found.pk}/"))
    assert "Record the calibration" not in page
    assert "3 March 2027" in page
    for address in ("/gauges/new/", f"/gauges/{found.pk}/calibrate/", f"/gauges/{found.pk}/retire/"):
        assert visitor.post(address, entered(why="x", until="2099-01-01")).status_code == 403
    assert Gauge.objects.get().retired is None


@pytest.mark.parametrize("act", ["enter", "calibrate", "retire"])
def test_the_door_itself_refuses_who_does_not_keep_it(cast, now, act):
    found = gauge()
    told = {
        "enter": {**entered(), "depot": None, "step": D("0.05"), "calibrated_until": date(2099, 1, 1)},
        "calibrate": {"gauge": found, "until": date(2099, 1, 1), "certificate": "C-9"},
        "retire": {"gauge": found, "why": "x"},
    }[act]
    call = getattr(register, act)
    with pytest.raises(Refused, match="^Your role may not change the register of gauges"):
        call(told.pop("gauge"), **told, by=cast.fitter, now=now) if "gauge" in told else call(
            **told, by=cast.fitter, now=now
        )
    assert Gauge.objects.count() == 1
    assert not LogEntry.objects.filter(kind__startswith="gauge").exists()


def test_what_was_tested_with_it_stands_on_its_page(keeper, cast, railway, report, now):
    found = gauge()
    job = taken(cast, railway, finding_of(report(cast.driver)), now)
    told = {"test": "leak-coupled", "gauge": found, "readings": read(), "by": cast.fitter, "now": now}
    leak_tests.record(job, uuid=uuid_of("g"), **told)
    page = words(keeper.get(f"/gauges/{found.pk}/"))
    assert f'href="/findings/{job.ref}/"' in page
    assert '<td data-label="Value">0.663 L/min</td><td data-label="Said">Pass</td>' in page
    other = gauge("P-018")
    signed = taken(cast, railway, finding_of(report(cast.driver, unit="202")), now)
    results = closing.Result("look", passed=True), closing.Result("leak-coupled", value=D("0.1"), gauge=other)
    work = closing.Work(True, "Wear or age", "Seal ring renewed", "", "repaired", mode="seal-torn", results=results)
    told = {"version": signed.version, "by": cast.fitter, "now": now, "password": PASSWORD}
    workflow.close_out(signed, **told, work=work)
    assert '<td data-label="Value">0.1 bar</td>' in words(keeper.get(f"/gauges/{other.pk}/"))
    copied = closing.Work(
        True, "Wear or age", "Seal ring renewed", "", "repaired", mode="seal-torn", results=results[:1]
    )
    job.refresh_from_db()
    workflow.close_out(job, **{**told, "version": job.version}, work=copied)
    assert TestResult.objects.filter(gauge=found).count() == 2
    assert len(keeper.get(f"/gauges/{found.pk}/").context["tests"]) == 1
    assert "None is recorded." in words(keeper.get(f"/gauges/{gauge('P-019').pk}/"))


def test_words_of_people_are_escaped(keeper):
    page = keeper.post("/gauges/new/", entered(number="<b>1", certificate=HOSTILE), follow=True).content.decode()
    assert ESCAPED in page
    assert HOSTILE not in page
    assert "&lt;b&gt;1" in page


def test_a_gauge_that_is_not_there(keeper):
    assert keeper.get("/gauges/999/").status_code == 404
    assert keeper.post("/gauges/999/retire/", {"why": "x"}).status_code == 404


def test_the_work_list_leads_here(cast, client_of, railway):
    assert '<a href="/gauges/">Gauges</a>' in words(client_of(cast.fitter).get("/work/"))
