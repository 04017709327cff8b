"""Examined, made safe, put back: what it does to the grade, the limits and the next person's page."""

import pytest

from inspections import closing, grading, standing, workflow, working
from inspections.models import Finding, Isolation, LogEntry, Observation
from inspections.permissions import Refused
from tests.inspections.test_workflow import everything
from tests.screens.desk import finding_of, looked, taken

pytestmark = pytest.mark.django_db
Found = working.Examination


@pytest.fixture
def job(cast, railway, report, now):
    """A finding in the fitter's hands."""

    def make(part="air-upper", symptom="seal-hiss", **more):
        return taken(cast, railway, finding_of(report(cast.driver, part=part, symptom=symptom, **more)), now)

    return make


def examine(finding, by, now, **work):
    return working.examine(finding, version=finding.version, by=by, now=now, work=Found(**work))


# part, symptom, what was found, its grade after, kind, quality
LOWERED = [
    ("air-upper", "seal-torn", {"mode": "face-dirt"}, "tolerable", "examined", "examined"),
    ("air-upper", "seal-torn", {"mode": "seal-torn", "facts": {"leak": "0.4", "leak-uncertainty": "0.1"}},
     "tolerable", "measured", "measured"),
    ("hook", "hook-marks", {"mode": "lock-ready"}, "negligible", "examined", "examined"),
]  # fmt: skip
NOT_LOWERED = [
    ("air-upper", "seal-torn", {"seen": False, "note": "Ring is whole."}, "examined", "not confirmed"),
    ("hook", "hook-knock", {"seen": False, "note": "No knock today."}, "examined", "not confirmed"),
    ("air-upper", "seal-torn", {"note": "Cannot tell."}, "examined", "examined"),
]


@pytest.mark.parametrize(("part", "symptom", "work", "after", "kind", "quality"), LOWERED)
def test_better_evidence_lowers_the_grade(cast, job, now, part, symptom, work, after, kind, quality):
    finding = job(part, symptom, situation="C")
    before = finding.worst
    changed = examine(finding, cast.fitter, now, **work)
    row = Observation.objects.latest("pk")
    assert (row.kind, row.quality, row.by, row.mode) == (kind, quality, cast.fitter, work["mode"])
    changed = Finding.objects.get(pk=finding.pk)
    assert changed.mode == work["mode"]
    assert grading.ruleset().modes[work["mode"]].name
    assert (changed.worst < before, changed.get_worst_display().lower()) == (True, after)
    assert changed.state == "in work"


@pytest.mark.parametrize(("part", "symptom", "work", "kind", "quality"), NOT_LOWERED)
def test_what_was_not_confirmed_lowers_nothing(cast, job, now, part, symptom, work, kind, quality):
    finding = job(part, symptom, situation="C")
    grade = finding.current_grade
    examine(finding, cast.fitter, now, **work)
    row = Observation.objects.latest("pk")
    assert (row.kind, row.quality, row.mode) == (kind, quality, "")
    after = Finding.objects.get(pk=finding.pk)
    assert grading.same(after.current_grade, grading.pure(grade))
    assert after.mode == ""


def test_worse_evidence_raises(cast, job, now):
    finding = job(symptom="seal-hard", situation="C")
    examine(finding, cast.fitter, now, mode="valve-shut")
    assert Finding.objects.get(pk=finding.pk).worst > finding.worst


def test_an_examination_of_one_regrades_the_others_of_its_end(cast, job, now):
    other = job("air-lower", "seal-hard")
    finding = job("contacts", "block-dirty")
    examine(finding, cast.fitter, now, mode="seal-hard")
    assert Finding.objects.get(pk=other.pk).current_grade != other.current_grade


REFUSED = [
    ({}, "Write what you saw"),
    ({"note": "  "}, "Write what you saw"),
    ({"mode": "no-such"}, "not in the rules"),
    ({"facts": {"no-such": "1"}}, "nothing the rules ask"),
    ({"mode": "seal-torn", "seen": False}, "Choose one"),
]


@pytest.mark.parametrize(("work", "sentence"), REFUSED)
def test_an_examination_that_says_nothing_is_refused(cast, job, now, work, sentence):
    finding = job()
    before = everything()
    with pytest.raises(Refused, match=sentence):
        examine(finding, cast.fitter, now, **work)
    assert everything() == before


def make_safe(finding, by, now, **more):
    return working.make_safe(finding, version=finding.version, by=by, now=now, **{"done": "Tied up.", **more})


def test_made_safe_brings_the_limits_of_what_was_shut(cast, job, now):
    finding = job(situation="C")
    make_safe(finding, cast.fitter, now, shut=(working.Shut("bp-cock", "Behind the A face", "14, Fitter 1"),))
    row = Isolation.objects.get()
    assert (row.kind, row.where, row.key, row.finding, row.end) == (
        "bp-cock", "Behind the A face", "14, Fitter 1", finding, finding.end,
    )  # fmt: skip
    known = standing.of_ends([finding.end], now)[finding.end_id]
    assert {situation.limits.couple for situation in known.situations.values()} == {"not"}
    assert {situation.limits.rescue for situation in known.situations.values()} == {"no"}
    assert LogEntry.objects.filter(kind="isolated").get().data["finding"] == finding.ref
    assert Finding.objects.get(pk=finding.pk).state == "in work"


def test_what_is_secured_regrades(cast, job, now):
    finding = job("cover", "cover-hanging")
    assert finding.get_worst_display() == "Intolerable"
    make_safe(finding, cast.fitter, now, secured=True)
    changed = Finding.objects.get(pk=finding.pk)
    assert changed.worst < finding.worst
    assert (changed.state, Observation.objects.latest("pk").kind) == ("in work", "made safe")


MADE_SAFE_REFUSED = [
    ({"done": " "}, "Say what was done"),
    ({}, "nothing else makes it safe"),
    ({"shut": (working.Shut("no-such", "x"),)}, "Choose what was isolated"),
    ({"shut": (working.Shut("bp-cock", " "),)}, "Say where: brake pipe cock shut"),
]


@pytest.mark.parametrize(("more", "sentence"), MADE_SAFE_REFUSED)
def test_nothing_is_made_safe_by_saying_nothing(cast, job, now, more, sentence):
    finding = job()
    before = everything()
    with pytest.raises(Refused, match=sentence):
        make_safe(finding, cast.fitter, now, **more)
    assert everything() == before


def test_a_unit_that_is_not_named_has_no_isolation(cast, railway, report, now):
    finding = looked(cast, finding_of(report(cast.driver, unit="471")), now)
    finding = workflow.take(finding, version=finding.version, by=cast.fitter, now=now)
    with pytest.raises(Refused, match="not on the list yet"):
        make_safe(finding, cast.fitter, now, shut=(working.Shut("bp-cock", "x"),))
    make_safe(finding, cast.fitter, now, secured=True)


def put_back(finding, by, now, **more):
    return working.put_back(finding, version=finding.version, by=by, now=now, **more)


def test_put_back_is_planned_again_and_another_takes_it(cast, job, now):
    finding = job()
    visit = finding.visit
    said = {"parts_off": "Upper seal ring", "isolated": "Main reservoir cock", "key": "14, Fitter 1", "note": "Wait."}
    finding = put_back(finding, cast.fitter, now, **said)
    assert (finding.state, finding.visit) == ("planned", visit)
    left = working.left_in([finding])[finding.pk]
    assert left.sentences == (
        "Parts off: Upper seal ring.", "Isolated: Main reservoir cock.", "Key: 14, Fitter 1.", "Wait.",
    )  # fmt: skip
    assert (left.by, left.at) == (cast.fitter, now)
    finding = workflow.take(finding, version=finding.version, by=cast.other_fitter, now=now)
    assert working.left_in([finding])[finding.pk] == left
    finding = put_back(finding, cast.other_fitter, now, note="Seal fitted, test to do")
    assert working.left_in([finding])[finding.pk].sentences == ("Seal fitted, test to do.",)


def test_without_a_visit_it_waits_for_a_plan(cast, railway, report, now):
    finding = looked(cast, finding_of(report(cast.driver)), now)
    finding = workflow.take(finding, version=finding.version, by=cast.fitter, now=now)
    assert put_back(finding, cast.fitter, now, note="Not begun").state == "acknowledged"


PUT_BACK_REFUSED = [
    ({}, "in what state"),
    ({"key": "14"}, "in what state"),
    ({"isolated": "Cock", "note": "x"}, "who holds the key"),
]


@pytest.mark.parametrize(("said", "sentence"), PUT_BACK_REFUSED)
def test_the_state_it_is_left_in_must_be_said(cast, job, now, said, sentence):
    finding = job()
    before = everything()
    with pytest.raises(Refused, match=sentence):
        put_back(finding, cast.fitter, now, **said)
    assert everything() == before


def test_of_many_findings_one_query(cast, job, now, django_assert_num_queries):
    rows = [put_back(job(), cast.fitter, now, note=f"State {n}") for n in range(3)]
    closed = job()
    with django_assert_num_queries(1):
        left = working.left_in([*rows, closed])
    assert sorted(left) == sorted(row.pk for row in rows)


def test_tests_asked_follow_the_examination(cast, job, now):
    finding = job()
    assert len(closing.tests_asked(finding)) > 2
    examine(finding, cast.fitter, now, mode="seal-torn")
    assert closing.tests_asked(Finding.objects.get(pk=finding.pk)) == ["look", "leak-coupled"]
