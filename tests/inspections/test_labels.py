"""Labels and isolations: put on once, taken off once, logged; what each brings."""

from datetime import timedelta
from threading import Barrier, Thread

import pytest
from django.db import connections

from inspections import in_force, labels, log, standing, workflow
from inspections.models import Isolation, Label, LogEntry, Restriction
from inspections.permissions import Refused
from inspections.rules.limits import Limits

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


@pytest.fixture
def act(cast, now):
    return {"by": cast.fitter, "now": now}


@pytest.fixture
def restriction(cast, railway, now):
    """The A end of 201 is not to couple."""
    return workflow.restrict(
        end=railway.ends["201 A"], unit=None, limits=Limits(couple="not"), why="x", by=cast.controller, now=now
    )


@pytest.fixture
def at_a(railway):
    return {"end": railway.ends["201 A"], "unit": None}


def test_a_label_hangs_until_it_is_taken_down_and_its_restriction_stays(cast, restriction, at_a, act, now):
    label = labels.hang(number=" b12 ", shows=" Do not couple ", restriction=restriction, **at_a, **act)
    assert (label.number, label.shows, label.by) == ("B12", "Do not couple", cast.fitter)
    assert list(Label.objects.in_force(now)) == [label]
    down = labels.take_down(label, by=cast.controller, now=now + HOUR)
    assert (down.off, down.off_by) == (now + HOUR, cast.controller)
    assert list(Label.objects.in_force(now + HOUR)) == []
    assert list(Restriction.objects.in_force(now + HOUR)) == [restriction]
    entries = LogEntry.objects.filter(subject="unit:201", kind__startswith="label")
    assert [(entry.kind, entry.data["label"], entry.actor) for entry in entries] == [
        ("label fitted", "B12", cast.fitter), ("label removed", "B12", cast.controller)]  # fmt: skip


PLACES = [
    # the restriction is on, the label hangs at, it shows it there
    ("201 A", "201 A", True),
    ("201 A", "201", True),
    ("201 A", "201 B", False),
    ("201 A", "202", False),
    ("201", "201", True),
    ("201", "201 B", True),
    ("201", "202 A", False),
]


@pytest.mark.parametrize(("on", "hangs", "shows"), PLACES)
def test_a_label_hangs_where_its_restriction_is(cast, railway, act, now, on, hangs, shows):
    def place(name):
        end = railway.ends.get(name)
        return {"end": end, "unit": None if end else railway.units[name]}

    row = workflow.restrict(**place(on), limits=Limits(couple="not"), why="x", by=cast.controller, now=now)
    if shows:
        assert labels.hang(number="1", shows="x", restriction=row, **place(hangs), **act).restriction == row
    else:
        with pytest.raises(Refused, match="A label hangs at the end that its restriction is on"):
            labels.hang(number="1", shows="x", restriction=row, **place(hangs), **act)
        assert not Label.objects.exists()


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"number": "  "}, "Enter the number printed on the label"),
        ({"shows": ""}, "Say what the label shows"),
        ({"by": "driver"}, "Your role may not record labels"),
    ],
)
def test_what_is_no_label_is_refused(cast, at_a, act, change, sentence):
    said = {"number": "1", "shows": "x", "restriction": None, **at_a, **act, **change}
    said["by"] = getattr(cast, change["by"]) if "by" in change else said["by"]
    with pytest.raises(Refused, match=sentence):
        labels.hang(**said)
    assert not Label.objects.exists()


def test_the_label_of_a_lifted_restriction_is_refused(cast, restriction, at_a, act, now):
    workflow.lift(restriction, by=cast.controller, now=now, why="x")
    with pytest.raises(Refused, match="That restriction was lifted"):
        labels.hang(number="1", shows="x", restriction=restriction, **at_a, **act)


def test_a_number_hangs_once_and_pressing_twice_hangs_once(cast, railway, at_a, act, now):
    first = labels.hang(number="7", shows="x", restriction=None, **at_a, **act)
    assert labels.hang(number="7", shows="x", restriction=None, **at_a, **act) == first
    with pytest.raises(Refused, match="Label 7 hangs on 201 A already. Check the number."):
        labels.hang(number="7", shows="x", restriction=None, end=None, unit=railway.units["202"], **act)
    assert LogEntry.objects.filter(kind="label fitted").count() == 1
    labels.take_down(first, **act)
    again = labels.hang(number="7", shows="x", restriction=None, end=None, unit=railway.units["202"], **act)
    assert again.unit == railway.units["202"]


def test_of_two_who_take_it_down_one_is_told(cast, at_a, act, now):
    label = labels.hang(number="7", shows="x", restriction=None, **at_a, **act)
    labels.take_down(label, by=cast.fitter, now=now)
    with pytest.raises(Refused, match="Somebody recorded that already"):
        labels.take_down(label, by=cast.controller, now=now)
    assert LogEntry.objects.filter(kind="label removed").count() == 1


KINDS = [
    ("mrp-cock", Limits(couple="attended")),
    ("bp-cock", Limits(couple="not", rescue="no")),
    ("remote-release", Limits(uncouple="attended")),
    ("electric-head", Limits()),
]


@pytest.mark.parametrize(("kind", "brings"), KINDS)
def test_an_isolation_brings_the_limits_of_its_kind(cast, railway, at_a, act, now, kind, brings):
    row = labels.isolate(kind=kind, where="Under the cab", key="12, Fitter 1", **at_a, **act)
    for end, limits in (("201 A", brings), ("201 B", Limits())):
        known = standing.of_ends([railway.ends[end]], now)[railway.ends[end].pk]
        assert {known.situations[s].limits for s in "UCR"} == {limits}
    labels.restore(row, by=cast.controller, now=now + HOUR)
    assert standing.of_ends([at_a["end"]], now + HOUR)[at_a["end"].pk].situations["C"].limits == Limits()


def test_an_isolation_of_the_whole_unit_is_on_both_ends(railway, act, now):
    labels.isolate(kind="bp-cock", where="Cab", key="", end=None, unit=railway.units["201"], **act)
    stated = standing.of_units([railway.units["201"]], now)[railway.units["201"].pk]
    assert {end.situations["C"].limits.rescue for end in stated.ends} == {"no"}


ASKED = "Remote release to be isolated, labelled, written down."
# What was isolated where, and at which ends of 201 the restriction on the whole unit asks for it still.
ASKS = [
    ([], {"A", "B"}),
    ([("electric-head", "unit")], {"A", "B"}),
    ([("remote-release", "202")], {"A", "B"}),
    ([("remote-release", "A")], {"B"}),
    ([("remote-release", "A"), ("remote-release", "B")], set()),
    ([("remote-release", "unit")], set()),
]


@pytest.mark.parametrize(("isolated", "left"), ASKS)
def test_what_is_isolated_is_not_asked_for_any_more(cast, railway, act, now, isolated, left):
    unit = railway.units["201"]
    limits = Limits(isolations=frozenset({"remote-release"}), speed=40)
    row = workflow.restrict(end=None, unit=unit, limits=limits, why="x", by=cast.controller, now=now)
    for kind, where in isolated:
        end = railway.ends.get(f"201 {where}")
        on = None if end else railway.units.get(where, unit)
        labels.isolate(kind=kind, where="Cab", key="", end=end, unit=on, **act)
    known = standing.of_units([unit], now)[unit.pk]
    for end in known.ends:
        for at in end.situations.values():
            assert (ASKED in at.words) == (end.end.letter in left)
            of_control = next(source for source in at.sources if source.kind == "restriction")
            assert (ASKED in of_control.words) == (end.end.letter in left)
            assert "Not faster than 40 km/h." in at.words
    assert (ASKED in known.words) == bool(left)
    item = in_force.on_unit(unit, cast.controller, now).only(["restriction"])[0]
    assert item.row == row.pk
    assert ("What it asks to be isolated is isolated" in item.notes) == (not left)
    # it tightens as before: nothing but the asking is gone
    assert "remote-release" in known.ends[0].current.limits.isolations


def test_what_is_isolated_no_more_is_asked_for_again(cast, at_a, act, now):
    workflow.restrict(
        **at_a, limits=Limits(isolations=frozenset({"remote-release"})), why="x", **act | {"by": cast.controller}
    )
    row = labels.isolate(kind="remote-release", where="Cab", key="", **at_a, **act)
    labels.restore(row, **act)
    assert ASKED in standing.of_ends([at_a["end"]], now)[at_a["end"].pk].current.words


def test_both_pipes_shut_makes_it_stand(cast, railway, at_a, act, now):
    for kind in ("mrp-cock", "bp-cock"):
        labels.isolate(kind=kind, where="Cab", key="", **at_a, **act)
    known = standing.of_ends([at_a["end"]], now)[at_a["end"].pk]
    assert {known.situations[s].limits.move for s in "UCR"} == {"stand"}
    why = "With both pipes shut no brake works through this end: stand, ask the engineer."
    assert why in [source.name for source in known.current.sources]
    group = in_force.on_unit(railway.units["201"], cast.driver, now)
    assert "Stand: not to move until control and the rule book allow it." in group.only(["isolation"])[1].stops
    labels.restore(Isolation.objects.first(), **act)
    known = standing.of_ends([at_a["end"]], now)[at_a["end"].pk]
    assert known.current.limits.move == "normal"


def test_pressing_twice_isolates_once_and_the_log_says_why(cast, at_a, act, report, now):
    finding = labels.Finding.objects.get(ref=report(cast.driver).refs[0])
    said = {"kind": "mrp-cock", "where": "Cab", "key": "", "finding": finding, **at_a, **act}
    assert labels.isolate(**said) == labels.isolate(**said)
    assert labels.isolate(**{**said, "where": "Other cab"}) != Isolation.objects.first()
    assert [entry.data["finding"] for entry in LogEntry.objects.filter(kind="isolated")] == [finding.ref] * 2


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"kind": "window"}, "Choose what was isolated"),
        ({"where": " "}, "Say where it was isolated"),
        ({"by": "driver"}, "Your role may not record labels or isolations"),
    ],
)
def test_what_is_no_isolation_is_refused(cast, at_a, act, change, sentence):
    said = {"kind": "mrp-cock", "where": "Cab", "key": "", **at_a, **act, **change}
    said["by"] = getattr(cast, change["by"]) if "by" in change else said["by"]
    with pytest.raises(Refused, match=sentence):
        labels.isolate(**said)
    assert not Isolation.objects.exists()


def test_on_a_vehicle_in_no_unit_the_log_names_the_vehicle(cast, railway, restriction, at_a, act, now):
    end = at_a["end"]
    end.unit, end.letter = None, ""
    end.save()
    restriction = Restriction.objects.get()
    label = labels.hang(number="7", shows="x", restriction=restriction, **at_a, **act)
    labels.take_down(label, **act)
    workflow.lift(restriction, by=cast.controller, now=now, why="x")
    kinds = LogEntry.objects.filter(subject="vehicle:201A").values_list("kind", flat=True)
    assert list(kinds) == ["label fitted", "label removed", "restriction lifted"]


def test_twenty_at_once_hang_one_label(transactional_db, cast, railway, now):
    start, made = Barrier(20), []
    place = {"end": railway.ends["201 A"], "unit": None, "restriction": None, "shows": "x", "now": now}

    def hang(n):
        start.wait()
        try:
            made.append(labels.hang(number="7", by=[cast.fitter, cast.controller][n % 2], **place).by_id)
        except Refused:
            made.append("refused")
        finally:
            connections.close_all()

    threads = [Thread(target=hang, args=(n,)) for n in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert Label.objects.count() == 1
    # Those of the person who hung it are the same label; the other person's presses are refused.
    assert made.count("refused") == 10
    assert set(made) - {"refused"} == {Label.objects.get().by_id}
    assert LogEntry.objects.filter(kind="label fitted").count() == 1
    assert log.first_break() is None
