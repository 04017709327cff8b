"""Mean cumulative function: the valve seats, a plain reckoning beside it, differences, small data."""

import numpy as np
import pytest

from inspections.recurrence.mcf import difference, mean_count
from tests.recurrence.published import VALVE_SEATS


def valve_seats(**options):
    time = [t for _, *times in VALVE_SEATS for t in times]
    system = [k for k, (_, *times) in enumerate(VALVE_SEATS) for _ in times]
    return mean_count(time, system, np.zeros(41), [stop for stop, *_ in VALVE_SEATS], **options)


def test_the_valve_seats():
    """Nelson & Doganaksoy (1989): 48 replacements on 41 engines, Nelson's variance."""
    found = valve_seats(small_sample=True)
    assert (found.systems, found.events.sum()) == (41, 48)
    assert found.mean[:8].round(3).tolist() == [0.024, 0.049, 0.073, 0.098, 0.122, 0.146, 0.171, 0.220]
    assert np.sqrt(found.variance[:8]).round(3).tolist() == [0.024, 0.034, 0.041, 0.047, 0.052, 0.056, 0.059, 0.074]
    assert found.mean[-1] == pytest.approx(1.543, abs=5e-4)
    assert found.at_risk[-1] == 9


def test_the_robust_variance_is_the_plain_double_sum():
    """Lawless & Nadeau (1995), by loops: Σ over engines of [Σ over ages of (own events − d/n)/n, while watched]²."""
    found = valve_seats()
    total = 0.0
    for stop, *times in VALVE_SEATS:
        mine = 0.0
        for age, d, n in zip(found.age, found.events, found.at_risk, strict=True):
            if age <= stop:
                mine += (times.count(age) - d / n) / n
        total += mine**2
    assert found.variance[-1] == pytest.approx(total)
    assert found.variance[-1] * 41 / 40 == pytest.approx(valve_seats(small_sample=True).variance[-1])
    assert found.low[-1] * found.high[-1] == pytest.approx(found.mean[-1] ** 2)


def test_late_starts_are_at_risk_only_from_then():
    found = mean_count([5, 15], [0, 1], [0, 10], [20, 20])
    assert found.at_risk.tolist() == [1, 2]
    assert found.mean.tolist() == [1.0, 1.5]
    assert found.at(12)[0] == 1.0
    assert found.at(4.9)[0] == 0.0


def test_a_group_less_itself_is_nothing():
    found = valve_seats()
    gap = difference(found, found)
    assert not gap.value.any()
    assert (gap.low < 0).all()
    assert (gap.high > 0).all()


def test_a_difference_stops_where_the_shorter_group_does():
    long = mean_count([10, 20, 90], [0, 1, 0], [0, 0], [100, 100])
    short = mean_count([15, 25], [0, 1], [0, 0], [30, 30])
    gap = difference(long, short)
    assert gap.age.tolist() == [10, 15, 20, 25]
    assert gap.value.tolist() == [0.5, 0.0, 0.5, 0.0]


def test_one_end_alone_has_a_curve_but_no_limits():
    found = mean_count([1, 2], [0, 0], 0, 5)
    assert found.mean.tolist() == [1, 2]
    assert np.isnan(found.low).all()


ABSURD = [([], [], [], []), ([np.nan], [0], [0], [1]), ([3, 3, 3], [0, 1, 1], [0, 0], [0, 3]), ([1], [7], [0], [2])]


@pytest.mark.parametrize("given", ABSURD)
def test_absurd_data_have_answers(given):
    found = mean_count(*given)
    assert len(found.age) == len(found.mean) <= 1
    assert len(difference(found, mean_count([], [], [], [])).age) == 0
