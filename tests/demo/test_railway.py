"""The invented railway: sizes, and what no real railway could do either."""

from collections import Counter, defaultdict
from datetime import UTC, datetime
from itertools import pairwise

import pytest

from fleet import railway

NOW = datetime(2026, 11, 24, 6, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def full():
    return railway.build(units=42, years=3, now=NOW, seed=1)


def test_size_of_the_scenario(full):
    assert Counter(unit.type.code for unit in full.units) == {"2V": 18, "3V": 16, "3N": 8}
    assert [unit.number for unit in full.units][:2] == ["201", "202"]
    assert {"218", "316", "408"} <= {unit.number for unit in full.units}
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


def test_a_coupling_joins_two_units(full):
    sides = defaultdict(list)
    for side in full.sides:
        sides[side.coupling_id].append(side)
    assert len(sides) == len(full.couplings)
    for two in sides.values():
        assert len({side.end.unit_id for side in two}) == 2
        assert {side.at for side in two} == {two[0].coupling.at}


def test_no_end_is_in_two_couplings_at_once(full):
    by_end = defaultdict(list)
    for side in full.sides:
        by_end[side.end_id].append(side.coupling)
    for couplings in by_end.values():
        for before, after in pairwise(couplings):
            assert before.parted is not None
            assert before.parted <= after.at


def test_no_unit_is_joined_by_both_ends_while_it_runs(full):
    by_unit = defaultdict(list)
    for side in full.sides:
        by_unit[side.end.unit_id].append(side.coupling)
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
