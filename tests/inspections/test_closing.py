"""What a close-out refuses, each in its sentence with nothing changed; parts, couplers, gauges; who must check."""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from uuid import uuid4

import pytest

from fleet.models import Coupler, Fitment, Gauge, PartFitting
from inspections import closing, grading, log, lowering, workflow, working
from inspections.models import CloseOut, Finding, LogEntry, Restriction
from inspections.models import TestResult as Row
from inspections.parts import PartChange, Swap
from inspections.permissions import Refused
from inspections.rules.limits import Limits
from tests.conftest import PASSWORD
from tests.inspections.test_workflow import everything
from tests.screens.desk import finding_of, taken

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(cast, railway, report, now):
    """A finding in the fitter's hands."""

    def make(part="air-upper", symptom="seal-torn", **more):
        return taken(cast, railway, finding_of(report(cast.driver, part=part, symptom=symptom, **more)), now)

    return make


@pytest.fixture
def gauge(railway, now):
    """A pressure gauge in date, and one whose calibration ended yesterday."""
    day = now.date()
    return Gauge.objects.create(
        number="G-12", kind="pressure", depot=railway.places["BRK"], step="0.01", unit="bar", calibrated_until=day
    )


def rows():
    return everything() + [list(table.objects.order_by("pk").values()) for table in (PartFitting, Fitment)]


def passing(mode, **other):
    """A passing result for each test of a mode; `other` replaces one by its code with _ for -."""
    rules = grading.ruleset()
    made = []
    for code in rules.modes[mode].tests:
        test = rules.tests[code]
        value = test.high if test.high is not None else test.low
        result = closing.Result(code, value=value, passed=None if value is not None else True)
        made.append(other.get(code.replace("-", "_"), result))
    return tuple(result for result in made if result)


def work(mode="seal-torn", **changes):
    """A sound repair of a mode."""
    base = closing.Work(
        confirmed=True, cause="Wear or age", action="Renewed", found="Renewed.", outcome="repaired", mode=mode,
        results=passing(mode),
    )  # fmt: skip
    return replace(base, **changes)


def sign(finding, by, now, what=None, version=None, password=PASSWORD):
    version = version or finding.version
    return workflow.close_out(finding, version=version, by=by, now=now, password=password, work=what or work())


def overdue(gauge, now, **changes):
    Gauge.objects.filter(pk=gauge.pk).update(calibrated_until=now.date() - timedelta(days=1), **changes)
    gauge.refresh_from_db()
    return gauge


NOT_FOUND = {"confirmed": False, "outcome": "no fault found", "mode": "", "results": ()}
RELEASED = {"outcome": "released with limits", "limits": Limits(couple="not"), "limits_why": "No part."}
LEAK_02 = closing.Result("leak-coupled", value=Decimal("0.3"))
# part, symptom, the work, its sentence
REFUSED = [
    ("air-upper", "seal-torn", {"results": ()}, "“Look” is missing: every closing test"),
    ("air-upper", "seal-torn", {"results": ("look",)}, "“Air leak, coupled” is missing"),
    ("air-upper", "seal-torn", {"results": LEAK_02}, "0.3 bar is over the limit of 0.2 bar. You can release it"),
    ("handle", "release-parted", NOT_FOUND, "after an unwanted release, a parting or damaged wiring"),
    (
        "handle",
        "release-parted",
        {"mode": "release-unwanted", "wiring": None},
        "without the independent wiring check",
    ),
    ("handle", "release-parted", {"mode": "release-unwanted", "wiring": False}, "without the independent wiring"),
    (
        "handle",
        "release-parted",
        {"mode": "release-unwanted", "wiring": None, **RELEASED},
        "independent wiring check",
    ),
    ("cables", "cable-copper", {"mode": "harness-bare", "wiring": False, **RELEASED}, "independent wiring check"),
    ("handle", "release-parted", {**NOT_FOUND, **RELEASED}, "independent wiring check"),
    ("air-upper", "seal-torn", {"outcome": "released with limits"}, "needs at least one limit"),
    ("air-upper", "seal-torn", {"parts": (PartChange("hook", ""),)}, "Say why the old part came out: “Lock hook”"),
    ("air-upper", "seal-torn", {"parts": (PartChange("hook", "failed"),)}, "Give the batch or the serial"),
    ("air-upper", "seal-torn", {"parts": (PartChange("wheel", "failed", batch="7"),)}, "Choose which part"),
    ("air-upper", "seal-torn", {"parts": (PartChange("hook", "failed", batch="7"),) * 2}, "stands twice"),
    ("air-upper", "seal-torn", {"swap": Swap("X-1", "failed")}, "No coupler has the serial X-1"),
    ("air-upper", "seal-torn", {"swap": Swap("P-201A", "failed")}, "is the one that is in now"),
    ("air-upper", "seal-torn", {"swap": Swap("P-202B", "failed")}, "is recorded at 202 B"),
    ("air-upper", "seal-torn", {"swap": Swap("Q-9", "failed")}, "is of pattern Q; this end takes pattern P"),
    ("air-upper", "seal-torn", {"swap": Swap("P-9", "")}, "Say why the old coupler came out"),
]


def meant(changes):
    """A row's work: "results" and "wiring" in short."""
    changes = dict(changes)
    mode = changes.get("mode", "seal-torn")
    short = changes.pop("results", None)
    if short == ("look",):
        changes["results"] = passing(mode, leak_coupled=None)
    elif isinstance(short, closing.Result):
        changes["results"] = passing(mode, leak_coupled=short)
    elif short is not None:
        changes["results"] = short
    if "wiring" in changes:
        said = changes.pop("wiring")
        changes["results"] = passing(mode, wiring=None if said is None else closing.Result("wiring", passed=said))
    if mode == "":
        return closing.Work(cause="", action="", found="Nothing.", **changes)
    return work(mode, **{name: value for name, value in changes.items() if name != "mode"})


@pytest.mark.parametrize(("part", "symptom", "changes", "sentence"), REFUSED)
def test_each_refusal_has_its_sentence_and_changes_nothing(cast, railway, job, now, part, symptom, changes, sentence):
    Coupler.objects.create(serial="P-9", pattern=railway.patterns["P"])
    Coupler.objects.create(serial="Q-9", pattern=railway.patterns["Q"])
    finding = job(part, symptom)
    before = rows()
    with pytest.raises(Refused) as refused:
        sign(finding, cast.fitter, now, meant(changes))
    assert sentence in str(refused.value)
    assert rows() == before


def with_gauge(gauge):
    result = closing.Result("leak-coupled", value=Decimal("0.1"), gauge=gauge)
    return work(results=passing("seal-torn", leak_coupled=result))


GAUGES = [
    (
        {},
        "“Air leak, coupled”: the calibration of gauge G-12 ended on 23 November 2026. Take a gauge that is in date.",
    ),
    ({"calibrated_until": None}, "has no calibration in the register"),
    ({"retired": "2026-11-01"}, "is retired"),
]


@pytest.mark.parametrize(("changes", "sentence"), GAUGES)
def test_a_gauge_that_is_not_in_date_refuses_the_value(cast, job, gauge, now, changes, sentence):
    finding = job()
    overdue(gauge, now)
    Gauge.objects.filter(pk=gauge.pk).update(**changes)
    gauge.refresh_from_db()
    before = rows()
    for what in (with_gauge(gauge), replace(with_gauge(gauge), **RELEASED)):
        with pytest.raises(Refused) as refused:
            sign(finding, cast.fitter, now, what)
        assert sentence in str(refused.value)
    assert rows() == before


def test_a_gauge_on_its_last_day_counts_and_its_due_date_is_copied(cast, job, gauge, now):
    close = sign(job(), cast.fitter, now, with_gauge(gauge))
    row = close.tests.get(test="leak-coupled")
    assert (row.gauge, row.gauge_due) == (gauge, now.date())
    assert '"gauge":"G-12","gauge_due":"2026-11-24"' in close.signed_text
    Gauge.objects.filter(pk=gauge.pk).update(calibrated_until=now.date() + timedelta(days=90))
    row.refresh_from_db()
    assert row.gauge_due == now.date()


def test_a_wrong_password_and_an_old_version_change_nothing(cast, job, now):
    finding = job()
    before = rows()
    with pytest.raises(Refused, match="not your password"):
        sign(finding, cast.fitter, now, password="x")
    with pytest.raises(workflow.Stale):
        sign(finding, cast.fitter, now, version=finding.version - 1)
    assert rows() == before


# ---- parts


def test_a_part_that_was_recorded_ends_and_the_new_one_begins(cast, railway, job, now):
    coupler = Coupler.objects.get(serial="P-201A")
    fitted = now - timedelta(days=300)
    PartFitting.objects.create(coupler=coupler, slot="air-upper", batch="12", fitted=fitted)
    other = PartFitting.objects.create(coupler=coupler, slot="air-lower", batch="12", fitted=fitted)
    change = PartChange("air-upper", "failed", batch="14")
    close = sign(job(), cast.fitter, now, work(parts=(change,)))
    old, new = PartFitting.objects.filter(slot="air-upper").order_by("pk")
    assert (old.removed, old.reason, old.batch) == (now, "failed", "12")
    assert (new.fitted, new.removed, new.batch, new.age_days) == (now, None, "14", 0)
    other.refresh_from_db()
    assert other.removed is None
    assert close.parts == [
        {
            "slot": "air-upper",
            "out": {"serial": "", "batch": "12", "reason": "failed"},
            "in": {"serial": "", "batch": "14", "age_days": 0},
        }
    ]
    assert '"batch":"14"' in close.signed_text
    assert log.first_break() is None


def test_a_part_nobody_had_recorded_leaves_a_life_whose_start_is_not_known(cast, job, now):
    change = PartChange("handle", "planned", serial="H-2", out_serial="H-1", age_days=None)
    sign(job(), cast.fitter, now, work(parts=(change,)))
    old, new = PartFitting.objects.order_by("pk")
    assert (old.serial, old.age_days, old.fitted, old.removed, old.reason) == ("H-1", None, now, now, "planned")
    assert (new.serial, new.age_days, new.removed) == ("H-2", None, None)


def test_a_coupler_swap_moves_the_fitment_and_the_place_keeps_its_restriction(cast, railway, job, now):
    new = Coupler.objects.create(serial="P-9", pattern=railway.patterns["P"])
    old = Coupler.objects.get(serial="P-201A")
    life = PartFitting.objects.create(coupler=old, slot="air-upper", batch="12", fitted=now - timedelta(days=9))
    finding = job()
    end = finding.end
    held = workflow.restrict(
        end=end, unit=None, limits=Limits(couple="not"), why="Worn.", finding=finding, by=cast.controller, now=now
    )
    change = PartChange("air-upper", "other", batch="20")
    close = sign(finding, cast.fitter, now, work(swap=Swap("P-9", "failed"), parts=(change,)))
    assert list(end.fitments.order_by("pk").values_list("coupler__serial", "removed")) == [
        ("P-201A", now),
        ("P-9", None),
    ]
    life.refresh_from_db()
    assert life.removed is None, "the history of its parts goes with the coupler"
    assert new.parts.get(removed=None).batch == "20"
    assert Restriction.objects.in_force(now).get() == held
    assert close.check_needed
    finding = Finding.objects.get(pk=finding.pk)
    assert (finding.state, finding.coupler) == ("awaiting check", old)
    entry = LogEntry.objects.get(kind="coupler exchanged")
    assert (entry.data["out"], entry.data["fitted"], entry.data["finding"]) == ("P-201A", "P-9", finding.ref)


def test_no_part_without_a_known_end_or_coupler(cast, railway, report, now):
    finding = taken(cast, railway, finding_of(report(cast.driver, end="?")), now)
    with pytest.raises(Refused, match="Which end it is is not known"):
        sign(finding, cast.fitter, now, work(parts=(PartChange("hook", "failed", batch="7"),)))
    Fitment.objects.filter(end=railway.ends["201 B"]).update(removed=now)
    finding = taken(cast, railway, finding_of(report(cast.driver, end="B")), now)
    with pytest.raises(Refused, match="Which coupler is at this end is not recorded"):
        sign(finding, cast.fitter, now, work(parts=(PartChange("hook", "failed", batch="7"),)))
    assert not PartFitting.objects.exists()


# ---- tests made during the work


def tried(finding, by, now, verdict, gauge, value="0.4", why=""):
    return Row.objects.create(
        finding=finding, uuid=uuid4(), test="leak-coupled", name="Air leak, coupled", value=value, uncertainty="0.05",
        unit="L/min", high="1", document="x", readings={"start": "9", "end": "8.9", "why": why}, verdict=verdict,
        gauge=gauge, gauge_due=gauge.calibrated_until, by=by, at=now,
    )  # fmt: skip


NO_PASS = [
    ("fail", "1.4 L/min is over the limit of 1 L/min"),
    ("repeat", "“Air leak, coupled” is no pass yet. Repeat it for 20 minutes."),
    ("invalid", "“Air leak, coupled” is no pass yet. Repeat it for 20 minutes."),
]


@pytest.mark.parametrize(("verdict", "sentence"), NO_PASS)
def test_the_newest_attempt_counts_whatever_was_typed(cast, job, gauge, now, verdict, sentence):
    finding = job()
    tried(finding, cast.fitter, now, "pass", gauge)
    tried(finding, cast.fitter, now, verdict, gauge, "1.4", "Repeat it for 20 minutes.")
    before = rows()
    with pytest.raises(Refused) as refused:
        sign(finding, cast.fitter, now)
    assert sentence in str(refused.value)
    assert rows() == before
    close = sign(finding, cast.fitter, now, work(**RELEASED))
    assert close.tests.get(test="leak-coupled").verdict == verdict


def test_a_passed_repeat_is_copied_with_its_readings(cast, job, gauge, now):
    finding = job()
    tried(finding, cast.fitter, now, "fail", gauge, "1.4")
    attempt = tried(finding, cast.other_fitter, now, "pass", gauge)
    close = sign(finding, cast.fitter, now)
    row = close.tests.get(test="leak-coupled")
    for name in (*closing.COPIED, "by", "at"):
        same = getattr(row, name)
        assert same == (type(same)(getattr(attempt, name)) if isinstance(same, Decimal) else getattr(attempt, name))
    assert (row.finding, row.by) == (None, cast.other_fitter)
    assert '"readings":{"end":"8.9","start":"9","why":""}' in close.signed_text
    assert Row.objects.filter(finding=finding).count() == 2


# ---- who must check


def test_whoever_lowered_the_grade_needs_a_second_person_for_every_outcome(cast, job, now):
    for outcome in ("repaired", "no fault found"):
        finding = job()
        finding = working.examine(
            finding, version=finding.version, by=cast.fitter, now=now, work=working.Examination(mode="face-dirt")
        )
        assert lowering.last_by(finding) == cast.fitter.pk
        what = work("face-dirt") if outcome == "repaired" else meant(NOT_FOUND)
        close = sign(finding, cast.fitter, now, what)
        assert close.check_needed
        assert Finding.objects.get(pk=finding.pk).state == "awaiting check"


def test_another_fitters_lowering_asks_no_check_of_the_doer(cast, job, now):
    finding = job()
    finding = working.examine(
        finding, version=finding.version, by=cast.other_fitter, now=now, work=working.Examination(mode="face-dirt")
    )
    assert not sign(finding, cast.fitter, now, work("face-dirt")).check_needed


def test_raising_it_asks_no_check(cast, job, now):
    finding = job(symptom="seal-hard")
    finding = working.examine(
        finding, version=finding.version, by=cast.fitter, now=now, work=working.Examination(mode="seal-missing")
    )
    assert lowering.last_by(finding) is None


def checked(finding, by, now):
    return workflow.check(finding, version=finding.version, by=by, now=now, password=PASSWORD)


def test_the_checker_who_made_the_lowering_examination_is_refused(cast, job, now):
    finding = job("hook", "hook-marks", situation="C")
    finding = working.examine(
        finding, version=finding.version, by=cast.checker, now=now, work=working.Examination(mode="telltale-wrong")
    )
    assert lowering.last_by(finding) == cast.checker.pk
    sign(finding, cast.fitter, now, work("telltale-wrong"))
    finding = Finding.objects.get(pk=finding.pk)
    before = rows()
    with pytest.raises(Refused, match="Your examination lowered the grade"):
        checked(finding, cast.checker, now)
    assert rows() == before
    cast.other_fitter.groups.add(*cast.checker.groups.filter(name="checker"))
    assert checked(finding, cast.other_fitter, now).checker == cast.other_fitter
    assert Finding.objects.get(pk=finding.pk).state == "closed"


def test_the_same_person_twice_is_refused(cast, job, now):
    finding = job("hook", "hook-knock")
    finding = Finding.objects.get(pk=finding.pk)
    close = sign(finding, cast.checker, now, work("hook-worn"))
    assert close.check_needed
    finding = Finding.objects.get(pk=finding.pk)
    before = rows()
    with pytest.raises(Refused, match="You did this work"):
        checked(finding, cast.checker, now)
    assert rows() == before
    assert not CloseOut.objects.filter(checker__isnull=False).exists()
