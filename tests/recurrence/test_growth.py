"""Power law: printed examples, the four kinds of data against one likelihood, limits, small data."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import kstest

from inspections.recurrence.growth import power_law, power_law_grouped, same_beta
from inspections.recurrence.trend import FALLING, NO_SIGN, RISING, TOO_FEW
from tests.recurrence.published import CROW, GROUPED, NINE

ONE = np.zeros(9)


def test_the_standards_example_of_nine_failures():
    """β 2.22, unbiased 1.97; exact limits β̂ χ²(18)/18."""
    found = power_law(NINE, ONE, 0, 180)
    assert found.beta.value == pytest.approx(2.22, abs=0.005)
    assert found.unbiased == pytest.approx(1.97, abs=0.005)
    assert (found.beta.low, found.beta.high) == (pytest.approx(1.0147, abs=1e-3), pytest.approx(3.887, abs=1e-3))
    assert (found.exact, found.verdict) == (True, RISING)
    assert found.count(180) == pytest.approx(9)


def test_crows_three_systems():
    """Crow (1974): β 0.615, λ 0.461, unbiased 0.598, Cramér–von Mises 0.069, far below the critical 0.17 at 10 %."""
    system = np.repeat(np.arange(3), [len(times) for times in CROW])
    found = power_law(np.concatenate(CROW), system, np.zeros(3), np.full(3, 200.0))
    assert (found.events, found.systems) == (36, 3)
    assert found.beta.value == pytest.approx(0.615, abs=5e-4)
    assert np.exp(found.log_scale) == pytest.approx(0.461, abs=5e-4)
    assert found.unbiased == pytest.approx(0.598, abs=5e-4)
    assert found.fit == pytest.approx(0.069, abs=1e-3)
    assert found.fit_p > 0.10
    assert found.verdict == FALLING


def test_the_handbooks_grouped_data():
    """MIL-HDBK-189, grouped: λ 1.53, β 0.753; 2.7 hours between failures at 100 hours."""
    edges = np.arange(0, 101, 20)
    found = power_law_grouped(edges[:-1], edges[1:], GROUPED)
    assert found.beta.value == pytest.approx(0.753, abs=1e-3)
    assert np.exp(found.log_scale) == pytest.approx(1.53, abs=5e-3)
    assert 1 / found.rate(100) == pytest.approx(2.7, abs=0.05)
    assert not found.exact


def test_failure_ended_by_hand():
    """β̂ = N/S, unbiased (N − 2)/S, 2βS ~ χ²(2(N − 1))."""
    total = np.log(172 / np.array(NINE[:-1])).sum()
    found = power_law(NINE, ONE, 0, 180, failure_ended=True)
    assert found.beta.value == pytest.approx(9 / total)
    assert found.unbiased == pytest.approx(7 / total)
    assert found.beta.low == pytest.approx(6.9077 / 2 / total, rel=1e-4)  # χ²(16) at 2.5 %


def plain_fit(time, system, start, stop):
    """λ and β by brute force from the whole likelihood of a power-law process over [start, stop]."""

    def loss(theta):
        log_rate, beta = theta[0], np.exp(theta[1])
        mean = np.exp(log_rate) * (np.array(stop) ** beta - np.array(start) ** beta).sum()
        return mean - (log_rate + np.log(beta) + (beta - 1) * np.log(time)).sum()

    best = minimize(loss, (-1.0, 0.0), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10, "maxiter": 9000})
    return best.x[0], np.exp(best.x[1])


@pytest.mark.parametrize(
    ("start", "stop"),
    [([0, 0, 0], [5, 9, 4]), ([1, 0, 2], [5, 9, 8]), ([1, 1, 1], [9, 9, 9])],
    ids=["unequal", "truncated", "same"],
)
def test_unequal_and_late_windows_are_the_maximum_of_the_whole_likelihood(start, stop):
    rng = np.random.default_rng(3)
    system = np.repeat(np.arange(3), 12)
    low, high = np.array(start, float)[system], np.array(stop, float)[system]
    time = (low**1.7 + rng.random(36) * (high**1.7 - low**1.7)) ** (1 / 1.7)
    found = power_law(time, system, start, stop)
    log_rate, beta = plain_fit(time, system, start, stop)
    assert found.beta.value == pytest.approx(beta, rel=1e-4)
    assert found.log_scale == pytest.approx(log_rate, abs=1e-3)
    assert not found.exact


def test_levels_of_their_own_leave_the_exact_limits_and_take_differences_away():
    """One system with ten times the rate: β is the same whatever the levels, and exact over unequal windows."""
    time, system = [1, 2, 3, 30, 60, 80, 85, 90, 95, 99], [0] * 3 + [1] * 7
    found = power_law(time, system, [0, 0], [4, 100], own_levels=True)
    total = np.log(np.array([4] * 3 + [100] * 7) / time).sum()
    assert found.beta.value == pytest.approx(10 / total)
    assert found.exact
    assert np.isnan(found.log_scale)


def test_fine_groups_give_what_exact_times_give():
    edges = np.linspace(0, 180, 7201)
    counts, _ = np.histogram(NINE, edges)
    grouped = power_law_grouped(edges[:-1], edges[1:], counts)
    assert grouped.beta.value == pytest.approx(power_law(NINE, ONE, 0, 180).beta.value, rel=2e-3)


def test_own_levels_of_grouped_systems():
    """The second system has the first one's pattern at ten times the level: the same β, and nothing gained by λ."""
    low, high, counts = np.array([0, 50.0]), np.array([50.0, 100.0]), np.array([10, 30])
    one = power_law_grouped(low, high, counts)
    two = power_law_grouped(np.tile(low, 2), np.tile(high, 2), np.r_[counts, 10 * counts], [0, 0, 1, 1], True)
    assert one.beta.value == pytest.approx(two.beta.value, rel=1e-6)
    assert one.beta.value == pytest.approx(2.0, abs=1e-6)  # half the time, a quarter of the events
    assert (two.systems, one.systems) == (2, 1)


def test_crows_systems_share_one_beta_and_another_does_not():
    """The likelihood ratio by hand, Bartlett's factor with m = 10, 15, 11; then one system with five times the β."""
    system = np.repeat(np.arange(3), [10, 15, 11])
    found = same_beta(np.concatenate(CROW), system, np.zeros(3), np.full(3, 200.0))
    sums = [np.log(200 / np.array(times)).sum() for times in CROW]
    plain = 2 * (
        36 * np.log(sum(sums) / 36) - sum(m * np.log(s / m) for m, s in zip((10, 15, 11), sums, strict=True))
    )
    assert found.chi2 == pytest.approx(plain / (1 + (1 / 10 + 1 / 15 + 1 / 11 - 1 / 36) / 12))
    assert (found.df, found.p > 0.10) == (2, True)
    later = np.concatenate([CROW[0], 200 * (np.array(CROW[1]) / 200) ** 0.2, CROW[2]])
    assert same_beta(later, system, np.zeros(3), np.full(3, 200.0)).p < 0.001
    assert np.isnan(same_beta([1, 2], [0, 0], [0, 0], [3, 3]).p)


def test_one_beta_is_refused_no_more_often_than_asked_for():
    rng = np.random.default_rng(7)
    system = np.repeat(np.arange(8), 6)
    p = [same_beta(rng.random(48) ** 0.6, system, np.zeros(8), np.ones(8)).p for _ in range(400)]
    assert kstest(p, "uniform").pvalue > 0.01


def test_a_wrong_model_is_noticed():
    """Two bursts far apart are no power law."""
    time = np.r_[np.linspace(10, 11, 12), np.linspace(98, 99, 12)]
    assert power_law(time, np.zeros(24), 0, 100).fit_p < 0.01


def test_big_numbers_do_not_overflow():
    time = np.array([1e10, 9e10, 9.9e10, 9.99e10, 9.999e10, 1e11, 1e11, 1e11])
    found = power_law(time, np.r_[0, 0, 0, 0, 0, 1, 1, 1], [1e9, 0], [1e11, 1.1e11])
    assert np.isfinite([found.beta.value, found.beta.low, found.log_scale]).all()


ABSURD = [
    ([], [], [], []),
    ([1.0], [0], [0.0], [1.0]),
    ([1.0] * 9, [0] * 9, [0.0], [1.0]),
    ([np.nan], [0], [0.0], [1.0]),
    ([1.0], [0], [0.0], [0.0]),
    ([1.0, 2.0], [0, 0], [0.5], [3.0]),
]


@pytest.mark.parametrize("given", ABSURD)
@pytest.mark.parametrize("ended", [False, True])
def test_absurd_data_have_answers(given, ended):
    found = power_law(*given, failure_ended=ended)
    assert found.verdict == TOO_FEW
    assert not found.exact or found.beta.known


@pytest.mark.parametrize("counts", [[0, 0], [5, 0], [0, 5], [np.nan, 3]])
def test_absurd_groups_have_answers(counts):
    found = power_law_grouped([0, 10], [10, 20], counts)
    assert found.verdict in (TOO_FEW, NO_SIGN)
