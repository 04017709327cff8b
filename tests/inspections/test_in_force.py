"""Everything in force by unit, and the assistance plan a unit needs when neither end can be used."""

from datetime import timedelta

import pytest

from fleet.models import CouplerEnd, Unit
from inspections import assistance, deferring, grading, in_force, labels, occurrences, standing, workflow
from inspections.models import Finding, LogEntry, Restriction
from inspections.permissions import Refused
from inspections.rules.limits import Limits

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
PLAN = {"how": "Locomotive from Elmsgate", "means": "Adapter, held at Elmsgate", "whom": "Duty engineer"}


@pytest.fixture
def restrict(cast, railway, now):
    def make(on, limits, **more):
        end = railway.ends.get(on)
        unit = None if end else railway.units[on]
        return workflow.restrict(end=end, unit=unit, limits=limits, why="torn", by=cast.controller, now=now, **more)

    return make


def known(railway, number, at):
    unit = railway.units[number]
    return standing.of_units([unit], at)[unit.pk]


# --- the plan ------------------------------------------------------------------------------------------------------
NEEDS = [
    ("nothing is wrong", [], False),
    ("one end not to couple", [("201 A", Limits(couple="not"))], False),
    ("both ends not to couple", [("201 A", Limits(couple="not")), ("201 B", Limits(couple="not"))], True),
    ("one not to couple, one no rescue", [("201 A", Limits(couple="not")), ("201 B", Limits(rescue="no"))], True),
    ("the whole unit", [("201", Limits(rescue="no"))], True),
    ("both ends attended", [("201", Limits(couple="attended"))], False),
    ("to stand", [("201", Limits(move="stand"))], False),
    ("to stand, and not to be rescued", [("201", Limits(move="stand", rescue="no"))], True),
]


@pytest.mark.parametrize(("what", "limits", "needed"), NEEDS, ids=[row[0] for row in NEEDS])
def test_when_a_unit_needs_a_plan(railway, restrict, now, what, limits, needed):
    for on, limit in limits:
        restrict(on, limit)
    assert assistance.is_needed(known(railway, "201", now)) is needed
    assert [need.unit.number for need in assistance.wanted(now)] == (["201"] if needed else [])
    assert assistance.missing_for([railway.units["201"], None], now) == (
        {railway.units["201"].pk} if needed else set()
    )


def test_faults_alone_ask_for_a_plan(cast, railway, report, now):
    for end in "AB":
        report(cast.driver, part="hook", symptom="hook-crack", end=end)
    (need,) = assistance.wanted(now)
    assert (need.unit, need.plan, need.missing) == (railway.units["201"], None, True)


def test_a_unit_without_ends_needs_none(railway, now):
    Unit.objects.create(number="900", type=railway.types["2V"])
    assert assistance.wanted(now) == []


def test_a_plan_is_a_log_entry_and_holds_until_something_new_limits_the_ends(cast, railway, report, restrict, now):
    first, second = restrict("201 A", Limits(couple="not")), restrict("201 B", Limits(rescue="no"))
    unit = railway.units["201"]
    made = assistance.plan(unit, **PLAN, by=cast.controller, now=now)
    assert (made.how, made.means, made.whom, made.by, made.at, made.holds) == (
        *PLAN.values(),
        cast.controller,
        now,
        True,
    )
    entry = LogEntry.objects.get(kind=assistance.KIND)
    assert (entry.subject, entry.actor) == ("unit:201", cast.controller)
    (need,) = assistance.wanted(now + HOUR)
    assert (need.missing, need.plan) == (False, made)
    # The same again is the same plan; other words are another.
    assert assistance.plan(unit, **PLAN, by=cast.other_controller, now=now + HOUR) == made
    assistance.plan(unit, **{**PLAN, "how": "Unit 202 draws it"}, by=cast.controller, now=now + HOUR)
    assert LogEntry.objects.filter(kind=assistance.KIND).count() == 2
    # A limit that goes leaves the plan; one that comes asks again.
    third = restrict("201 A", Limits(rescue="no"))
    (need,) = assistance.wanted(now + 2 * HOUR)
    assert (need.missing, need.plan.how, need.plan.holds) == (True, "Unit 202 draws it", False)
    workflow.lift(third, by=cast.controller, now=now + 3 * HOUR, why="x")
    assert not assistance.wanted(now + 3 * HOUR)[0].missing
    report(cast.driver, part="hook", symptom="hook-crack")
    assert assistance.wanted(now + 3 * HOUR)[0].missing
    workflow.lift(second, by=cast.controller, now=now + 4 * HOUR, why="x")
    assert assistance.wanted(now + 4 * HOUR) == []
    assert first.lifted is None


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"how": " "}, "Say how it would be got away"),
        ({"means": ""}, "Say with what"),
        ({"whom": ""}, "Say with whom this was agreed"),
        ({"by": "fitter"}, "Your role may not record an assistance plan"),
    ],
)
def test_what_is_no_plan_is_refused(cast, railway, restrict, now, change, sentence):
    restrict("201", Limits(rescue="no"))
    said = {**PLAN, **change, "by": getattr(cast, change.get("by", "controller"))}
    with pytest.raises(Refused, match=sentence):
        assistance.plan(railway.units["201"], **said, now=now)
    assert not LogEntry.objects.filter(kind=assistance.KIND).exists()


def test_no_plan_where_none_is_needed(cast, railway, now):
    with pytest.raises(Refused, match="it needs no assistance plan"):
        assistance.plan(railway.units["201"], **PLAN, by=cast.controller, now=now)


# --- the list ------------------------------------------------------------------------------------------------------
def test_a_unit_says_what_stops_it_and_where_each_limit_comes_from(cast, railway, report, restrict, now):
    finding = Finding.objects.get(ref=report(cast.driver).refs[0])
    workflow.look(finding, version=1, by=cast.controller, now=now)
    row = restrict("201 A", Limits(couple="not"), finding=finding)
    whole = restrict("201", Limits(move="to depot", speed=40))
    place = {"end": railway.ends["201 A"], "unit": None, "by": cast.fitter, "now": now}
    labels.hang(number="7", shows="Do not couple", restriction=row, **place)
    labels.isolate(kind="mrp-cock", where="Cab", key="12", finding=finding, **place)
    finding = Finding.objects.select_related("end__pattern").get()
    deferring.defer(finding, version=2, by=cast.controller, now=now, until=now + HOUR, why="ring is ordered")
    group = in_force.on_unit(railway.units["201"], cast.controller, now)
    assert group.words == ("To the depot only, as control arranges.", "Not faster than 40 km/h.")
    assert group.ends == (("A", "uncoupled", ("Do not couple at this end.",)),)
    told = [(item.kind, item.where, item.what, item.notes, item.why, item.ref) for item in group.items]
    ref = finding.ref
    assert told == [
        ("restriction", "The whole unit", "Restriction by control", ("No label shows it there",), "torn", ""),
        ("restriction", "A end", "Restriction by control", (), "torn", ref),
        ("label", "A end", "Label 7: Do not couple", (), "", ref),
        ("isolation", "A end", "Main reservoir cock shut, Cab", (), "Key: 12", ref),
        ("deferral", "A end", "Not repaired yet: 5 Upper air seal",
         ("Until 07:00 today, or the first frost or snow alert where it is or the next coupling at this end",),
         "ring is ordered", ref),
        ("finding", "A end", "Undesirable: 5 Upper air seal. The rubber is torn or has a flap", (), "", ref),
    ]  # fmt: skip
    stops = {item.kind: item.stops for item in group.items if item.row != whole.pk or item.kind != "restriction"}
    assert stops["restriction"] == ("Do not couple at this end.",)
    assert stops["isolation"] == ("Couple only with a fitter present, with extra tests.",)
    assert stops["deferral"] == stops["label"] == ()
    # An hour later the deferral has run out by itself, and stops it.
    late = in_force.on_unit(railway.units["201"], cast.controller, now + HOUR)
    (left,) = late.only(["deferral"])
    assert (left.state, left.notes) == ("run out", ("Run out 07:00 today: its time is past",))
    assert left.stops == ("Do not couple at this end.",)
    assert [said for situation, said in left.then if situation == "Coupled and running"] == [
        ("May run to the end of this trip, as control agrees; then out of service.",)]  # fmt: skip


def test_a_driver_sees_limits_and_nothing_of_people(cast, railway, report, restrict, now):
    report(cast.driver)
    restrict("201 A", Limits(couple="not"))
    for reader, named in ((cast.driver, False), (cast.fitter, True)):
        items = in_force.on_unit(railway.units["201"], reader, now).items
        assert all(item.stops for item in items)
        assert any(item.by or item.why for item in items) is named


def test_lifting_one_leaves_the_others_and_its_label_is_to_be_taken_down(cast, railway, restrict, now):
    row, other = restrict("201 A", Limits(couple="not")), restrict("201 A", Limits(speed=40))
    labels.hang(number="7", shows="x", restriction=row, end=railway.ends["201 A"], unit=None, by=cast.fitter, now=now)
    workflow.lift(row, by=cast.controller, now=now, why="x")
    group = in_force.on_unit(railway.units["201"], cast.controller, now)
    assert [item.row for item in group.only(["restriction"])] == [other.pk]
    (label,) = group.only(["label"])
    assert (label.state, label.notes) == ("take down", ("Its restriction was lifted: take it down",))


def test_what_was_set_because_of_a_report_stays_when_that_is_over_and_says_so(cast, railway, report, restrict, now):
    finding = Finding.objects.get(ref=report(cast.driver).refs[0])
    row = restrict("201 A", Limits(couple="not"), finding=finding)
    workflow.withdraw(finding, version=1, by=cast.controller, now=now, why="x")
    (item,) = in_force.on_unit(railway.units["201"], cast.controller, now).items
    assert (item.row, item.stops) == (row.pk, ("Do not couple at this end.",))
    assert "Its report is no longer open: see whether it can be lifted" in item.notes


def test_an_end_not_known_and_a_report_that_limits_nothing(cast, railway, report, now):
    report(cast.driver, end="?")
    report(cast.driver, part="cover", symptom="cover-lip", end="B")
    (item,) = in_force.on_unit(railway.units["201"], cast.driver, now).items
    assert item.where == "End not known: both ends"


def test_a_vehicle_in_no_unit_keeps_what_was_set_on_it(cast, railway, report, restrict, now):
    report(cast.driver)
    restrict("201 A", Limits(couple="not"))
    CouplerEnd.objects.filter(vehicle="201A").update(unit=None, letter="")
    groups = in_force.on_railway(cast.controller, now)
    assert [group.title for group in groups] == ["Vehicle 201A, in no unit"]
    assert [item.kind for item in groups[0].items] == ["restriction", "finding"]


def test_nothing_in_force_is_an_empty_list(cast, railway, now):
    assert in_force.on_railway(cast.controller, now) == []


def test_as_many_queries_for_five_units_as_for_sixty(cast, railway, restrict, now, django_assert_num_queries):
    def more(first, count):
        units = Unit.objects.bulk_create(
            Unit(number=str(n), type=railway.types["2V"]) for n in range(first, first + count)
        )
        pattern = railway.patterns["P"]
        ends = CouplerEnd.objects.bulk_create(
            CouplerEnd(vehicle=f"{u.number}{x}", unit=u, letter=x, pattern=pattern) for u in units for x in "AB"
        )
        for end in ends:
            row = Restriction.objects.create(end=end, couple="not", why="x", by=cast.controller, since=now)
            labels.Label.objects.create(
                number=end.vehicle, end=end, shows="x", restriction=row, by=cast.fitter, since=now
            )
            labels.Isolation.objects.create(end=end, kind="mrp-cock", where="x", by=cast.fitter, since=now)
            finding = Finding.objects.create(
                ref=f"{end.pk:08d}", unit=end.unit, end=end, unit_given="x", end_given="A", component="release",
                slot="handle", first_seen=now, month=1, state="acknowledged",
            )  # fmt: skip
            deferring.Deferral.objects.create(
                finding=finding, category=1, why="x", by=cast.controller, agreed=now, agreed_by=cast.controller,
                since=now, until=now + HOUR, events=["first-frost"],
            )  # fmt: skip

    more(500, 5)
    in_force.on_railway(cast.controller, now)  # reads the reader's groups, once
    with django_assert_num_queries(35):
        assert len(in_force.on_railway(cast.controller, now + 2 * HOUR)) == 5
    more(600, 55)
    with django_assert_num_queries(35):
        assert len(in_force.on_railway(cast.controller, now + 2 * HOUR)) == 60


# --- occurrences ---------------------------------------------------------------------------------------------------
OFFERED = [
    ({"part": "handle", "symptom": "release-parted"}, ("Parting",)),
    ({"part": "contacts", "symptom": "pin-bent"}, ("False command",)),
    ({"part": "air-upper", "symptom": "air-rear"}, ("Brake not following",)),
    ({"part": "cover", "symptom": "cover-lip"}, ()),
]


@pytest.mark.parametrize(("what", "hazards"), OFFERED)
def test_what_may_be_an_occurrence(cast, report, now, what, hazards):
    finding = Finding.objects.get(ref=report(cast.driver, **what).refs[0])
    found = occurrences.may_be(finding, grading.ruleset(now))
    assert set(hazards) <= set(found)
    assert bool(found) is bool(hazards)


def test_the_last_decision_counts(cast, report, now):
    finding = Finding.objects.get(ref=report(cast.driver).refs[0])
    assert occurrences.decided(finding) is None
    for version, reportable in ((1, True), (2, False)):
        workflow.decide_occurrence(
            finding, version=version, by=cast.manager, now=now + version * HOUR, reportable=reportable,
            reference="12/26", why="no harm",
        )  # fmt: skip
    decision = occurrences.decided(finding)
    assert (decision.reportable, decision.by, decision.at) == (False, cast.manager, now + 2 * HOUR)
