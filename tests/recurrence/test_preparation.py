"""Episodes, dead time, expected counts."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inspections.recurrence import preparation
from inspections.recurrence.analysis import analyse
from tests.recurrence import simulator

FEW = settings(max_examples=50, deadline=None, derandomize=True)

# (what, times of one cell, windows, how many episodes, days in which none can start)
LOGS = [
    ("nothing", [], [], 0, 0),
    ("one fault", [10], [15], 1, 15),
    ("a repeat belongs to the first", [10, 20], [15, 15], 1, 25),
    ("on the last day of the window", [10, 25], [15, 15], 1, 30),
    ("the day after", [10, 26], [15, 15], 2, 30),
    ("each repeat opens its own window", [10, 24, 38, 52], [15] * 4, 1, 57),
    ("a long window outlasts the next one's", [10, 20, 60], [100, 5, 5], 1, 90),
    ("windows of their own", [10, 20, 60], [5, 28, 5], 3, 38),
    ("no window", [10, 20], [0, 0], 2, 0),
    ("twice at the same moment", [10, 10], [0, 0], 1, 0),
    ("still open", [10, 50, 90], [np.inf, 15, 15], 1, 90),
    ("a window that is not a number", [10, 12], [np.nan, 15], 2, 15),
    ("a negative window", [10, 12], [-5, 15], 2, 15),
    ("out of order", [60, 10, 20], [5, 5, 28], 3, 38),
    ("ends after the record", [95], [15], 1, 5),
    ("half days", [10.5], [2.25], 1, 2.25),
]


@pytest.mark.parametrize(("what", "times", "windows", "count", "dead"), LOGS, ids=[row[0] for row in LOGS])
def test_episodes_and_dead_days(what, times, windows, count, dead):
    happened = preparation.episodes(np.zeros(len(times)), times, windows, 1)
    ran = preparation.exposure(np.ones((1, 100)), None, [0], [0])
    assert happened.counts().tolist() == [count]
    assert preparation.live_exposure(happened, ran)[0] == pytest.approx(100 - dead)


def test_what_cannot_be_placed_is_left_out_and_counted():
    happened = preparation.episodes([0, 5, -1, np.nan, 0, 1], [1, 2, 3, 4, np.nan, 6], 0, 2)
    assert happened.counts().tolist() == [1, 1]
    assert happened.left_out == 4
    assert happened.row.tolist() == [0, 5]


def test_dead_days_weigh_what_ran_on_them():
    usage = np.ones((1, 100))
    usage[0, 20:30] = 7.0
    happened = preparation.episodes([0], [20.0], 10.0, 1)
    ran = preparation.exposure(usage, None, [0], [0])
    assert preparation.live_exposure(happened, ran)[0] == pytest.approx(90)


def test_days_out_of_service_and_late_entry_count_for_nothing():
    in_service = np.ones((2, 100), bool)
    in_service[1, :60] = False
    ran = preparation.exposure(np.full((2, 100), 3.0), in_service, [0, 1], [0, 0])
    happened = preparation.episodes([0, 0, 1], [5, 50, 90], 0, 2)
    assert preparation.live_exposure(happened, ran).tolist() == [300, 120]
    assert preparation.expected(happened, ran).e == pytest.approx([3 * 300 / 420, 3 * 120 / 420])


def test_season_moves_what_is_expected_between_ends():
    season = np.concatenate([np.full(50, 2.0), np.full(50, 0.5)])[None]
    in_service = np.zeros((2, 100), bool)
    in_service[0, :50] = in_service[1, 50:] = True
    ran = preparation.exposure(np.ones((2, 100)), in_service, [0, 1], [0, 0], season)
    counted = preparation.expected(preparation.episodes([0, 1], [10, 80], 0, 2), ran)
    assert counted.e == pytest.approx([1.6, 0.4])


def test_since_flagged_counts_later_days_at_the_whole_records_rate():
    ran = preparation.exposure(np.ones((2, 100)), None, [0, 1], [0, 0])
    happened = preparation.episodes([0, 0, 0, 1], [10, 20, 85, 30], 0, 2)
    rate = preparation.expected(happened, ran).rate
    later = preparation.between(happened, ran, rate, 80)
    assert later.n.tolist() == [1, 0]
    assert later.e == pytest.approx([20 * 4 / 200] * 2)
    parts = [preparation.between(happened, ran, rate, a, b) for a, b in ((0, 33.3), (33.3, 80), (80, 100))]
    assert sum(part.e for part in parts) == pytest.approx(preparation.expected(happened, ran).e)
    assert sum(part.n for part in parts).tolist() == [3, 1]


def test_dead_time_keeps_the_rate_true():
    """A third of the days are dead, yet episodes over live days give back the rate."""
    rng = np.random.default_rng(5)
    cells, days, rate = 400, 1000, 0.02
    cell = np.repeat(np.arange(cells), rng.poisson(rate * days, cells))
    happened = preparation.episodes(cell, rng.uniform(0, days, len(cell)), 28.0, cells)
    ran = preparation.exposure(np.ones((cells, days)), None, np.arange(cells), np.zeros(cells, int))
    live = preparation.live_exposure(happened, ran).sum()
    assert live / (cells * days) < 0.7
    assert happened.counts().sum() / live == pytest.approx(rate, rel=0.03)
    assert happened.counts().sum() / (cells * days) < 0.7 * rate


faults = st.lists(st.tuples(st.integers(0, 5), st.floats(0, 99.9), st.floats(0, 60)), max_size=40)


@FEW
@given(faults)
def test_expected_sums_to_observed_per_component_and_order_does_not_matter(log):
    cell, time, window = np.array(log).reshape(-1, 3).T
    ran = preparation.exposure(np.ones((3, 100)), None, [0, 0, 1, 1, 2, 2], [0, 1, 0, 1, 0, 1])
    counted = preparation.expected(preparation.episodes(cell, time, window, 6), ran)
    for component in (0, 1):
        mine = ran.component_of_cell == component
        if counted.exposure[mine].sum() > 0:
            assert counted.e[mine].sum() == pytest.approx(counted.n[mine].sum())
    again = preparation.expected(preparation.episodes(cell[::-1], time[::-1], window[::-1], 6), ran)
    assert again.n.tolist() == counted.n.tolist()
    assert again.exposure == pytest.approx(counted.exposure)
    assert (counted.exposure >= 0).all() and (counted.exposure <= 100 + 1e-9).all()


@FEW
@given(faults)
def test_longer_windows_never_make_more_episodes_or_live_days(log):
    cell, time, window = np.array(log).reshape(-1, 3).T
    ran = preparation.exposure(np.ones((6, 100)), None, np.arange(6), np.zeros(6, int))
    short, long = (preparation.episodes(cell, time, window + more, 6) for more in (0, 10))
    assert (long.counts() <= short.counts()).all()
    assert (preparation.live_exposure(long, ran) <= preparation.live_exposure(short, ran) + 1e-9).all()


def test_months_hold_every_episode_and_every_live_day():
    made = simulator.fleet(np.random.default_rng(2), ends=40)
    happened = preparation.episodes(made.cell, made.time, made.window, 160)
    ran = preparation.exposure(made.usage, made.in_service, made.end_of_cell, made.component_of_cell)
    months = preparation.by_month(happened, ran)
    assert months.count.shape == (4, 36)
    whole = preparation.expected(happened, ran)
    for component in range(4):
        mine = made.component_of_cell == component
        assert months.count[component].sum() == whole.n[mine].sum()
        assert months.exposure[component].sum() == pytest.approx(whole.exposure[mine].sum())


# (what, cells, times, usage, end of cell, component of cell)
ABSURD = [
    ("no ends", [], [], np.zeros((0, 10)), [], []),
    ("no days", [], [], np.zeros((2, 0)), [0, 1], [0, 0]),
    ("no faults", [], [], np.ones((2, 900)), [0, 1], [0, 0]),
    ("one end, one fault", [0], [3], np.ones((1, 900)), [0], [0]),
    ("all on one day", [0] * 50, [5] * 50, np.ones((2, 900)), [0, 1], [0, 0]),
    ("every cell on one day", [0, 1, 0, 1], [5, 5, 5, 5], np.ones((2, 900)), [0, 1], [0, 0]),
    ("nothing ran", [0, 1], [5, 6], np.zeros((2, 900)), [0, 1], [0, 0]),
    ("usage not a number", [0, 1], [5, 6], np.full((2, 900), np.nan), [0, 1], [0, 0]),
    ("one end never ran", [0, 1, 0], [5, 6, 700], np.array([[1.0], [0.0]]) * np.ones(900), [0, 1], [0, 0]),
    ("times not numbers", [0, 1], [np.nan, np.inf], np.ones((2, 900)), [0, 1], [0, 0]),
    ("times outside the record", [0, 1], [-5, 5000], np.ones((2, 900)), [0, 1], [0, 0]),
    ("a component without cells", [0, 1], [5, 6], np.ones((2, 900)), [0, 1], [0, 2]),
]


@pytest.mark.parametrize(("what", "cell", "time", "usage", "ends", "components"), ABSURD, ids=[r[0] for r in ABSURD])
def test_absurd_records_have_defined_results_and_name_nobody(what, cell, time, usage, ends, components):
    found = analyse(np.array(cell), np.array(time, float), 28.0, usage, None, np.array(ends, int), components)
    assert not found.confirmed.any() and not found.watched.any()
    assert found.expected.e.shape == found.groups.bad.shape == (len(ends),)
    for values in (found.expected.e, found.groups.bad, found.groups.mean, found.groups.low, found.groups.high):
        assert np.isfinite(values).all()
    assert not any(season.told for season in found.seasons)
    assert found.since(10).n.shape == (len(ends),)
