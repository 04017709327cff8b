"""The invented railway: sizes, and what no real railway could do either."""

from collections import Counter, defaultdict
from datetime import UTC, datetime
from itertools import pairwise

import pytest

from fleet import fortunes, railway

NOW = datetime(2026, 11, 24, 6, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def full():
    return railway.build(units=42, years=3, now=NOW, seed=1)


def test_size_of_the_scenario(full):
    assert Counter(unit.type.code for unit in full.units) == {"2V": 18, "3V": 16, "3N": 8}
    assert [unit.number for unit in full.units][:2] == ["201", "202"]
    assert {"218", "331", "408"} <= {unit.number for unit in full.units}, "316 still has its old number"
    assert len(full.locomotives) == 2
    assert len(full.ends) == 84 + 2
    assert len(full.couplers) == 96
    assert sum(fitment.removed is None for fitment in full.fitments) == 84
    assert 50 <= sum(fitment.removed is not None for fitment in full.fitments) <= 60
    assert 44_000 <= len(full.couplings) <= 46_000


def test_places_of_the_scenario(full):
    assert full.places["THO"].curve_radius_m == 160
    assert [code for code, place in full.places.items() if place.remote] == ["THO", "SAL"]
    assert {c.place.code for c in full.couplings} == set(full.places)


def test_fitments_never_overlap(full):
    for key in ("end_id", "coupler_id"):
        by = defaultdict(list)
        for fitment in full.fitments:
            by[getattr(fitment, key)].append(fitment)
        for fitments in by.values():
            fitments.sort(key=lambda f: f.fitted)
            for before, after in pairwise(fitments):
                assert before.removed is not None
                assert before.removed <= after.fitted


def test_pattern_of_a_coupler_fits_its_end(full):
    assert all(f.coupler.pattern_id == f.end.pattern_id for f in full.fitments)


@pytest.fixture(scope="module")
def unit_of(full):
    """The unit (id) an end was in on the day of a coupling."""
    days = {}

    def unit(side):
        day = side.at.astimezone(railway.LOCAL).date()
        if day not in days:
            running = full.fortunes.ends_on(day)
            days[day] = {end.pk: unit.pk for unit, ends in running.items() for end in ends}
        return days[day][side.end_id]

    return unit


def test_a_coupling_joins_two_units(full, unit_of):
    sides = defaultdict(list)
    for side in full.sides:
        sides[side.coupling_id].append(side)
    assert len(sides) == len(full.couplings)
    for two in sides.values():
        assert len({unit_of(side) for side in two}) == 2
        assert {side.at for side in two} == {two[0].coupling.at}


def test_driving_vehicles_are_exchanged_and_a_unit_is_renumbered():
    built = railway.build(units=42, years=1, now=NOW, seed=1)
    renumbered, exchanged = built.changes
    assert (renumbered.at, exchanged.at) < (exchanged.at, NOW)
    for change in built.changes:
        built.change(change)
    assert {unit.number for unit in built.units} >= {"316", "217", "218"}
    vehicles = {str(end): end.vehicle for end in built.ends}
    assert (vehicles["217 A"], vehicles["217 B"]) == ("21701", "21802")
    assert (vehicles["218 A"], vehicles["218 B"]) == ("21801", "21702")
    assert built.by_letter[exchanged.ends[0].unit_id]["B"] is exchanged.ends[0]


def test_one_unit_is_hired_and_one_was_stored(full):
    hired = next(unit for unit in full.units if unit.status == "hired")
    stored = next(event for event in full.events if event.kind == "stored")
    ran = defaultdict(list)
    for side in full.sides:
        ran[side.end.unit_id].append(side.at)
    assert (NOW - ran[hired.pk][0]).days in (fortunes.HIRED, fortunes.HIRED - 1)
    gaps = [(after - before, before) for before, after in pairwise(ran[stored.unit_id])]
    longest, since = max(gaps)
    assert 115 < longest.days < 125
    assert abs((stored.since - since).days) < 2


def test_gauges_of_both_depots_one_overdue(full):
    assert len(full.gauges) == 12
    assert {gauge.depot.code for gauge in full.gauges} == set(railway.DEPOTS)
    assert sum(gauge.overdue(NOW.date()) for gauge in full.gauges) == 1


def test_a_coupler_is_carried_over():
    plan = railway.Traffic(carried_over=("P-0147", "207 A", "312 B"))
    built, _ = railway.plan(units=42, years=3, now=NOW, seed=1, traffic=plan)
    one, other = sorted((f for f in built.fitments if f.coupler.serial == "P-0147"), key=lambda f: f.fitted)
    assert (str(one.end), str(other.end)) == ("207 A", "312 B")
    assert abs((NOW - one.removed).days - 547) <= 1
    assert other.removed is None
    assert len({coupler.serial for coupler in built.couplers}) == 96


def test_no_end_is_in_two_couplings_at_once(full):
    by_end = defaultdict(list)
    for side in full.sides:
        by_end[side.end_id].append(side.coupling)
    for couplings in by_end.values():
        for before, after in pairwise(couplings):
            assert before.parted is not None
            assert before.parted <= after.at


def test_no_unit_is_joined_by_both_ends_while_it_runs(full, unit_of):
    by_unit = defaultdict(list)
    for side in full.sides:
        by_unit[unit_of(side)].append(side.coupling)
    for couplings in by_unit.values():
        assert all(before.parted and before.parted <= after.at for before, after in pairwise(couplings))


def test_nothing_lies_after_now(full):
    assert max(c.received for c in full.couplings) <= NOW
    assert all(c.parted is None or c.parted <= NOW for c in full.couplings)
    assert any(c.parted is None for c in full.couplings), "some units are coupled at six in the morning"


def test_failed_attempts_at_the_plain_rate(full):
    failed = [c for c in full.couplings if c.outcome == "could not couple"]
    assert 0.003 < len(failed) / len(full.couplings) < 0.005
    assert {c.stage for c in failed} == {"none", "contact", "locked", "air"}


def test_p_and_q_do_not_join_electrically(full):
    for one, other in zip(full.sides[::2], full.sides[1::2], strict=True):
        if one.coupling.outcome == "coupled":
            same = one.end.pattern_id == other.end.pattern_id
            assert one.coupling.stage == ("full" if same else "air")


@pytest.mark.parametrize("units", [3, 6, 42, 500])
def test_any_size(units):
    fleet = list(railway.fleet_list(units))
    numbers = [number for *_, numbers in fleet[:-1] for number in numbers]
    assert len(numbers) == len(set(numbers)) == units
    assert all(numbers for *_, numbers in fleet)


def test_same_seed_same_railway_and_another_seed_another():
    def told(seed):
        built = railway.build(units=4, years=1, now=NOW, seed=seed)
        return [(c.uuid, c.at, c.place_id, c.stage) for c in built.couplings]

    assert told(5) == told(5)
    assert told(5) != told(6)


def test_clock_changes_leave_the_wall_clock_alone():
    spring, autumn = datetime(2026, 3, 29, tzinfo=UTC).date(), datetime(2026, 10, 25, tzinfo=UTC).date()
    assert railway.local(spring, 5 * 60) == datetime(2026, 3, 29, 4, 0, tzinfo=UTC)
    assert railway.local(autumn, 5 * 60) == datetime(2026, 10, 25, 5, 0, tzinfo=UTC)


def test_a_plan_may_change_the_chance_of_failure():
    class Curve(railway.Traffic):
        def chance_of_failure(self, place, ends, at):
            return 1.0 if place == "THO" else 0.0

    built = railway.build(units=10, years=1, now=NOW, seed=1, traffic=Curve())
    failed = {c.place.code for c in built.couplings if c.outcome == "could not couple"}
    assert failed == {"THO"}
