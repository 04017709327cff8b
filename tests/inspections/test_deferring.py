"""Leaving a fault: read when, by whom, how long; what ends it, found by query, with nothing written."""

from datetime import UTC, datetime, timedelta

import pytest
from django.contrib.auth.models import Group, User

from fleet.models import Coupling, CouplingSide, FleetEvent, WeatherAlert
from inspections import deferring, delegation, expiry, labels, standing, workflow
from inspections.forms.deferrals import DeferForm
from inspections.models import Deferral, Finding, GradeCell, Isolation, Label, LogEntry, Restriction
from inspections.permissions import Refused
from inspections.rules.limits import Limits
from tests.conftest import uuid_of

pytestmark = pytest.mark.django_db
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
NOT = Limits(couple="not")


@pytest.fixture
def fault(cast, report, now):
    """An acknowledged finding."""

    def make(**more):
        finding = Finding.objects.get(ref=report(cast.driver, **more).refs[0])
        workflow.look(finding, version=finding.version, by=cast.controller, now=now)
        return fresh(finding)

    return make


def fresh(finding):
    return Finding.objects.select_related("end__pattern", "end__unit", "unit", "current_grade").get(pk=finding.pk)


@pytest.fixture
def restrict(cast, railway, now):
    """A restriction on 201 A (or elsewhere) and, with `label`, its label hung at "A", "B" or in the "cabs"."""

    def make(limits=NOT, *, on="201 A", label="", at=now):
        end = railway.ends.get(on)
        unit = None if end else railway.units[on]
        row = workflow.restrict(end=end, unit=unit, limits=limits, why="x", by=cast.controller, now=at)
        if label:
            there = {"end": None, "unit": railway.units["201"]} if label == "cabs" else {
                "end": railway.ends[f"201 {label}"], "unit": None}  # fmt: skip
            shown = row if labels.shows_there(row, there["end"], there["unit"]) else None
            hung = labels.hang(
                number=f"{Label.objects.count()}", shows="x", restriction=shown, by=cast.fitter, now=at, **there
            )
            Label.objects.filter(pk=hung.pk).update(restriction=row)
        return row

    return make


@pytest.fixture
def couple(railway):
    def make(end, at, *, other="301 B", place="SKJ", received=None, parted=None):
        coupling = Coupling.objects.create(
            uuid=uuid_of(end, at), at=at, parted=parted, place=railway.places[place], source="test",
            source_ref=f"{end} {at}", received=received or at,
        )  # fmt: skip
        for one in (end, other):
            CouplingSide.objects.create(coupling=coupling, end=railway.ends[one], at=at)
        return coupling

    return make


def leave(cast, finding, now, until, **more):
    return deferring.defer(
        finding, version=fresh(finding).version, by=cast.controller, now=now, until=until, why="ordered", **more
    )


def of_end(finding, at):
    return standing.of_ends([finding.end], at)[finding.end_id]


def rows():
    return [
        list(table.objects.order_by("pk").values()) for table in (Deferral, Finding, Restriction, Isolation, LogEntry)
    ]


# --- the deadline reading ------------------------------------------------------------------------------------------
READINGS = [
    # a torn seal is graded N uncoupled, Undesirable about to couple and running
    ("nothing is restricted", None, {}, False, "UCR", 2),
    ("restricted, no label", NOT, {}, False, "UCR", 2),
    ("restricted and labelled at the end", NOT, {"label": "A"}, False, "U", 0),
    ("restricted and labelled in the cabs", NOT, {"label": "cabs"}, False, "U", 0),
    ("its label hangs at the other end", NOT, {"label": "B"}, False, "UCR", 2),
    ("the whole unit, labelled in the cabs", NOT, {"on": "201", "label": "cabs"}, False, "U", 0),
    ("the other end, labelled there", NOT, {"on": "201 B", "label": "B"}, False, "UCR", 2),
    ("only attended, labelled", Limits(couple="attended"), {"label": "A"}, False, "UCR", 2),
    ("to stand, labelled", Limits(move="stand"), {"label": "A"}, False, "UC", 2),
    ("coupled now, not to couple", NOT, {"label": "A"}, True, "UR", 2),
    ("coupled now, to stand and not to couple", Limits(couple="not", move="stand"), {"label": "A"}, True, "U", 0),
]


@pytest.mark.parametrize(
    ("what", "limits", "how", "coupled", "left", "category"), READINGS, ids=[r[0] for r in READINGS]
)
def test_the_deadline_reading(cast, fault, restrict, couple, now, what, limits, how, coupled, left, category):
    finding = fault()
    if coupled:
        couple("201 A", now)
    if limits:
        restrict(limits, **how)
    on = delegation.terms(finding, now + HOUR)
    assert ("".join(on.situations), on.category) == (left, category)


def test_a_label_taken_down_or_a_restriction_lifted_is_read_no_more(cast, fault, restrict, now):
    finding, row = fault(), restrict(label="A")
    assert delegation.terms(finding, now).category == 0
    labels.take_down(Label.objects.get(), by=cast.fitter, now=now + HOUR)
    assert delegation.terms(finding, now + HOUR).category == 2
    assert delegation.terms(finding, now).category == 0, "as it was"
    Label.objects.update(off=None, off_by=None)
    workflow.lift(row, by=cast.controller, now=now + HOUR, why="x")
    assert delegation.terms(finding, now + HOUR).category == 2


def test_a_fault_without_a_grade_or_a_unit_is_never_left(cast, fault, now):
    stranger, bare = fault(unit="471"), fault()
    Finding.objects.filter(pk=bare.pk).update(current_grade=None)
    restricted_end = "The unit is not on the list yet: say which unit it is first."
    assert delegation.terms(stranger, now).why_not == restricted_end
    assert "nobody may leave it" in delegation.terms(fresh(bare), now).why_not


# --- who may leave it, and how long --------------------------------------------------------------------------------
HOSE = {"part": "hoses", "symptom": "hose-rubbed"}
RELEASE = {"part": "handle", "symptom": "release-dead"}
LOCK = {"part": "hook", "symptom": "hook-marks", "situation": "C"}
ROWS = [
    # category by the reading, fault, restricted and labelled, the longest, an engineer must agree
    (0, {}, True, 90 * DAY, False),
    (1, RELEASE, False, 7 * DAY, False),
    (2, HOSE, True, DAY, True),
]


@pytest.mark.parametrize(("category", "what", "labelled", "longest", "engineer"), ROWS, ids=["N", "T", "U"])
def test_every_row_of_the_delegation(cast, fault, restrict, now, category, what, labelled, longest, engineer):
    finding = fault(**what)
    if labelled:
        restrict(label="A")
    on = delegation.terms(finding, now)
    assert (on.category, on.latest, on.engineer, on.refusal) == (category, now + longest, engineer, "")
    for wrong, sentence in ((on.latest + timedelta(minutes=1), "The longest it may be left is until"),
                            (now, "Choose a time that is still to come")):  # fmt: skip
        with pytest.raises(Refused, match=sentence):
            leave(cast, finding, now, wrong)
    assert not Deferral.objects.exists()
    row = leave(cast, finding, now, on.latest)
    assert (row.category, row.agreed is None, row.events) == (category, engineer, sorted(on.events))
    assert Deferral.objects.last(now).exists() is not engineer
    if engineer:
        row = deferring.agree(row, version=fresh(finding).version, by=cast.engineer, now=now + HOUR)
        assert (row.agreed, row.agreed_by) == (now + HOUR, cast.engineer)
    kinds = LogEntry.objects.filter(subject=f"finding:{finding.ref}").values_list("kind", flat=True)
    assert list(kinds)[-1] == ("deferral agreed" if engineer else "deferred")


def test_nobody_may_leave_what_is_intolerable(cast, fault, restrict, now):
    finding = fault(**LOCK)
    restrict(Limits(couple="not"), label="A")
    on = delegation.terms(finding, now)
    assert on.why_not.startswith("It may be a fault that is never left (Lock not fully home")
    Label.objects.update(off=now, off_by=cast.fitter)
    on = delegation.terms(finding, now)
    assert on.why_not.startswith(
        "It is intolerable in a situation that is left: nobody may leave it. Nobody may leave"
    )
    with pytest.raises(Refused, match="nobody may leave it"):
        leave(cast, finding, now, now + HOUR)


@pytest.mark.parametrize(
    ("restricted", "label", "missing"),
    [
        (False, "", ("restriction", "label")),
        (True, "", ("label",)),
        (True, "B", ("label",)),
        (True, "A", ()),
        (True, "cabs", ()),
    ],
)
def test_what_is_missing_first(cast, fault, restrict, now, restricted, label, missing):
    finding = fault(**HOSE)
    if restricted:
        restrict(Limits(rescue="no"), label=label)
    assert delegation.terms(finding, now).missing == missing
    if missing:
        with pytest.raises(Refused, match=delegation.MISSING[missing[-1]]):
            leave(cast, finding, now, now + HOUR)


@pytest.mark.parametrize(("why", "sentence"), [(" ", "Say why it can wait"), ("", "Say why it can wait")])
def test_a_reason_is_needed(cast, fault, now, why, sentence):
    finding = fault(**RELEASE)
    with pytest.raises(Refused, match=sentence):
        deferring.defer(finding, version=2, by=cast.controller, now=now, until=now + HOUR, why=why)


def test_a_frost_item_may_wait_a_day_while_it_is_frost(cast, railway, fault, couple, now):
    couple("201 A", now - HOUR, place="SAL", parted=now - HOUR)
    finding = fault(part="hood", symptom="heater-cold")
    assert expiry.FIRST_FROST in delegation.terms(finding, now).events
    Finding.objects.update(first_seen=now)
    WeatherAlert.objects.create(place=railway.places["SAL"], weather="frost", since=now)
    workflow.restrict(end=finding.end, unit=None, limits=NOT, why="x", by=cast.controller, now=now)
    labels.hang(number="1", end=finding.end, unit=None, shows="x", restriction=Restriction.objects.get(),
                by=cast.fitter, now=now)  # fmt: skip
    on = delegation.terms(finding, now)
    assert (on.category, on.frost, on.latest) == (1, True, now + DAY)
    assert expiry.FIRST_FROST not in on.events
    row = leave(cast, finding, now, now + DAY)
    assert not expiry.ran_out(now + 23 * HOUR)
    assert [over.why for over in expiry.ran_out(row.until)] == ["its time is past"]


def test_it_is_deferred_once_at_a_time(cast, fault, now):
    finding = fault(**RELEASE)
    leave(cast, finding, now, now + DAY)
    with pytest.raises(Refused, match="It is deferred already"):
        leave(cast, finding, now, now + DAY)


def test_given_again_it_runs_no_longer_than_from_the_first_time(cast, fault, now):
    finding = fault(**RELEASE)
    row = leave(cast, finding, now, now + DAY)
    deferring.recall(row, version=fresh(finding).version, by=cast.controller, now=now + HOUR, why="a slot came free")
    assert delegation.terms(fresh(finding), now + 6 * DAY).latest == now + 7 * DAY
    with pytest.raises(Refused, match="The longest it may be left is until"):
        leave(cast, finding, now + 6 * DAY, now + 8 * DAY)
    leave(cast, finding, now + 6 * DAY, now + 7 * DAY)
    Deferral.objects.update(ended=now + 6 * DAY, ended_by=cast.controller)
    with pytest.raises(Refused, match="as long as the rules allow"):
        leave(cast, finding, now + 8 * DAY, now + 9 * DAY)


# --- the engineer --------------------------------------------------------------------------------------------------
@pytest.fixture
def waiting(cast, fault, restrict, now):
    """A split hose, restricted and labelled, that waits for the engineer."""
    finding = fault(**HOSE)
    restrict(label="A")
    return leave(cast, finding, now, now + 12 * HOUR)


def test_nobody_agrees_to_what_they_gave(cast, waiting, now):
    cast.controller.groups.add(Group.objects.get(name="engineer"))
    both = User.objects.get(pk=cast.controller.pk)
    with pytest.raises(Refused, match="somebody else must agree"):
        deferring.agree(waiting, version=fresh(waiting.finding).version, by=both, now=now)


def test_nobody_agrees_on_terms_that_are_gone(cast, waiting, couple, report, now):
    finding = waiting.finding
    agree = {"by": cast.engineer, "now": now + HOUR}
    Label.objects.update(off=now, off_by=cast.fitter)
    with pytest.raises(Refused, match="shown by a label"):
        deferring.agree(waiting, version=fresh(finding).version, **agree)
    Label.objects.update(off=None, off_by=None)
    workflow.raise_category(
        finding, version=fresh(finding).version, by=cast.controller, now=now, to=3, why="bursting"
    )
    with pytest.raises(Refused, match="nobody may leave it"):
        deferring.agree(waiting, version=fresh(finding).version, **agree)
    assert Deferral.objects.get().agreed is None


def test_nobody_agrees_to_what_would_end_at_once(cast, waiting, couple, now):
    Deferral.objects.update(events=["next-coupling"])
    couple("201 A", now + timedelta(minutes=30), parted=now + timedelta(minutes=40))
    row, version = Deferral.objects.get(), fresh(waiting.finding).version
    left = deferring.all_left(now + HOUR)[0]
    assert (left.state, left.why) == ("waiting for the engineer", "it was coupled")
    with pytest.raises(Refused, match="It would end at once: it was coupled"):
        deferring.agree(row, version=version, by=cast.engineer, now=now + HOUR)
    with pytest.raises(Refused, match="or its time is past"):
        deferring.agree(row, version=version, by=cast.engineer, now=now + DAY)


def test_extensions_are_counted(cast, fault, now):
    finding = fault(**RELEASE)
    row = leave(cast, finding, now, now + 7 * DAY)
    late = now + 6 * DAY
    extended = deferring.extend(
        row, version=fresh(finding).version, by=cast.engineer, now=late, until=late + 7 * DAY, why="part is late"
    )
    assert [(left.row, left.extensions, left.state) for left in deferring.all_left(late)] == [
        (extended, 1, "running")
    ]
    assert not expiry.ran_out(now + 8 * DAY)
    with pytest.raises(Refused, match="It was extended once, as often as the rules allow"):
        deferring.extend(
            extended, version=fresh(finding).version, by=cast.engineer, now=late, until=late + DAY, why="again"
        )
    with pytest.raises(Refused, match="no longer counts"):
        deferring.extend(row, version=fresh(finding).version, by=cast.engineer, now=late, until=late + DAY, why="x")
    assert Deferral.objects.count() == 2


def test_what_has_run_out_may_be_extended_but_not_ended(cast, fault, now):
    finding = fault(**RELEASE)
    row = leave(cast, finding, now, now + DAY)
    after = now + 2 * DAY
    with pytest.raises(Refused, match="It has run out already, and limits the unit"):
        deferring.recall(row, version=fresh(finding).version, by=cast.controller, now=after, why="never mind")
    assert of_end(finding, after).situations["C"].limits.couple == "not"
    deferring.extend(row, version=fresh(finding).version, by=cast.engineer, now=after, until=after + DAY, why="late")
    assert of_end(finding, after).situations["C"].limits.couple == "normal"


def test_worse_than_it_was_given_for_is_said(cast, fault, now):
    finding = fault(**RELEASE)
    leave(cast, finding, now, now + DAY)
    assert deferring.all_left(now)[0].worse == ""
    workflow.raise_category(finding, version=fresh(finding).version, by=cast.controller, now=now, to=2, why="stuck")
    assert deferring.all_left(now)[0].worse == "It is undesirable now, in a situation that is left"


def test_the_deferral_of_a_merged_report_goes_on(cast, fault, now):
    first, second = fault(**RELEASE), fault(**RELEASE)
    row = leave(cast, first, now, now + HOUR)
    workflow.merge(first, into=second, version=fresh(first).version, by=cast.controller, now=now)
    row.refresh_from_db()
    assert row.finding == second
    assert [over.deferral for over in expiry.ran_out(now + 2 * HOUR)] == [row]
    assert of_end(second, now + 2 * HOUR).situations["C"].limits.couple == "not"


# --- what ends it --------------------------------------------------------------------------------------------------
def test_time_ends_it_and_the_standing_changes_with_nothing_written(cast, fault, now):
    finding = fault(**RELEASE)
    row = leave(cast, finding, now, now + 5 * HOUR)
    before = rows()
    second = timedelta(seconds=1)
    held, over = of_end(finding, row.until - second), of_end(finding, row.until)
    assert held.situations["C"].limits == Limits(uncouple="attended")
    assert over.situations["C"].limits == Limits(couple="not", uncouple="attended")
    assert over.situations["R"].limits == Limits(move="to end of trip", uncouple="attended")
    source = next(source for source in over.situations["C"].sources if source.kind == "deferral")
    assert (source.name, source.row) == (finding.ref, row.pk)
    assert [(one.at, one.why) for one in expiry.ran_out(row.until)] == [(row.until, "its time is past")]
    assert expiry.ran_out(row.until - second) == []
    assert rows() == before


EVENTS = [
    ("next-coupling", "coupled", "it was coupled"),
    ("ten-couplings", "coupled ten times", "it was coupled ten times"),
    ("first-frost", "frost alerted where it is", "frost came"),
    ("first-frost", "frost seen by a report", "frost came"),
    ("next-wash", "washed", "it was washed"),
]
NOTHINGS = [
    ("next-coupling", "the other end coupled"),
    ("ten-couplings", "coupled nine times"),
    ("first-frost", "frost alerted elsewhere"),
    ("first-frost", "rain alerted where it is"),
    ("next-wash", "another unit washed"),
]


@pytest.fixture
def happen(cast, railway, report, couple, now):
    """Make something happen an hour after the fault was left; the unit is known to be at Saltmarsh from half past."""

    def make(what):
        at, there = now + HOUR, now + HOUR / 2
        if "frost" in what or "rain" in what:
            couple("201 B", there, place="SAL", parted=there)
        place = railway.places["THO" if "elsewhere" in what else "SAL"]
        if "alerted" in what:
            WeatherAlert.objects.create(place=place, weather="wet" if "rain" in what else "frost", since=at)
        elif "report" in what:
            report(cast.driver, seen=at.isoformat(), received=at, weather="frost", part="hook", symptom="hook-dry")
        elif "washed" in what:
            unit = railway.units["202" if "another" in what else "201"]
            FleetEvent.objects.create(unit=unit, kind="wash", since=at)
        else:
            times = {"coupled ten times": 10, "coupled nine times": 9}.get(what, 1)
            end = "201 B" if "other end" in what else "201 A"
            for n in range(times):
                when = at + n * timedelta(minutes=1)
                couple(end, when, parted=when)

    return make


@pytest.mark.parametrize(("event", "what", "why"), EVENTS, ids=[row[1] for row in EVENTS])
def test_each_event_ends_it(cast, fault, happen, now, event, what, why):
    finding = fault(**RELEASE)
    leave(cast, finding, now, now + 5 * DAY, events=[event])
    assert expiry.ran_out(now + DAY) == []
    happen(what)
    over = expiry.ran_out(now + DAY)
    assert [one.why for one in over] == [why]
    assert now + HOUR <= over[0].at < now + HOUR + timedelta(minutes=10)
    assert expiry.ran_out(over[0].at - timedelta(seconds=1)) == []
    assert of_end(finding, now + DAY).situations["U"].limits.couple == "not"


@pytest.mark.parametrize(("event", "what"), NOTHINGS, ids=[row[1] for row in NOTHINGS])
def test_nothing_else_ends_it(cast, fault, happen, now, event, what):
    leave(cast, fault(**RELEASE), now, now + 5 * DAY, events=[event])
    happen(what)
    assert expiry.ran_out(now + DAY) == []


def test_a_coupling_that_arrives_late_ends_one(cast, fault, couple, now):
    finding = fault()
    Deferral.objects.create(
        finding=finding, category=0, why="x", by=cast.controller, agreed=now, agreed_by=cast.controller, since=now,
        until=now + 5 * DAY, events=["next-coupling"],
    )  # fmt: skip
    asked = now + 2 * DAY
    assert deferring.all_left(asked)[0].state == "running"
    assert of_end(finding, asked).situations["R"].limits.move == "normal"
    before = rows()
    couple("201 A", now + HOUR, parted=now + 2 * HOUR, received=asked)
    left = deferring.all_left(asked)[0]
    assert (left.state, left.at, left.why) == ("run out", now + HOUR, "it was coupled")
    assert of_end(finding, asked).situations["R"].limits.move == "to end of trip"
    assert rows() == before


def test_a_coupling_before_it_was_left_does_not_count(cast, fault, couple, now):
    couple("201 A", now, parted=now)
    leave(cast, fault(**RELEASE), now, now + 5 * DAY, events=["next-coupling"])
    assert expiry.ran_out(now + DAY) == []
    couple("201 A", now + HOUR, parted=now + HOUR)
    assert [one.at for one in expiry.ran_out(now + DAY)] == [now + HOUR]


def test_an_exchanged_vehicle_takes_its_events_along(cast, railway, fault, couple, now):
    finding = fault(**RELEASE)
    leave(cast, finding, now, now + 5 * DAY, events=["next-coupling", "next-wash"])
    end = railway.ends["201 A"]
    railway.ends["202 A"].unit, railway.ends["202 A"].letter = None, ""
    railway.ends["202 A"].save()
    end.unit, end.letter = railway.units["202"], "A"
    end.save()
    FleetEvent.objects.create(unit=railway.units["201"], kind="wash", since=now + HOUR)
    assert expiry.ran_out(now + DAY) == []
    couple("201 A", now + 2 * HOUR, parted=now + 2 * HOUR)
    assert [one.why for one in expiry.ran_out(now + DAY)] == ["it was coupled"]


def test_an_event_nobody_can_watch_ends_it_at_once(cast, fault, now):
    finding = fault(**RELEASE)
    row = leave(cast, finding, now, now + DAY)
    Deferral.objects.filter(pk=row.pk).update(events=["full moon"])
    assert [one.why for one in expiry.ran_out(now)] == ["nobody can tell when “full moon” happens"]


def test_a_closed_fault_is_left_no_more(cast, fault, now):
    finding = fault(**RELEASE)
    leave(cast, finding, now, now + HOUR)
    Finding.objects.update(state="closed", closed=now + HOUR)
    assert expiry.ran_out(now + DAY) == []
    assert deferring.all_left(now + DAY) == []


# --- the clocks ----------------------------------------------------------------------------------------------------
def form(cast, finding, now, **posted):
    on = delegation.terms(finding, now)
    data = {"version": finding.version, "why": "x", **posted}
    return DeferForm(data, finding=finding, now=now, terms=on, expiry_events={})


AUTUMN = datetime(2026, 10, 24, 18, 0, tzinfo=UTC)
SPRING = datetime(2027, 3, 27, 18, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("which", "until"),
    [("first", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)), ("second", datetime(2026, 10, 25, 1, 30, tzinfo=UTC))],
)
def test_it_runs_out_in_either_hour_that_comes_twice(cast, report, which, until):
    finding = Finding.objects.get(ref=report(cast.driver, received=AUTUMN, **RELEASE).refs[0])
    workflow.look(finding, version=1, by=cast.controller, now=AUTUMN)
    finding = fresh(finding)
    asked = form(cast, finding, AUTUMN, until="2026-10-25T01:30", which=which)
    assert asked.is_valid(), asked.errors
    assert asked.cleaned_data["until"] == until
    row = leave(cast, finding, AUTUMN, asked.cleaned_data["until"])
    minute = timedelta(minutes=1)
    for at in (until - HOUR, until - minute):
        assert expiry.ran_out(at) == []
        assert of_end(finding, at).situations["C"].limits.couple == "normal"
    for at in (until, until + HOUR):
        assert [one.deferral for one in expiry.ran_out(at)] == [row]
        assert of_end(finding, at).situations["C"].limits.couple == "not"


def test_the_hour_that_comes_twice_is_asked_about(cast, report):
    finding = Finding.objects.get(ref=report(cast.driver, received=AUTUMN, **RELEASE).refs[0])
    asked = form(cast, finding, AUTUMN, until="2026-10-25T01:30")
    assert asked.errors == {"which": ["Choose which of the two"]}
    assert asked.fields["which"].label == "01:30 comes twice on 25 October, when the clocks go back. Which is it?"
    assert [label for _, label in asked.fields["which"].choices] == [
        "The first, 01:30 BST", "The second, 01:30 GMT, an hour later"]  # fmt: skip
    for plain in ("2026-10-25T00:59", "2026-10-25T02:00"):
        assert "which" not in form(cast, finding, AUTUMN, until=plain).fields
    for edge in ("2026-10-25T01:00", "2026-10-25T01:59"):
        assert "which" in form(cast, finding, AUTUMN, until=edge).fields


@pytest.mark.parametrize("typed", ["2027-03-28T01:30", "2027-03-28T01:00", "28/03/2027 01:59"])
def test_the_hour_that_never_comes_is_refused_in_words(cast, report, typed):
    finding = Finding.objects.get(ref=report(cast.driver, received=SPRING, **RELEASE).refs[0])
    asked = form(cast, finding, SPRING, until=typed)
    sentence = f"{typed[-5:]} does not come on 28 March: the clocks go forward over it. Choose another time"
    assert asked.errors == {"until": [sentence]}
    kept = form(cast, finding, SPRING, until="2027-03-28T02:00")
    assert kept.is_valid()
    assert kept.cleaned_data["until"] == datetime(2027, 3, 28, 1, 0, tzinfo=UTC)


@pytest.mark.parametrize("typed", ["0001-01-01T00:00", "9999-12-31T23:59", "soon", "2026-13-01T10:00"])
def test_a_time_that_is_none_is_said(cast, report, typed):
    finding = Finding.objects.get(ref=report(cast.driver, received=AUTUMN, **RELEASE).refs[0])
    assert form(cast, finding, AUTUMN, until=typed).errors == {
        "until": ["Enter a date and time, like 24/11/2026 05:50"]
    }


# --- many ----------------------------------------------------------------------------------------------------------
def test_as_many_queries_for_one_as_for_thirty(cast, railway, fault, restrict, now, django_assert_num_queries):
    for n in range(30):
        finding = fault(unit=["201", "202", "301", "401"][n % 4], end="AB"[n % 2], **RELEASE)
        Deferral.objects.create(
            finding=finding, category=1, why="x", by=cast.controller, agreed=now, agreed_by=cast.controller,
            since=now, until=now + HOUR, events=["next-coupling", "first-frost", "next-wash"],
        )  # fmt: skip
    restrict(label="A")
    with django_assert_num_queries(10):
        assert len(deferring.all_left(now + DAY)) == 30
    Deferral.objects.exclude(pk=Deferral.objects.first().pk).update(ended=now, ended_by=cast.controller)
    with django_assert_num_queries(10):
        assert len(deferring.all_left(now + DAY)) == 1
    assert GradeCell.objects.count() > 200
