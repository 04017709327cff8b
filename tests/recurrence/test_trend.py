"""Trends over own windows: printed examples, exact comparison, small and absurd data."""

import numpy as np
import pytest
from scipy.stats import binomtest, kstest

from inspections.recurrence.estimates import common_ratio
from inspections.recurrence.trend import FALLING, NO_SIGN, RISING, TOO_FEW, bursts, rate_now, step, trend
from inspections.recurrence.watched import watched
from tests.recurrence.published import NINE

ONE = np.zeros(9)


def test_the_standards_example_of_nine_failures():
    """IEC 61164 as worked in the trade notes: U = +1.97; 2 Σ ln(T/t) against χ²(18)."""
    found = trend(NINE, ONE, 0, 180)
    assert found.laplace == pytest.approx(1.97, abs=0.005)
    assert (found.chi2, found.df) == (pytest.approx(18 / 2.2191, rel=1e-3), 18)
    assert found.verdict == RISING
    assert 0.04 < found.chi2_p < 0.05


def test_a_failure_ended_window_ends_at_its_last_event_which_is_not_counted():
    found = trend(NINE, ONE, 0, 180, failure_ended=True)
    assert found == trend(NINE[:-1], ONE[:-1], 0, 172)
    assert found.events == 8


def test_windows_pool_as_their_own_sums_say():
    """Two ends with windows of their own, by hand: U = Σ(t − mid) / √(Σ n w²/12)."""
    time, system, start, stop = [12, 18, 40, 95], [0, 0, 1, 1], [10, 0], [20, 100]
    mids = (12 - 15) + (18 - 15) + (40 - 50) + (95 - 50)
    found = trend(time, system, start, stop)
    assert found.laplace == pytest.approx(mids / np.sqrt((2 * 10**2 + 2 * 100**2) / 12))
    assert found.chi2 == pytest.approx(2 * np.log([10 / 2, 10 / 8, 100 / 40, 100 / 95]).sum())
    assert (found.events, found.systems, found.verdict) == (4, 2, TOO_FEW)


def test_a_growing_fleet_without_trend_raises_no_more_alarms_than_asked_for():
    """Pooled dates of a fleet being delivered look like growth; own windows do not (`stats.md` §3)."""
    rng = np.random.default_rng(5)
    p, q = [], []
    for _ in range(400):
        start = rng.uniform(0, 900, 40)
        counts = rng.poisson((1095 - start) * rng.gamma(4, 0.25, 40) / 500)
        system = np.repeat(np.arange(40), counts)
        time = start[system] + rng.random(len(system)) * (1095 - start[system])
        found = trend(time, system, start, np.full(40, 1095.0))
        p.append(found.laplace_p)
        q.append(found.chi2_p)
    assert kstest(p, "uniform").pvalue > 0.01
    assert kstest(q, "uniform").pvalue > 0.01


def test_the_rate_now_is_the_log_linear_maximum_of_the_conditional_likelihood():
    rng = np.random.default_rng(2)
    time, system = np.sqrt(rng.random(60)) * 1000, rng.integers(0, 3, 60)
    found = rate_now(time, system, np.zeros(3), np.full(3, 1000.0), apart=365.25)
    grid = np.linspace(-0.02, 0.02, 400_000)
    likelihood = grid * time.sum() - 60 * np.log(np.expm1(grid * 1000) / grid)
    best = grid[np.argmax(likelihood)]
    inside = grid[likelihood > likelihood.max() - 3.841459 / 2]
    assert found.ratio.value == pytest.approx(np.exp(best * 365.25), rel=1e-3)
    assert (found.ratio.low, found.ratio.high) == (
        pytest.approx(np.exp(inside[0] * 365.25), rel=1e-3), pytest.approx(np.exp(inside[-1] * 365.25), rel=1e-3),
    )  # fmt: skip
    assert found.verdict == RISING


def test_the_rate_now_does_not_care_where_the_clock_starts_and_turns_with_time():
    found, later = rate_now(NINE, ONE, 0, 180), rate_now(np.array(NINE) + 5000, ONE, 5000, 5180)
    back = rate_now(180 - np.array(NINE) + 1e-9, ONE, 0, 180)
    assert later.ratio.value == pytest.approx(found.ratio.value)
    assert back.ratio.high == pytest.approx(1 / found.ratio.low, rel=1e-6)
    assert back.verdict == FALLING


def test_a_step_in_one_window_is_the_exact_binomial_comparison():
    found = step(NINE, ONE, 0, 180, 90)
    exact = binomtest(7, 9).proportion_ci(0.95, "exact")
    assert (found.before, found.after) == (2, 7)
    assert found.ratio.value == pytest.approx(3.5)
    assert found.ratio.low == pytest.approx(exact.low / (1 - exact.low))
    assert found.ratio.high == pytest.approx(exact.high / (1 - exact.high))
    assert found.p == pytest.approx(2 * binomtest(7, 9, alternative="greater").pvalue)
    assert found.verdict == NO_SIGN


def test_own_dates_own_exposures_and_an_event_on_the_date_counts_as_after():
    found = step([5, 10, 30], [0, 0, 1], [0, 0], [20, 40], at=[10, np.nan], exposure=[[1, 3], [9, 9]])
    assert (found.before, found.after) == (1, 1)  # the second system was never changed: it says nothing
    assert (found.exposure_before, found.exposure_after) == (1, 3)
    assert found.ratio.value == pytest.approx(1 / 3)


def test_strata_of_very_different_levels_do_not_make_a_step():
    """A bad end watched before only, a good one after: pooled counts would say that the rate fell by a third."""
    found, p = common_ratio([900, 50], [10, 1], [90, 500], [1, 10])
    pooled = (590 / 11) / (950 / 11)
    assert pooled < found.low < found.value == pytest.approx(1, abs=0.05)
    assert p > 0.5


def test_common_ratio_p_and_limits_agree():
    rng = np.random.default_rng(8)
    for _ in range(20):
        first, second = rng.poisson(3, 4), rng.poisson(6, 4)
        found, p = common_ratio(first, rng.uniform(1, 3, 4), second, rng.uniform(1, 3, 4))
        assert (p < 0.05) == (not found.low <= 1 <= found.high)


def test_bursts_take_the_edge_off():
    """Events in pairs a day apart: U of the log lines is larger than the same over the spread of the gaps."""
    time = np.sort(np.concatenate([np.array(NINE), np.array(NINE) + 1.0]))
    plain = trend(time, np.zeros(18), 0, 180).laplace
    assert bursts(time, 0, 180) < plain
    assert np.isnan(bursts([3.0], 0, 10))


ABSURD = [
    ([], [], [], []),
    ([], [], [0.0], [100.0]),
    ([1.0], [0], [0.0], [0.0]),
    ([np.nan] * 9, [0] * 9, [0.0], [10.0]),
    ([5.0] * 9, [0] * 9, [0.0], [5.0]),
    ([5.0] * 9, [3] * 9, [0.0], [5.0]),
    ([1e-300] * 9, [0] * 9, [0.0], [1e300]),
    ([2.0], [0], [np.nan], [10.0]),
    ([20.0] * 9, [0] * 9, [0.0], [10.0]),
]


@pytest.mark.parametrize("given", ABSURD)
def test_absurd_data_have_answers(given):
    found, now, stepped = trend(*given), rate_now(*given), step(*given, at=3.0)
    assert found.verdict in (TOO_FEW, RISING, FALLING, NO_SIGN)
    if found.events < 8:
        assert found.verdict == now.verdict == stepped.verdict == TOO_FEW
    assert np.isnan(found.laplace) == (found.events == 0)


def test_what_lies_outside_its_window_is_left_out_and_counted():
    given = watched([0, 5, 10, 11, np.nan, 5], [0, 0, 0, 0, 0, 9], 0, 10)
    assert given.time.tolist() == [5, 10]
    assert given.left_out == 4
