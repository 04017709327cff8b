"""The leak test's page: what it asks, what it says, what it refuses by its field, who may."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import Gauge, UnitType
from inspections.models import Finding, LogEntry
from inspections.models import TestResult as Result
from inspections.reports.pressure import Ending, pressure
from tests.conftest import uuid_of
from tests.inspections.test_leak_tests import gauge
from tests.screens.desk import ESCAPED, HOSTILE, finding_of, planned, taken

pytestmark = pytest.mark.django_db
FAR = "2099-12-31"


@pytest.fixture
def job(cast, railway, report, now):
    UnitType.objects.update(volumes={"MRP": "25", "BP": "18.5"})
    gauge(calibrated_until=FAR)
    return taken(cast, railway, finding_of(report(cast.driver)), now)


@pytest.fixture
def fitter(cast, client_of):
    return client_of(cast.fitter)


def address(finding):
    return f"/findings/{finding.ref}/leak/"


def entered(key="1", **changes):
    """The worked example as the form posts it; None leaves a field out."""
    told = {
        "uuid": str(uuid_of("page", key)),
        "test": "leak-coupled",
        "gauge": Gauge.objects.get(number="P-017").pk,
        "volume": "25",
        "start": "9.00",
        "start_c": "20",
        "minutes": "5",
        "end": "8.80",
        "end_c": "18",
        "barometer": "",
        "mate": "202 B",
        **changes,
    }
    return {name: value for name, value in told.items() if value is not None}


def words(response):
    return " ".join(response.content.decode().split())


def test_before_a_test_the_page_says_so_and_knows_the_section(fitter, job):
    response = fitter.get(address(job))
    page = words(response)
    assert "No leak test is recorded on this finding. Checked at" in page
    assert "Air leak, coupled: at most 0.2 bar in 5 min (asked for by this fault)" in page
    assert "Air leak, uncoupled end: at most 0.1 bar in 5 min<" in page
    assert "Type 2V, MRP section: 25 L." in page
    assert 'name="volume" value="25"' in page
    assert "P-017: step 0.05 bar, in date to 31 December 2099" in page
    assert "Vent it and prove it" in page


def test_no_test_is_chosen_and_nothing_read_is_filled_in(fitter, job):
    form = fitter.get(address(job)).context["form"]
    assert {name for name, value in form.initial.items() if value is not None} == {"uuid", "volume"}


def test_the_worked_example_says_pass_with_its_figures_formula_and_picture(fitter, job):
    response = fitter.post(address(job), entered(), follow=True)
    page = words(response)
    assert [str(message).split(":")[-1] for message in response.context["messages"]] == [" pass."]
    assert "<h2>Pass: Air leak, coupled</h2>" in page
    assert "<strong>0.66 ± 0.25 L/min</strong>, limit 1 L/min." in page
    assert "Even at its largest the leak is within the limit." in page
    assert "25/5 × 293.15/1 × (10.013/293.15 − 9.813/291.15) = 0.66 L/min" in page
    assert "2 × √(r²/6 + (p/T)² × (u1² + u2²)) = 0.050 bar, so 0.25 L/min. u = 0.3 K." in page
    assert "V × r/(pn × t) = 25 × 0.0500/(1 × 5) = 0.25 L/min" in page
    assert "0.2 bar in 5 min, for 25 L: 25 × 0.2 / (1 × 5) = 1 L/min. Document: indicative, not approved." in page
    assert '<svg class="chart"' in page
    for label, bar in [("At the start", "9.00"), ("Read at the end", "8.80"), ("Had nothing leaked", "8.93")]:
        assert f'<th scope="row">{label}</th><td class="number">{bar} bar</td>' in page
    assert "P-017, in date to 31 December 2099" in page
    assert "It clears nothing to run." in page


# What was read → the heading and sentence of the page.
SAID = [
    ({"end": "8.50", "end_c": "20"}, "Fail", "Even at its smallest the leak is over the limit."),
    ({"end": "8.80", "end_c": "20"}, "Repeat", "Too close to tell. Repeat for 10 minutes."),
    ({"end": "8.95", "start_c": "", "end_c": ""}, "Repeat", "With both temperatures read it tells sooner."),
    ({"end": "9.10", "end_c": "20"}, "No valid test", "the supply passes, or the air was not settled."),
    ({"end": "9.00", "start_c": "-10", "end_c": "-10"}, "Pass", "Even at its largest the leak is within the limit."),
    ({"barometer": "0.98"}, "Pass", "Even at its largest the leak is within the limit."),
]


@pytest.mark.parametrize(("read", "verdict", "sentence"), SAID)
def test_every_verdict_in_words(fitter, job, read, verdict, sentence):
    page = words(fitter.post(address(job), entered(**read), follow=True))
    assert f"<h2>{verdict}: Air leak, coupled</h2>" in page
    assert sentence in page


def test_what_was_not_read_says_so(fitter, job):
    page = words(fitter.post(address(job), entered(start_c="", end_c=""), follow=True))
    assert "<dt>Temperature at the end</dt><dd><bdi>Not read</bdi></dd>" in page
    assert "Not read: u = 3/√3 K, and never below the step and 6 K at worst." in page


def test_the_newest_stands_in_full_and_the_others_below(fitter, job):
    fitter.post(address(job), entered("1", end="8.50", end_c="20"))
    fitter.post(address(job), entered("2"))
    response = fitter.get(address(job))
    assert response.context["newest"]["row"].verdict == "pass"
    assert [one["row"].verdict for one in response.context["earlier"]] == ["fail"]
    assert '<td data-label="Leak">2.50 ± 0.25 L/min</td>' in words(response)
    assert "<h2>Test again</h2>" in words(response)


def test_an_older_verdict_does_not_stand_over_a_refused_test(fitter, job):
    fitter.post(address(job), entered())
    page = words(fitter.post(address(job), entered("2", start="90")))
    assert "Pass: Air leak" not in page
    assert 'class="problems"' in page
    assert "Pass: Air leak" in words(fitter.get(address(job)))


def test_pressed_twice_it_is_kept_once(fitter, job):
    for _ in range(2):
        assert fitter.post(address(job), entered()).status_code == 302
    assert Result.objects.count() == 1


# Field, what was typed → the sentence by that field.
WRONG = [
    ("test", None, "Choose which test"),
    ("test", "look", "Choose one of the tests shown"),
    ("gauge", "", "Choose the gauge"),
    ("gauge", "999999", "Choose a gauge from the list"),
    ("volume", "", "“Volume of the section” is empty"),
    ("volume", "0", "“Volume of the section” is between 0.1 and 2000 L"),
    ("start", "", "“Pressure at the start” is empty"),
    ("start", "90", "“Pressure at the start” is between 0.1 and 20 bar"),
    ("start", "nine", "“Pressure at the start”: enter a number with a point, like 8.95"),
    ("start", "9,00", "“Pressure at the start”: enter a number with a point, like 8.95"),
    ("start", "NaN", "“Pressure at the start”: enter a number with a point, like 8.95"),
    ("start", "9.00001", "“Pressure at the start” has too many digits: at most 4 after the point"),
    ("end", "-1", "“Pressure at the end” is between 0 and 20 bar"),
    ("minutes", "0", "“Time between the readings” is between 1 and 240 min"),
    ("end_c", "293", "“Temperature at the end” is between -50 and 70 °C"),
    ("end_c", "warm", "“Temperature at the end”: enter a number with a point, like 8.95"),
    ("barometer", "1013", "“Barometer” is between 0.8 and 1.1 bar"),
    ("mate", "x" * 61, "“Coupled to” is too long: at most 60 characters"),
]


@pytest.mark.parametrize(("field", "typed", "sentence"), WRONG, ids=[f"{f} {t}"[:30] for f, t, _ in WRONG])
def test_what_is_wrong_is_said_by_its_field_and_nothing_is_kept(fitter, job, field, typed, sentence):
    response = fitter.post(address(job), entered(**{field: typed}))
    assert response.status_code == 422
    assert response.context["form"].errors == {field: [sentence]}
    assert "<title>Problem: " in words(response)
    assert not Result.objects.exists()
    assert response.context["form"].data.get("mate") == entered(**{field: typed}).get("mate")


def test_a_page_that_lost_its_id_keeps_what_was_typed(fitter, job):
    response = fitter.post(address(job), entered(uuid=None))
    assert response.status_code == 422
    assert "This page had lost part of itself." in words(response)
    assert 'value="9.00"' in words(response)


@pytest.mark.parametrize(
    ("is_so", "label", "sentence"),
    [
        (
            {"calibrated_until": "2026-01-05"},
            "P-017: NOT IN DATE",
            "The calibration of gauge P-017 ended on 5 January 2026.",
        ),
        ({"calibrated_until": None}, "P-017: NOT IN DATE", "Gauge P-017 has no calibration in the register."),
        ({"unit": "kPa"}, "P-017: NO STEP IN BAR", "Gauge P-017 has no step in bar in the register."),
    ],
)
def test_an_overdue_gauge_is_refused_by_its_field(fitter, job, is_so, label, sentence):
    Gauge.objects.update(**is_so)
    assert label in words(fitter.get(address(job)))
    response = fitter.post(address(job), entered())
    assert response.status_code == 422
    assert response.context["form"].errors["gauge"][0].startswith(sentence)
    assert not Result.objects.exists()


def test_retired_gauges_and_those_of_another_kind_are_not_offered(fitter, job):
    gauge("P-090", retired="2026-01-01")
    gauge("T-003", kind="torque", unit="Nm")
    offered = [str(label) for _, label in fitter.get(address(job)).context["form"].fields["gauge"].choices]
    assert [label[:5] for label in offered] == ["Choos", "P-017"]


def test_without_a_gauge_the_page_says_where_they_are(fitter, job):
    Gauge.objects.all().delete()
    assert "No pressure gauge is in the register." in words(fitter.get(address(job)))


def test_who_has_no_volume_on_record_is_asked_for_it(fitter, job):
    UnitType.objects.update(volumes={})
    page = words(fitter.get(address(job)))
    assert "It is not recorded for this unit’s type: ask the engineer." in page
    assert fitter.get(address(job)).context["form"].initial["volume"] is None


def test_nothing_is_added_to_a_finding_that_is_not_in_work(fitter, cast, railway, report, now):
    gauge(calibrated_until=FAR)
    other = planned(cast, railway, finding_of(report(cast.driver)), now)
    page = words(fitter.get(address(other)))
    assert "Take this job first, then test." in page
    assert "Save this test" not in page
    response = fitter.post(address(other), entered())
    assert response.status_code == 422
    assert "Problem: this was not saved" in words(response)
    assert "<dt>Pressure at the start</dt><dd><bdi>9.00</bdi></dd>" in words(response)
    assert not Result.objects.exists()


@pytest.mark.parametrize("who", ["controller", "manager"])
def test_control_and_managers_read_and_do_not_test(job, cast, client_of, fitter, who):
    fitter.post(address(job), entered())
    visitor = client_of(getattr(cast, who))
    page = words(visitor.get(address(job)))
    assert "<h2>Pass: Air leak, coupled</h2>" in page
    assert "Save this test" not in page
    assert visitor.post(address(job), entered("2")).status_code == 403
    assert Result.objects.count() == 1


def test_a_colleague_may(job, cast, client_of):
    assert client_of(cast.other_fitter).post(address(job), entered()).status_code == 302
    assert Result.objects.get().by == cast.other_fitter


def test_what_a_person_typed_is_escaped(fitter, job):
    page = fitter.post(address(job), entered(mate=HOSTILE), follow=True).content.decode()
    assert ESCAPED in page
    assert HOSTILE not in page


def test_the_findings_page_leads_here_and_its_history_says_it(fitter, job, client_of, cast):
    page = words(fitter.get(f"/findings/{job.ref}/"))
    assert f'<a class="secondary" href="{address(job)}">Leak test</a>' in page
    fitter.post(address(job), entered())
    assert "Air leak, coupled: pass" in words(fitter.get(f"/findings/{job.ref}/"))
    page = words(client_of(cast.controller).get(f"/findings/{job.ref}/"))
    assert f'<a href="{address(job)}">Leak tests made</a>' in page
    assert address(job) not in words(client_of(cast.driver).get(f"/findings/{job.ref}/"))


def test_a_fault_that_asks_for_none_offers_none(fitter, cast, railway, report, now):
    hook = taken(cast, railway, finding_of(report(cast.driver, part="hook", symptom="hook-marks")), now)
    assert address(hook) not in words(fitter.get(f"/findings/{hook.ref}/"))


def test_the_version_rises_so_that_who_signs_looks_again(fitter, job):
    fitter.post(address(job), entered())
    assert Finding.objects.get(pk=job.pk).version == job.version + 1
    assert LogEntry.objects.filter(kind="tested").count() == 1


def test_no_more_queries_for_more_tests(fitter, job):
    fitter.post(address(job), entered("0"))
    with CaptureQueriesContext(
        connection,
    ) as one:
        fitter.get(address(job))
    for n in range(1, 8):
        fitter.post(address(job), entered(str(n)))
    with CaptureQueriesContext(connection) as many:
        fitter.get(address(job))
    assert len(many) <= len(one)


# --- the picture


def drawn(start=9.0, ends=(8.8, 8.93, 8.73), either_way=0.05, **more):
    endings = [Ending(bar, f"{bar} {name}") for bar, name in zip(ends, ("read", "tight", "limit"), strict=True)]
    told = {"minutes": "5 min", "question": "How far?", "answer": "So far.", "name": "p", **more}
    return pressure(start, endings, either_way=either_way, **told)


def label_places(svg):
    """y of the three labels at the right."""
    return [float(part.split('y="')[1].split('"')[0]) for part in svg.split("<text")[1:4]]


@pytest.mark.parametrize(
    "ends",
    [(8.8, 8.93, 8.73), (8.8, 8.8, 8.8), (9.0, 9.0, 9.0), (9.5, 8.0, 7.0), (8.8, 8.801, 8.802), (0.0, 8.9, 0.0)],
)
def test_labels_never_lie_on_each_other_nor_outside(ends):
    places = sorted(label_places(drawn(ends=ends)))
    assert all(below - above >= 18 for above, below in zip(places, places[1:], strict=False))
    assert places[0] >= 14
    assert places[-1] <= 216


def test_the_picture_speaks_and_escapes():
    svg = drawn(question=HOSTILE, answer="x & y")
    assert ESCAPED.split("'")[0][:20] in svg
    assert "x &amp; y" in svg
    assert "<script>" not in svg
    assert 'aria-labelledby="p-title p-desc"' in svg


def test_the_uncertainty_is_drawn_around_what_was_read():
    wide, narrow = (drawn(either_way=width) for width in (0.2, 0.01))

    def length(svg):
        path = svg.split('class="spread" d="')[1].split('"')[0]
        bottom, top = path.split("M")[1].split(" ")[1].split("V")
        return float(bottom) - float(top)

    assert length(wide) > length(narrow) > 0
