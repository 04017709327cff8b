"""Put where it belongs in one act: limits, restrictions, labels, looks, figures go along; whom to tell is listed."""

from collections import Counter
from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.utils import timezone

from fleet.models import Coupling, CouplingSide
from inspections import (
    deferring,
    delegation,
    grading,
    in_force,
    labels,
    log,
    moved,
    moving,
    standing,
    workflow,
)
from inspections.history import cases
from inspections.models import Finding, Isolation, Label, LogEntry, MateLook, Observation, Restriction, Visit
from inspections.permissions import Refused
from inspections.rules.limits import Limits
from tests.conftest import uuid_of

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
WHY = "The driver stood at the other end."


def found(receipt):
    return fresh(Finding.objects.get(ref=receipt.refs[0]))


def fresh(finding):
    return Finding.objects.select_related("end__pattern", "end__unit", "unit", "current_grade").get(pk=finding.pk)


def couple(railway, one, other, at):
    coupling = Coupling.objects.create(
        uuid=uuid_of(one, other), at=at, parted=at + HOUR, place=railway.places["SKJ"], source="test",
        source_ref=f"{one} {other}", received=at,
    )  # fmt: skip
    for end in (one, other):
        CouplingSide.objects.create(coupling=coupling, end=railway.ends[end], at=at)


def move(finding, by, now, **place):
    finding = fresh(finding)
    place = {"unit": finding.unit, "end": finding.end, "part": finding.slot, "why": WHY, **place}
    return moving.move(finding, version=finding.version, by=by, now=now, **place)


def limits_of(railway, now):
    ends = [railway.ends[end] for end in ("201 A", "201 B", "202 A")]
    stated = standing.of_ends(ends, now)
    return {str(end): stated[end.pk].situations["C"].limits.couple for end in ends}


def figures(now):
    """(end, part) → findings of the month, as the manager's pages count them."""
    day = timezone.localdate(now)
    return dict(Counter(f"{row.end} {row.component}" for row in cases.counting(day - timedelta(days=30), day)))


@pytest.fixture
def wrong(cast, railway, report, now):
    """A torn seal said of 201 A, but at B: told, planned, restricted, labelled, isolated, its mate asked for."""
    couple(railway, "201 A", "301 B", now - 2 * HOUR)
    couple(railway, "201 B", "401 A", now - 3 * HOUR)
    finding = found(report(cast.driver))
    act = {"by": cast.controller, "now": now}
    finding = workflow.look(finding, version=1, **act)
    finding = workflow.tell(finding, version=2, whom="Signaller at Pennick", how="by phone", **act)
    finding = workflow.plan(
        finding, version=3, depot=railway.places["BRK"], since=now + HOUR, shift="early", road="2", **act
    )
    end = railway.ends["201 A"]
    because = workflow.restrict(end=end, unit=None, limits=Limits(couple="not"), why="torn", finding=finding, **act)
    other = workflow.restrict(end=end, unit=None, limits=Limits(speed=60), why="a works train", **act)
    hung = {"end": end, "unit": None, "now": now}
    label = labels.hang(number="7", shows="Do not couple", restriction=because, by=cast.fitter, **hung)
    shut = labels.isolate(kind="mrp-cock", where="Cab", key="12", by=cast.fitter, finding=finding, **hung)
    return SimpleNamespace(finding=finding, because=because, other=other, label=label, shut=shut)


def test_everything_moves_in_one_act(cast, railway, wrong, now):
    later = now + HOUR
    assert limits_of(railway, now) == {"201 A": "not", "201 B": "normal", "202 A": "normal"}
    assert [str(look.end) for look in MateLook.objects.open()] == ["301 B"]
    assert figures(now) == {"201 A air-connection": 1}
    version, entries = wrong.finding.version, LogEntry.objects.filter(kind="moved").count()
    told = move(wrong.finding, cast.controller, later, end=railway.ends["201 B"])
    finding = fresh(wrong.finding)
    assert (finding.end, finding.version, finding.state) == (railway.ends["201 B"], version + 1, "planned")
    assert finding.coupler.serial == "P-201B"
    # Limits: the finding's own, and what control restricted because of it; what was set for another reason stays.
    assert limits_of(railway, later) == {"201 A": "attended", "201 B": "not", "202 A": "normal"}, "its cock is shut"
    in_force_now = Restriction.objects.in_force(later)
    assert {(str(r.end), r.why, r.finding_id) for r in in_force_now} == {
        ("201 A", "a works train", None), ("201 B", "torn", finding.pk)}  # fmt: skip
    # The label shows the restriction at its new place, but hangs at the old one: it counts for nothing there.
    label = Label.objects.get()
    assert (label.restriction.end, label.end) == (railway.ends["201 B"], railway.ends["201 A"])
    assert delegation.labelled_limits([finding], later)[finding.pk] == Limits()
    # Looks: those asked of the wrong end's mates are withdrawn, the right end's are asked for.
    assert [str(look.end) for look in MateLook.objects.open()] == ["401 A"]
    assert MateLook.objects.filter(withdrawn=later).count() == 1
    assert figures(now) == {"201 B air-connection": 1}
    # Both ends are stated anew, as they stand now.
    assert [(str(known.end), known.at) for known in told.standings] == [("201 A", later), ("201 B", later)]
    assert [known.situations["C"].limits.couple for known in told.standings] == ["attended", "not"]
    assert LogEntry.objects.filter(kind="moved").count() == entries + 1
    assert LogEntry.objects.get(kind="moved").data["after"] == {"unit": "201", "end": "B", "part": "air-upper"}


def test_who_must_be_told_is_listed(cast, railway, wrong, report, now):
    report(cast.other_driver, part="hook", symptom="hook-dry", end="B", seen=now.isoformat())
    print_card(wrong.finding, cast, now)
    told = move(wrong.finding, cast.controller, now + HOUR, end=railway.ends["201 B"])
    assert list(told.tell) == [
        "Driver 1, who reported it",
        "Signaller at Pennick, told before",
        "Brackwater, where work is planned",
        "Whoever holds the work card of 201, version 3, printed 06:00 today",
        "Driver 2, who has looked at 201 since",
        "Whoever can move label 7: it hangs at the A end of 201",
        "Whoever can look at it again: main reservoir cock shut, at the A end of 201",
    ]
    # Read again tomorrow it says the same; once the label hangs at the right end, that is done.
    assert moved.last_move(fresh(wrong.finding), now + 24 * HOUR).tell == told.tell
    labels.take_down(Label.objects.get(), by=cast.fitter, now=now + 2 * HOUR)
    labels.restore(Isolation.objects.get(), by=cast.fitter, now=now + 2 * HOUR)
    assert len(moved.last_move(fresh(wrong.finding), now + 3 * HOUR).tell) == 5


def print_card(finding, cast, now):
    """A work card of the A end was printed with this finding."""
    log.write(
        subject="unit:201", kind="card printed", actor=cast.fitter.pk, happened=now, written=now, card=3,
        refs={finding.ref: finding.version},
    )  # fmt: skip


def test_to_another_unit_the_work_must_be_planned_again(cast, railway, wrong, now):
    told = move(wrong.finding, cast.fitter, now, unit=railway.units["202"], end=railway.ends["202 A"])
    finding = fresh(wrong.finding)
    assert (finding.unit.number, finding.state, finding.visit) == ("202", "acknowledged", None)
    assert Visit.objects.count() == 1
    assert "Brackwater, where work on 201 was planned" in told.tell
    assert [str(known.end) for known in told.standings] == ["201 A", "202 A"]
    assert limits_of(railway, now) == {"201 A": "attended", "201 B": "normal", "202 A": "not"}
    assert figures(now) == {"202 A air-connection": 1}


def test_one_on_the_whole_unit_stays_on_the_whole_unit(cast, railway, report, now):
    finding = found(report(cast.driver))
    workflow.restrict(end=None, unit=finding.unit, limits=Limits(speed=40), why="x", by=cast.controller, now=now,
                      finding=finding)  # fmt: skip
    move(finding, cast.controller, now, end=railway.ends["201 B"])
    kept = Restriction.objects.get()
    assert (kept.unit, kept.lifted) == (railway.units["201"], None)
    move(finding, cast.controller, now, unit=railway.units["202"], end=railway.ends["202 B"])
    assert [str(row.unit) for row in Restriction.objects.in_force(now)] == ["202"]


def test_the_siblings_of_both_ends_are_graded_again(cast, railway, report, now):
    report(cast.driver, part="shank", symptom="shank-low", end="B")
    worn = found(report(cast.driver, part="hook", symptom="hook-dry"))
    low = Finding.objects.get(slot="shank")
    before = {finding.pk: finding.current_grade_id for finding in (worn, low)}
    move(worn, cast.controller, now, end=railway.ends["201 B"])
    for finding in (worn, low):
        grade = fresh(finding).current_grade
        assert grade.pk != before[finding.pk]
        assert any("low-and-worn" in rule for cell in grade.cells.all() for rule in cell.rules)
    move(worn, cast.controller, now, end=railway.ends["201 A"])
    assert not any("low-and-worn" in rule for cell in fresh(low).current_grade.cells.all() for rule in cell.rules)


def test_the_wrong_part_control_only_adds_a_fitter_knows_better(cast, report, now):
    first, second = found(report(cast.driver)), found(report(cast.driver, unit="202"))
    change = {"part": "cover", "symptom": "cover-slow"}
    move(first, cast.controller, now, **change)
    move(second, cast.fitter, now, **change)
    assert sorted(fresh(first).current_grade.modes) == ["cover-slow", "seal-torn"]
    assert fresh(second).current_grade.modes == ["cover-slow"]
    assert (fresh(second).component, fresh(second).symptom) == ("cover", "cover-slow")
    assert [o.quality for o in Observation.objects.filter(kind="corrected").order_by("pk")] == ["seen", "examined"]


def test_moving_an_end_never_lowers_what_was_raised(cast, railway, report, now):
    finding = found(report(cast.driver))
    workflow.raise_category(finding, version=1, by=cast.controller, now=now, to=3, why="hanging")
    move(finding, cast.fitter, now, end=railway.ends["201 B"])
    assert fresh(finding).worst == 3


def test_what_was_confirmed_belongs_to_its_part(cast, report, now):
    finding = found(report(cast.driver))
    Finding.objects.filter(pk=finding.pk).update(mode="seal-torn")
    move(finding, cast.fitter, now, part="air-lower", symptom="seal-torn")
    assert fresh(finding).mode == ""


def test_a_merged_finding_is_graded_from_both_and_brings_what_was_set_because_of_either(cast, railway, report, now):
    kept, gone = found(report(cast.driver, symptom="seal-hard")), found(report(cast.other_driver))
    act = {"by": cast.controller, "now": now}
    end = railway.ends["201 A"]
    workflow.restrict(end=end, unit=None, limits=Limits(couple="not"), why="torn", finding=gone, **act)
    assert fresh(kept).current_grade.modes == ["seal-hard"]
    workflow.merge(gone, into=kept, version=fresh(gone).version, **act)
    assert sorted(fresh(kept).current_grade.modes) == ["seal-hard", "seal-torn"]
    assert figures(now) == {"201 A air-connection": 1}
    told = move(kept, cast.controller, now, end=railway.ends["201 B"])
    assert sorted(fresh(kept).current_grade.modes) == ["seal-hard", "seal-torn"]
    assert [(str(r.end), r.finding) for r in Restriction.objects.in_force(now)] == [("201 B", kept)]
    assert figures(now) == {"201 B air-connection": 1}
    assert "Driver 1, who reported it" in told.tell


def test_an_end_that_was_not_known_is_taken_off_the_other(cast, railway, report, now):
    finding = found(report(cast.driver, end="?"))
    assert limits_of(railway, now) == {"201 A": "not", "201 B": "not", "202 A": "normal"}
    told = move(finding, cast.controller, now, end=railway.ends["201 A"])
    assert [str(known.end) for known in told.standings] == ["201 A", "201 B"]
    assert limits_of(railway, now) == {"201 A": "not", "201 B": "normal", "202 A": "normal"}
    assert told.before.letter == "?"


def test_a_unit_that_was_not_on_the_list_is_named(cast, railway, report, now):
    finding = found(report(cast.driver, unit="2O1"))
    told = move(finding, cast.controller, now, unit=railway.units["201"], end=railway.ends["201 A"])
    assert fresh(finding).unit == railway.units["201"]
    assert told.before.number == "2O1"
    assert [str(known.end) for known in told.standings] == ["201 A"]
    assert limits_of(railway, now)["201 A"] == "not"


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({}, "It is there already"),
        ({"why": " "}, "Say why it is moved"),
        ({"end": "202 A"}, "That end is not on that unit"),
        ({"part": "wheel"}, "Choose the part"),
        ({"part": "cover"}, "Choose what is wrong with that part"),
        ({"part": "cover", "symptom": "seal-torn"}, "Choose what is wrong with that part"),
        ({"symptom": "cover-open", "end": "201 B"}, "Choose what is wrong with that part"),
    ],
)
def test_what_is_no_move_is_refused_and_changes_nothing(cast, railway, wrong, now, change, sentence):
    change = {**change, **({"end": railway.ends[change["end"]]} if "end" in change else {})}
    tables = (Finding, Restriction, Label, MateLook, Observation, LogEntry)
    before = [list(table.objects.order_by("pk").values()) for table in tables]
    with pytest.raises(Refused, match=sentence):
        move(wrong.finding, cast.controller, now, **change)
    assert [list(table.objects.order_by("pk").values()) for table in tables] == before


def test_a_second_press_is_stale_not_refused(cast, railway, wrong, now):
    version = wrong.finding.version
    move(wrong.finding, cast.controller, now, end=railway.ends["201 B"])
    with pytest.raises(workflow.Stale) as stale:
        moving.move(
            fresh(wrong.finding), unit=railway.units["201"], end=railway.ends["201 B"], part="air-upper",
            version=version, by=cast.controller, now=now, why=WHY,
        )  # fmt: skip
    assert [entry.kind for entry in stale.value.since] == ["moved"]


def test_what_runs_out_limits_the_right_end(cast, railway, report, now):
    finding = found(report(cast.driver, part="handle", symptom="release-dead"))
    workflow.look(finding, version=1, by=cast.controller, now=now)
    deferring.defer(fresh(finding), version=2, by=cast.controller, now=now, until=now + HOUR, why="x")
    assert limits_of(railway, now + HOUR)["201 A"] == "not"
    move(finding, cast.controller, now, end=railway.ends["201 B"])
    assert limits_of(railway, now + HOUR) == {"201 A": "normal", "201 B": "not", "202 A": "normal"}


def test_the_list_of_all_in_force_says_what_is_to_be_moved(cast, railway, wrong, now):
    move(wrong.finding, cast.controller, now, end=railway.ends["201 B"])
    group = in_force.on_unit(railway.units["201"], cast.controller, now)
    (label,) = group.only(["label"])
    assert (label.state, label.where) == ("to be moved", "A end")
    assert label.notes == ("To be moved: its restriction is on the B end of 201",)


def test_what_never_moved_says_nothing(cast, report, now):
    finding = found(report(cast.driver))
    assert moved.last_move(finding, now) is None
    assert grading.siblings(finding) == []
