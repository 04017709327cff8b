"""Leak tests of a finding: what is kept, what is refused in its sentence with nothing changed, what counts."""

# ruff: noqa: E501 - one line a case
from datetime import date, timedelta
from decimal import Decimal as D
from threading import Barrier, Thread

import pytest
from django.db import DatabaseError, connections

from fleet.models import Gauge, UnitType
from inspections import closing, grading, leak, leak_tests, log
from inspections.models import Finding, LogEntry
from inspections.models import TestResult as Result
from inspections.permissions import Refused
from tests.conftest import uuid_of
from tests.screens.desk import finding_of, planned, taken

DUE = date(2027, 3, 3)


def gauge(number="P-017", **changes):
    """A pressure gauge in date, with a step of 0.05 bar."""
    row = {"kind": "pressure", "step": D("0.05"), "unit": "bar", "calibrated_until": DUE, **changes}
    return Gauge.objects.create(number=number, **row)


def read(start="9.00", end="8.80", start_c="20", end_c="18", step="0.05", **more):
    """Readings: those of the worked example, unless said."""
    temperatures = {name: D(value) for name, value in (("start_c", start_c), ("end_c", end_c)) if value}
    return leak.Readings(D(start), D(end), D(more.pop("minutes", 5)), D(25), D(step), **temperatures, **more)


@pytest.fixture
def job(cast, railway, report, now):
    return taken(cast, railway, finding_of(report(cast.driver)), now)


@pytest.fixture
def keep(cast, job, now):
    """Record a test of the job; what is not said is the worked example by the fitter."""

    def call(key="1", **changes):
        told = {"test": "leak-coupled", "readings": read(), "by": cast.fitter, "now": now, **changes}
        told.setdefault("gauge", Gauge.objects.filter(number="P-017").first() or gauge())
        return leak_tests.record(told.pop("finding", job), uuid=uuid_of("leak", key), **told)

    return call


@pytest.mark.django_db
def test_the_worked_example_is_kept_with_its_readings_and_its_gauge(keep, job, cast, now):
    row = keep(mate="202 B")
    row = Result.objects.get(pk=row.pk)
    assert (row.value, row.uncertainty, row.unit) == (D("0.6630"), D("0.2503"), "L/min")
    assert (row.high, row.verdict, row.document) == (D("1.0000"), "pass", "indicative, not approved")
    assert (row.gauge.number, row.gauge_due, row.by, row.at) == ("P-017", DUE, cast.fitter, now)
    assert (row.finding, row.close_out, row.test, row.name) == (job, None, "leak-coupled", "Air leak, coupled")
    assert row.readings == {
        "start": "9.00", "end": "8.80", "minutes": "5", "volume": "25", "step": "0.05", "start_c": "20",
        "end_c": "18", "barometer": "1.013", "thermometer": "0.3", "drop": "0.2", "drop_minutes": "5",
        "why": "Even at its largest the leak is within the limit.", "mate": "202 B",
    }  # fmt: skip


@pytest.mark.django_db
def test_it_is_logged_and_the_version_rises_but_the_state_stays(keep, job, cast):
    keep()
    entry = LogEntry.objects.get(kind="tested")
    assert (entry.subject, entry.actor) == (f"finding:{job.ref}", cast.fitter)
    assert entry.data["verdict"] == "pass"
    assert (D(entry.data["value"]), D(entry.data["uncertainty"])) == (D("0.6630"), D("0.2503"))
    assert (entry.data["gauge"], entry.data["test"]) == ("P-017", "leak-coupled")
    now_so = Finding.objects.get(pk=job.pk)
    assert (now_so.version, now_so.state) == (job.version + 1, "in work")
    assert log.first_break() is None


@pytest.mark.django_db
def test_the_same_again_is_the_same_row(keep):
    first = keep()
    assert keep(readings=read(end="8.00")).pk == first.pk
    assert Result.objects.count() == LogEntry.objects.filter(kind="tested").count() == 1


@pytest.mark.django_db
def test_a_limit_in_bar_is_other_litres_on_another_section(keep):
    one = keep("1", readings=read())
    other = keep("2", readings=leak.Readings(D("9"), D("8.8"), D(5), D(50), D("0.05"), D(20), D(18)))
    assert (one.high, other.high) == (1, 2)
    assert (other.value, one.verdict, other.verdict) == (D("1.3259"), "pass", "pass")


@pytest.mark.django_db
def test_the_uncoupled_end_has_its_own_limit(keep):
    row = keep(test="leak-uncoupled")
    assert (row.high, row.verdict) == (D("0.5"), "repeat")
    assert row.readings["why"] == "Too close to tell. Repeat for 15 minutes."


@pytest.mark.django_db
def test_the_newest_of_each_test_is_what_counts(keep, job):
    keep("1", readings=read(end="8.50"))
    second = keep("2")
    keep("3", test="leak-uncoupled", readings=read(end="9.00"))
    newest = closing.attempts(job)
    assert {code: row.verdict for code, row in newest.items()} == {
        "leak-coupled": "pass",
        "leak-uncoupled": "invalid",
    }
    assert newest["leak-coupled"] == second
    assert [row.verdict for row in leak_tests.attempts(job)] == ["invalid", "pass", "fail"]


@pytest.mark.django_db
def test_a_result_that_was_kept_is_never_changed(keep):
    row = keep()
    row.value = D(0)
    with pytest.raises(DatabaseError, match="append-only"):
        row.save()


@pytest.mark.django_db
def test_what_is_shown_is_what_was_kept(keep):
    one = leak_tests.shown(Result.objects.get(pk=keep(mate="202 B").pk))
    assert one.readings == read()
    assert one.result.leak.quantize(D("0.0001")) == one.row.value
    assert (one.drop, one.minutes, one.mate) == (D("0.2"), 5, "202 B")
    assert one.why == one.result.why
    assert one.picture == leak.picture(read(), D(1))


@pytest.mark.django_db
def test_a_temperature_that_was_not_read_stays_not_read(keep):
    row = Result.objects.get(pk=keep(readings=read(end_c="")).pk)
    assert "end_c" not in row.readings
    assert leak_tests.shown(row).readings.end_c is None
    assert row.verdict == "repeat"


# What the gauge is → why its value is refused.
GAUGES = [
    ({"calibrated_until": date(2026, 11, 23)}, "The calibration of gauge P-017 ended on 23 November 2026. Take a gauge that is in date."),
    ({"calibrated_until": None}, "Gauge P-017 has no calibration in the register. Take another gauge."),
    ({"retired": date(2026, 1, 1)}, "Gauge P-017 is retired. Take another gauge."),
    ({"step": None}, "Gauge P-017 has no step in bar in the register. Take another gauge."),
    ({"unit": "kPa"}, "Gauge P-017 has no step in bar in the register. Take another gauge."),
    ({"kind": "length"}, "Gauge P-017 has no step in bar in the register. Take another gauge."),
    ({"step": D("0.1")}, "The step of gauge P-017 has changed in the register. Open the page again."),
]  # fmt: skip


def unchanged(job):
    """Nothing was kept, nothing was logged, the finding is as it was."""
    now_so = Finding.objects.get(pk=job.pk)
    same = (now_so.version, now_so.state) == (job.version, job.state)
    return same and not Result.objects.exists() and not LogEntry.objects.filter(kind="tested").exists()


@pytest.mark.django_db
@pytest.mark.parametrize(("is_so", "sentence"), GAUGES, ids=[str(changes) for changes, _ in GAUGES])
def test_a_gauge_that_does_not_count_is_refused_and_nothing_changes(keep, job, is_so, sentence):
    with pytest.raises(Refused) as refused:
        keep(gauge=gauge(**is_so))
    assert str(refused.value) == sentence
    assert unchanged(job)


@pytest.mark.django_db
def test_the_day_on_which_it_ends_still_counts(keep):
    assert keep(gauge=gauge(calibrated_until=date(2026, 11, 24))).gauge_due == date(2026, 11, 24)


@pytest.mark.django_db
def test_the_day_is_the_railways_own(keep, now):
    """23:30 UTC in summer is half past midnight of the next day."""
    late = now.replace(month=7, day=1, hour=23, minute=30)
    with pytest.raises(Refused, match="ended on 1 July 2026"):
        keep(gauge=gauge(calibrated_until=date(2026, 7, 1)), now=late)
    early = late - timedelta(hours=1)
    assert keep(now=early).verdict == "pass"


@pytest.mark.django_db
@pytest.mark.parametrize("who", ["driver", "controller", "manager", "outsider"])
def test_only_a_fitter_tests(keep, job, cast, who):
    with pytest.raises(Refused, match="^Your role may not do this"):
        keep(by=getattr(cast, who))
    assert unchanged(job)


@pytest.mark.django_db
def test_only_a_finding_in_work_is_tested(keep, cast, railway, report, now):
    other = planned(cast, railway, finding_of(report(cast.driver, unit="202")), now)
    with pytest.raises(Refused, match="^This finding is planned"):
        keep(finding=other)
    assert unchanged(other)


@pytest.mark.django_db
@pytest.mark.parametrize("code", ["look", "seal-proud", "nonsense"])
def test_another_kind_of_test_is_refused(keep, job, code):
    with pytest.raises(Refused, match=r"^Choose a leak test of the ruleset\.$"):
        keep(test=code)
    assert unchanged(job)


@pytest.mark.django_db
def test_another_finding_cannot_take_over_a_test(keep, cast, railway, report, now):
    keep()
    other = taken(cast, railway, finding_of(report(cast.driver, unit="202")), now)
    with pytest.raises(Refused, match="^This page was used for another test"):
        keep(finding=other)
    assert Result.objects.count() == 1


@pytest.mark.django_db
def test_what_is_asked_for_comes_first(job, cast, railway, report, now):
    rules = grading.ruleset()
    assert [test.code for test in leak_tests.asked_for(job, rules)] == ["leak-coupled"]
    assert [test.code for test in leak_tests.offered(job, rules)] == ["leak-coupled", "leak-uncoupled"]
    hook = finding_of(report(cast.driver, part="hook", symptom="hook-marks"))
    assert leak_tests.asked_for(hook, rules) == []
    assert len(leak_tests.offered(hook, rules)) == 2


# Part, volumes of the type → pipe and litres of the section.
SECTIONS = [
    ("air-upper", {"MRP": "25", "BP": "18.5"}, ("MRP", 25)),
    ("air-lower", {"MRP": "25", "BP": "18.5"}, ("BP", D("18.5"))),
    ("air-lower", {"MRP": "25"}, ("BP", None)),
    ("air-upper", {"MRP": "about 25"}, ("MRP", None)),
    ("air-upper", {"MRP": "0"}, ("MRP", None)),
    ("air-upper", {}, ("MRP", None)),
    ("hook", {"MRP": "25"}, ("", None)),
]


@pytest.mark.django_db
@pytest.mark.parametrize(("part", "volumes", "known"), SECTIONS)
def test_the_section_is_that_of_the_parts_pipe(job, part, volumes, known):
    UnitType.objects.update(volumes=volumes)
    Finding.objects.filter(pk=job.pk).update(slot=part)
    assert leak_tests.section(finding_again(job)) == known


@pytest.mark.django_db
def test_of_a_unit_not_on_the_list_no_section_is_known(cast, report):
    unknown = finding_of(report(cast.driver, unit="999"))
    assert leak_tests.section(unknown) == ("", None)


def finding_again(finding):
    return Finding.objects.select_related("end__pattern", "unit__type").get(pk=finding.pk)


@pytest.mark.django_db(transaction=True)
def test_two_presses_at_once_keep_one(keep, job):
    kept, gate = [], Barrier(2)
    used = gauge()

    def press():
        gate.wait()
        try:
            kept.append(keep(gauge=used).pk)
        finally:
            connections.close_all()

    presses = [Thread(target=press) for _ in range(2)]
    for one in presses:
        one.start()
    for one in presses:
        one.join()
    assert len(kept) == 2
    assert len(set(kept)) == Result.objects.count() == LogEntry.objects.filter(kind="tested").count() == 1
