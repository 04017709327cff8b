"""The close-out page's parts, coupler, gauges and tests made during the work; the check page after an examination."""

from datetime import timedelta
from uuid import uuid4

import pytest

from fleet.models import Coupler, Fitment, Gauge, PartFitting
from inspections import workflow, working
from inspections.models import CloseOut, Finding
from inspections.models import TestResult as Row
from tests.conftest import PASSWORD
from tests.screens.desk import ESCAPED, HOSTILE, entries, finding_of, taken

pytestmark = pytest.mark.django_db
RING = {"part-1": "air-upper", "part-1-why": "failed", "part-1-out": "12", "part-1-batch": "14"}


@pytest.fixture
def job(cast, railway, report, now):
    def make(part="air-upper", symptom="seal-torn", **more):
        return taken(cast, railway, finding_of(report(cast.driver, part=part, symptom=symptom, **more)), now)

    return make


@pytest.fixture
def fitter(cast, client_of):
    return client_of(cast.fitter)


@pytest.fixture
def gauges(railway, now):
    """In date at the depot, overdue at the depot, of another depot, of no depot."""
    day = now.date()
    return {
        number: Gauge.objects.create(
            number=number, kind="pressure", depot=railway.places.get(depot), step="0.01", calibrated_until=until
        )
        for number, depot, until in [
            ("G-1", "BRK", day + timedelta(days=3650)),
            ("G-2", "BRK", day - timedelta(days=1)),
            ("G-3", "ELM", day),
            ("G-4", None, None),
        ]
    }


def address(finding):
    return f"/findings/{finding.ref}/close/"


def post(client, finding, step="check", **changes):
    return client.post(address(finding), {**entries(finding, **changes), "step": step})


def sign(client, finding, **changes):
    return client.post(address(finding), {**entries(finding, **changes), "step": "sign", "password": PASSWORD})


def test_parts_are_shown_then_signed_and_live_on(job, fitter):
    finding = job()
    page = post(fitter, finding, **RING).content.decode()
    assert "<dt>Upper air seal</dt><dd>Out (failed): serial 12. In: batch 14</dd>" in page
    assert not PartFitting.objects.exists()
    assert sign(fitter, finding, **RING).status_code == 302
    assert PartFitting.objects.get(removed=None).batch == "14"
    page = fitter.get(f"/findings/{finding.ref}/").content.decode()
    assert "Out (failed): serial 12. In: batch 14" in page


def test_another_part_adds_a_row_and_keeps_everything(job, fitter):
    finding = job()
    page = post(fitter, finding, "more", **RING, in_words="Kept words").content.decode()
    assert "Part (2)" in page
    assert "Part (3)" not in page
    assert "Kept words" in page
    assert 'name="part-1-batch" value="14"' in page
    two = {"part-2": "hoses", "part-2-why": "planned", "part-2-serial": "H-7", "rows": "2"}
    assert sign(fitter, finding, **RING, **two).status_code == 302
    assert sorted(PartFitting.objects.filter(removed=None).values_list("slot", "batch", "serial")) == [
        ("air-upper", "14", ""), ("hoses", "", "H-7"),
    ]  # fmt: skip
    assert [row["slot"] for row in CloseOut.objects.get().parts] == ["air-upper", "hoses"]


@pytest.mark.parametrize("rows", ["", "x", "0", "-3", "99999", "²"])
def test_an_odd_number_of_rows_shows_the_page(job, fitter, rows):
    finding = job()
    response = post(fitter, finding, "more", rows=rows)
    assert response.status_code == 200
    assert "Part (1)" in response.content.decode()
    assert "Part (10)" not in response.content.decode()


WRONG = [
    ({"part-1": "air-upper"}, "Choose why the old one came out (1)"),
    ({"part-1": "air-upper", "part-1-why": "failed"}, "Enter the batch or the serial of the new one (1)"),
    ({"part-1-batch": "14"}, "Choose which part it is (1), or take the rest away"),
    ({"part-1": "wheel", "part-1-why": "failed"}, "“Part (1)”: choose one of the answers shown"),
    ({"coupler": "P-9"}, "Choose why the old coupler came out"),
    ({"coupler-why": "failed"}, "Enter the serial of the coupler that went in"),
]


@pytest.mark.parametrize(("changes", "sentence"), WRONG)
def test_a_row_that_is_not_whole_is_said_by_its_field(job, fitter, changes, sentence):
    response = post(fitter, job(), **changes)
    page = response.content.decode()
    assert response.status_code == 422
    assert page.count(sentence) == 2, "in the list of problems and by the field"
    assert "Ring was cut at the bottom." in page
    assert not CloseOut.objects.exists()


def test_a_coupler_that_cannot_have_gone_in_is_refused_at_signing(job, fitter):
    finding = job()
    response = sign(fitter, finding, coupler=HOSTILE[:20], **{"coupler-why": "failed"})
    page = response.content.decode()
    assert response.status_code == 422
    assert "No coupler has the serial" in page
    assert HOSTILE[:8] not in page
    assert Fitment.objects.filter(removed__isnull=False).count() == 0


def test_a_swap_moves_the_fitment_and_waits_for_its_check(job, fitter, railway):
    Coupler.objects.create(serial="P-9", pattern=railway.patterns["P"])
    finding = job()
    swap = {"coupler": "p-9", "coupler-why": "failed"}
    page = post(fitter, finding, **swap).content.decode()
    assert "<dt>The coupler</dt><dd>Out (failed): serial P-201A. In: serial P-9</dd>" in page
    assert "A second person must check it" in sign_and_follow(fitter, finding, **swap)
    assert railway.ends["201 A"].fitments.get(removed=None).coupler.serial == "P-9"


def sign_and_follow(client, finding, **changes):
    posted = {**entries(finding, **changes), "step": "sign", "password": PASSWORD}
    return client.post(address(finding), posted, follow=True).content.decode()


def test_gauges_of_the_depot_are_offered_and_an_overdue_one_refuses_the_value(job, fitter, gauges):
    finding = job()
    page = fitter.get(address(finding), {"found": "seal-torn"}).content.decode()
    assert "G-1, pressure, until 21 November 2036" in page
    assert "G-2, pressure: ended on 23 November 2026" in page
    assert "G-4, pressure: no calibration known" in page
    assert "G-3" not in page
    for number, sentence in (("G-2", "ended on 23 November 2026. Take a gauge"), ("G-4", "has no calibration")):
        response = post(fitter, finding, **{"gauge-leak-coupled": str(gauges[number].pk)})
        assert response.status_code == 422
        assert sentence in response.content.decode()
    page = post(fitter, finding, **{"gauge-leak-coupled": str(gauges["G-1"].pk)}).content.decode()
    assert "0.1 bar, limit at most 0.2 bar: passed. Gauge G-1, due 21 November 2036" in page
    assert sign(fitter, finding, **{"gauge-leak-coupled": str(gauges["G-1"].pk)}).status_code == 302
    assert Row.objects.get(test="leak-coupled").gauge == gauges["G-1"]
    assert "Gauge G-1, due 21 November 2036" in fitter.get(f"/findings/{finding.ref}/").content.decode()


def attempt(finding, by, now, verdict, gauge):
    return Row.objects.create(
        finding=finding, uuid=uuid4(), test="leak-coupled", name="Air leak, coupled", value="0.4", uncertainty="0.05",
        unit="L/min", high="1", readings={"why": "Repeat it for 20 minutes."}, verdict=verdict, gauge=gauge,
        gauge_due=gauge.calibrated_until, by=by, at=now,
    )  # fmt: skip


def test_a_test_made_during_the_work_is_shown_instead_of_its_field(job, fitter, gauges, cast, now):
    finding = job()
    page = fitter.get(address(finding), {"found": "seal-torn"}).content.decode()
    assert f'<a href="/findings/{finding.ref}/leak/">Make a leak test</a>' in page
    attempt(finding, cast.fitter, now, "repeat", gauges["G-1"])
    page = fitter.get(address(finding), {"found": "seal-torn"}).content.decode()
    assert "0.4 ± 0.05 L/min, limit at most 1 L/min: to be repeated, no pass. Gauge G-1" in page
    assert 'name="test-leak-coupled"' not in page
    response = post(fitter, finding)
    assert response.status_code == 422
    assert "“Air leak, coupled” is no pass yet. Repeat it for 20 minutes." in response.content.decode()
    attempt(finding, cast.fitter, now, "pass", gauges["G-1"])
    assert sign(fitter, finding).status_code == 302
    signed = CloseOut.objects.get().tests.get(test="leak-coupled")
    assert (signed.verdict, str(signed.value), signed.by) == ("pass", "0.4000", cast.fitter)


def test_words_of_parts_are_escaped(job, fitter):
    page = post(fitter, job(), **{**RING, "part-1-out": HOSTILE[:40]}).content.decode()
    assert ESCAPED in page
    assert HOSTILE not in page


def test_the_check_page_says_that_ones_own_examination_bars_the_check(job, cast, client_of, now):
    finding = job("hook", "hook-marks", situation="C")
    finding = working.examine(
        finding, version=finding.version, by=cast.checker, now=now, work=working.Examination(mode="telltale-wrong")
    )
    Finding.objects.filter(pk=finding.pk).update(state="awaiting check")
    CloseOut.objects.create(
        finding=finding, seen_version=1, confirmed=True, outcome="repaired", by=cast.fitter, signed=now,
        signed_text="x", signed_sha256="y", check_needed=True,
    )  # fmt: skip
    client = client_of(cast.checker)
    page = client.get(f"/findings/{finding.ref}/check/").content.decode()
    assert "Your examination lowered the grade of this fault" in page
    assert 'type="password"' not in page
    posted = {"version": finding.version, "password": PASSWORD}
    response = client.post(f"/findings/{finding.ref}/check/", posted)
    assert response.status_code == 422
    assert "Your examination lowered the grade" in response.content.decode()
    assert Finding.objects.get(pk=finding.pk).state == "awaiting check"
    assert workflow.may_from(Finding.objects.get(pk=finding.pk), "check")
