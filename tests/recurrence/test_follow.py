"""Coupler or position, place or ends, chance or chain: the papers' examples, planted truths, nothing planted."""

import numpy as np
import pytest
from scipy.stats import binomtest

from inspections.recurrence.follow import COUPLER, POSITION, UNDECIDED, chains, places, swaps


def test_the_papers_coupler():
    """`stats.md` §6: 4 (0.9 expected) with the coupler, 1 (1.1) where it was, r = 2.6: the coupler, 96 %."""
    found = swaps([2.6], [4], [0.9], [1], [1.1])
    assert round(100 * found.p_coupler[0]) == 96
    assert found.log_ratio[0] == pytest.approx(3 * np.log(2.6) - 1.6 * (0.9 - 1.1))
    assert found.verdict == (COUPLER,)


VERDICTS = [  # r, with the coupler, expected, at the old position, expected, verdict
    (3.0, 6, 2, 1, 2, COUPLER),
    (3.0, 1, 2, 6, 2, POSITION),
    (3.0, 2, 2, 2, 2, UNDECIDED),
    (3.0, 0, 0, 0, 0, UNDECIDED),
    (1.0, 9, 1, 0, 1, UNDECIDED),  # nothing stood out before: there is nothing to follow
    (0.4, 9, 1, 0, 1, UNDECIDED),
    (np.nan, 9, 1, 0, 1, UNDECIDED),
    (3.0, np.nan, 1, 0, 1, UNDECIDED),
]


@pytest.mark.parametrize(("r", "b", "e_b", "c", "e_c", "verdict"), VERDICTS)
def test_verdicts(r, b, e_b, c, e_c, verdict):
    assert swaps(r, b, e_b, c, e_c).verdict == (verdict,)


def test_wrong_answers_are_rare_and_clear_ones_as_frequent_as_the_paper_says():
    """`stats.md` §6: with r = 3 clear in 0.70 of cases at 2 expected, wrong in at most 3 %."""
    rng = np.random.default_rng(1)
    found = swaps(3.0, rng.poisson(6.0, 4000), 2.0, rng.poisson(2.0, 4000), 2.0).verdict
    assert found.count(COUPLER) / 4000 == pytest.approx(0.70, abs=0.03)
    assert found.count(POSITION) / 4000 <= 0.03


def test_all_swaps_pooled_are_the_exact_binomial_of_equal_odds():
    found = swaps([3, 2, 1.1], [5, 4, 9], [1, 1, 1], [1, 1, 0], [1, 1, 1])
    exact = binomtest(9, 11).proportion_ci(0.95, "exact")
    assert (found.counted, found.pooled.value) == (2, pytest.approx(4.5))  # the third did not stand out before
    assert found.pooled.low == pytest.approx(exact.low / (1 - exact.low))
    assert found.pooled_p == pytest.approx(2 * binomtest(9, 11, alternative="greater").pvalue)
    assert swaps([3] * 9, [6] * 9, 2, [1] * 9, 2).pooled_verdict == COUPLER
    assert swaps([], [], [], [], []).counted == 0


def attempts(seed, factor, spread=5.0, n=45_000, failing=0.012):
    """Attempts between 84 ends at seven places, place 5 rare and worse by `factor`; ends differ (Gamma)."""
    rng = np.random.default_rng(seed)
    place = rng.choice(7, n, p=[0.2, 0.2, 0.15, 0.15, 0.15, 0.05, 0.1])
    ends = rng.integers(0, 84, (n, 2))
    end = rng.gamma(spread, 1 / spread, 84)
    return place, ends, rng.random(n) < failing * end[ends].prod(axis=1) * np.where(place == 5, factor, 1)


def test_the_curve_is_found_and_nothing_else():
    place, ends, failed = attempts(2, 4)
    found = places(place, ends, np.ones(len(place)), failed)
    assert [row.place for row in found if row.q <= 0.05] == [5]
    assert found[5].ratio.low < 4 < found[5].ratio.high
    assert sum(row.tries for row in found) == 45_000


def test_no_place_stands_out_where_none_is_worse():
    named = 0
    for seed in range(20):
        place, ends, failed = attempts(100 + seed, 1, n=15_000)
        named += any(row.q <= 0.05 for row in places(place, ends, np.ones(len(place)), failed))
    assert named <= 3


def test_a_place_is_not_blamed_for_the_ends_that_meet_there():
    """Ends 0 to 5 fail eight times as often, and place 1 sees them half the time: its raw rate is far above."""
    rng = np.random.default_rng(4)
    n = 20_000
    place = rng.integers(0, 3, n)
    bad = rng.random((n, 2)) < np.where(place == 1, 0.5, 0.1)[:, None]
    ends = np.where(bad, rng.integers(0, 6, (n, 2)), rng.integers(6, 84, (n, 2)))
    failed = rng.random(n) < 0.004 * 8.0 ** (ends < 6).sum(axis=1)
    raw = [failed[place == s].mean() for s in range(3)]
    assert raw[1] > 3 * raw[0]
    assert all(row.q > 0.05 for row in places(place, ends, np.ones(n), failed))


def test_rows_may_be_summed_beforehand():
    place, ends, failed = attempts(2, 4)
    keys, which = np.unique(np.c_[place, ends], axis=0, return_inverse=True)
    tries, failures = np.bincount(which.ravel()), np.bincount(which.ravel(), weights=failed)
    one, other = places(place, ends, np.ones(len(place)), failed), places(keys[:, 0], keys[:, 1:], tries, failures)
    assert [row.ratio.value for row in one] == pytest.approx([row.ratio.value for row in other])


PLACES = [
    ([], np.zeros((0, 2)), [], []),
    ([0], [[0, 1]], [5], [1]),
    ([0, 1], [0, 1], [5, 5], [0, 0]),
    ([0, 1], [0, 1], [5, 5], [5, 5]),
    ([0, 1], [0, 1], [0, np.nan], [0, 0]),
    ([0, 0, 1], [0, 1, 0], [5, 5, 5], [9, 0, 0]),
]


@pytest.mark.parametrize("given", PLACES)
def test_absurd_attempts_have_answers(given):
    assert all(not row.q <= 0.05 for row in places(*given))


def railway(seed):
    """84 cells over three years with two findings each on average, 40 sources that met 12 mates each."""
    rng = np.random.default_rng(seed)
    cell, time = rng.integers(0, 84, 170), rng.uniform(0, 1095, 170)
    source, mate = np.repeat(np.arange(40), 12), rng.integers(0, 84, 480)
    return source, mate, rng.uniform(0, 1086, 480), cell, time


def test_a_pin_that_marks_four_mates_within_nine_days_is_found():
    source, mate, met, cell, time = railway(1)
    source, mate, met = np.r_[source, [40] * 6], np.r_[mate, 10:16], np.r_[met, np.full(6, 500.0)]
    cell, time = np.r_[cell, 10:14], np.r_[time, 503, 505, 506, 508]
    found = chains(source, mate, met, 9, cell, time, np.zeros(84), 1095.0)
    assert [(row.source, row.which) for row in found if row.stands_out] == [(40, (10, 11, 12, 13))]
    assert found[-1].mates == 6
    assert found[-1].expected < 0.5


def test_chains_by_chance_are_seldom_named():
    named = 0
    for seed in range(60):
        source, mate, met, cell, time = railway(50 + seed)
        named += any(row.stands_out for row in chains(source, mate, met, 9, cell, time, np.zeros(84), 1095.0))
    assert named <= 3


def test_a_mate_that_faults_all_the_time_is_its_own_yardstick():
    """Thirty findings in 300 days: one within nine days is nothing; expected 1 − 0.97³⁰."""
    found = chains([0], [0], [100], 9, np.zeros(30), np.linspace(5, 295, 30), [0], [300])
    assert (found[0].followed, found[0].expected) == (1, pytest.approx(1 - 0.97**30))
    assert not found[0].stands_out


def test_windows_are_joined_and_a_mate_counts_once():
    one = chains([0, 0, 0], [0, 0, 0], [100, 104, 200], 9, [0, 0], [105, 106], [0], [1000])
    assert (one[0].mates, one[0].followed) == (1, 1)
    assert one[0].expected == pytest.approx(1 - (1 - 22 / 1000) ** 2)  # 100–113 and 200–209


def test_a_window_is_cut_where_the_watch_ends():
    found = chains([0], [0], [996], 9, [0], [999], [0], [1000])
    assert found[0].expected == pytest.approx(4 / 1000)


CHAINS = [
    ([], [], [], 9, [], [], [], []),
    ([0], [5], [3], 9, [], [], [0], [10]),
    ([0], [0], [np.nan], 9, [], [], [0], [10]),
    ([0], [0], [3], 9, [0], [4], [0], [0]),
    ([0], [0], [3], 9, [], [], [0], [10]),
    ([0], [0], [99], 9, [0, 7], [4, np.nan], [0], [10]),
]


@pytest.mark.parametrize("given", CHAINS)
def test_absurd_chains_have_answers(given):
    assert not any(row.stands_out for row in chains(*given))
