"""What is planted, each figure as the scenario says it; and the same railway as columns."""

from datetime import timedelta
from random import Random

import numpy as np
import pytest

from fleet.railway import LOCAL, Traffic
from inspections.demonstration import arrays, truths
from inspections.demonstration.rates import Rates, Where
from inspections.demonstration.seals import Seals
from inspections.history import record as history

TRUTHS = truths.Truths()
ORDINARY = {"end": "203 A", "type": "2V", "pattern": "P", "serial": "P-0105", "days_ago": 600, "month": 7}

# What is another way, the part, its rate there over the rate at an ordinary end in summer before the modification.
TIMES = [
    ({}, "air-upper", 1),
    ({"serial": "P-0147"}, "contacts", 7),
    ({"serial": "P-0147"}, "cables", 7),
    ({"serial": "P-0147"}, "cover", 1),
    ({"end": "207 A"}, "contacts", 1),
    ({"month": 12}, "cover", 3),
    ({"month": 2}, "cover", 3),
    ({"month": 3}, "cover", 1),
    ({"month": 11}, "cover", 1),
    ({"month": 1}, "contacts", 1),
    ({"days_ago": 539}, "hook", 0.5),
    ({"days_ago": 10}, "hook", 0.5),
    ({"days_ago": 10}, "face", 1),
    ({"type": "3N", "pattern": "Q", "days_ago": 10}, "hook", 0.75),  # not modified: the fleet's own rate
    ({"type": "3N", "pattern": "Q"}, "handle", 0.35),
    ({"type": "3N", "pattern": "Q", "days_ago": 0}, "handle", 10.5),
    ({"type": "3V", "days_ago": 0}, "handle", 1),
    ({"end": "305 B"}, "air-upper", 1),
    ({"end": "305 A"}, "cover", 1),
]


@pytest.mark.parametrize(("other", "part", "times"), TIMES)
def test_rates_where_something_is_planted_and_where_nothing_is(other, part, times):
    plain = TRUTHS.per_thousand(Where(**ORDINARY))
    there = TRUTHS.per_thousand(Where(**ORDINARY | other))
    assert there[part] / plain[part] == pytest.approx(times)


@pytest.mark.parametrize("end", ["305 A", "211 B", "402 A"])
def test_bad_ends_have_six_times_all_seal_findings(end):
    """Seals that wear out are counted in: they do so everywhere alike."""
    worn = 2000 / truths.mean_life()
    plain = TRUTHS.per_thousand(Where(**ORDINARY))
    bad = TRUTHS.per_thousand(Where(**ORDINARY | {"end": end}))
    fresh, more = (sum(rates[part] for part in truths.SEALS) for rates in (plain, bad))
    assert (more + worn) / (fresh + worn) == pytest.approx(6)


# Component, action, depot: the chance that a repair does not hold.
RETURNS = [
    ("contact-block", "Cleaned", "ELM", 0.45),
    ("contact-block", "Cleaned", "BRK", 0.08),
    ("contact-block", "Seal and cover renewed", "ELM", 0.08),
    ("cover", "Cleaned", "ELM", 0.08),
    ("head", "Springs renewed", "BRK", 0.08),
]


@pytest.mark.parametrize(("component", "action", "depot", "chance"), RETURNS)
def test_repairs_that_do_not_hold(component, action, depot, chance):
    assert TRUTHS.comes_back(component, action, depot) == chance


def test_the_curve_is_the_only_place_where_more_attempts_fail():
    curve, plain = truths.Curve(), Traffic()
    chances = {
        place: curve.chance_of_failure(place, (), None) / plain.failed for place in ("THO", "SAL", "SKJ", "BRK")
    }
    assert chances == {"THO": 4, "SAL": 1, "SKJ": 1, "BRK": 1}


def test_seals_last_as_planted_and_those_found_are_of_every_age():
    random = Random(1)
    lives = np.array([truths.seal_life(random) for _ in range(20_000)])
    assert lives.mean() == pytest.approx(truths.mean_life(), rel=0.01)
    assert np.mean(lives > 700) == pytest.approx(np.exp(-1), abs=0.01)
    seals = Seals(random)
    found = [life for coupler in range(500) for life in seals.found(coupler)]
    assert all(life.wears > 0 for life in found)
    assert 200 < np.mean([life.age for life in found]) < 320


@pytest.fixture(scope="module")
def small():
    return arrays.record(3, units=9, years=2)


def test_the_record_is_whole(small):
    faults, done = small.faults, small.repaired
    assert small.days == 730
    assert small.usage.shape == (18, 730)
    assert (faults.window[np.isfinite(faults.window)] >= 28).all()
    assert set(faults.end) <= set(range(18))
    assert (done.closed > 0).all()
    came = np.isfinite(done.back)
    assert came.any()
    assert (done.back[came] > done.closed[came]).all()
    assert (small.lives.stop > small.lives.start).all()
    assert small.lives.failed.sum() > 20
    assert small.couplings.failed.sum() > 10
    assert small.usage.sum() == 2 * len(small.couplings.time)


def test_the_same_seed_gives_the_same_record_and_another_another(small):
    again, other = arrays.record(3, units=9, years=2), arrays.record(4, units=9, years=2)
    assert np.array_equal(small.faults.time, again.faults.time)
    assert not np.array_equal(small.usage, other.usage)


def test_plain_rates_plant_nothing():
    plain = arrays.record(3, units=9, years=1, rates=Rates(), traffic=Traffic())
    assert len(plain.faults.end) > 100
    assert plain.couplings.failed.mean() < 0.006


@pytest.mark.django_db
def test_columns_from_the_seed_are_those_of_the_logbook(filled):
    """The same couplings, swaps and patterns to the letter; as many faults and lives, but for chance."""
    counted = arrays.record(filled.seed, units=filled.units, years=filled.years, now=filled.now)
    told = history.told(filled.now.astimezone(LOCAL).date() - timedelta(days=1)).record
    assert told.days == counted.days
    assert told.first_day == counted.first_day
    assert np.array_equal(told.usage[: len(counted.ends)], counted.usage)
    assert np.array_equal(told.couplings.failed, counted.couplings.failed)
    assert np.allclose(told.couplings.time, counted.couplings.time)
    assert told.components == counted.components
    assert len(told.depots) == len(counted.depots)
    assert np.array_equal(told.marks, counted.marks)
    assert told.couplers == counted.couplers
    assert np.allclose(np.sort(told.fitted.since), np.sort(counted.fitted.since))
    for one, other in ((told.faults.end, counted.faults.end), (told.lives.slot, counted.lives.slot)):
        assert abs(len(one) - len(other)) < 4 * np.sqrt(len(one) + len(other))
    assert set(told.slots) == set(counted.slots)
