"""Lives of parts: printed examples, SciPy beside them, late entries, limits, when to recommend renewal."""

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from inspections.recurrence.lives import compare_lives, survival
from inspections.recurrence.renewal import best_age, renewal
from inspections.recurrence.weibull import weibull
from tests.recurrence.published import BEARINGS, PLACEBO, RELAPSED, TREATED


def test_remission_on_6_mp():
    """Freireich et al. (1963): 0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448; error at 6 weeks 0.0764."""
    found = survival(0, TREATED, RELAPSED)
    assert found.age.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert found.share.round(3).tolist() == [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]
    assert found.at_risk.tolist() == [21, 17, 15, 12, 11, 7, 6]
    log_error = np.log(np.log(found.low[0]) / np.log(found.share[0])) / 1.959964
    assert log_error * -np.log(found.share[0]) * found.share[0] == pytest.approx(0.0764, abs=1e-4)
    median = found.quantile(0.5)
    assert (median.value, median.low, median.high) == (23, 13, np.inf)
    assert survival(0, PLACEBO, True).quantile(0.5).value == 8


def test_remission_compared():
    """Log-rank of the same data: χ² 16.79, 9 against 19.25 and 21 against 10.75 expected."""
    group = np.repeat([0, 1], 21)
    found = compare_lives(0, TREATED + PLACEBO, RELAPSED + [True] * 21, group)
    assert found.expected.round(2).tolist() == [19.25, 10.75]
    assert found.chi2 == pytest.approx(16.79, abs=5e-3)


def test_the_same_as_scipy_where_scipy_has_it():
    rng = np.random.default_rng(4)
    life, until = np.append(rng.weibull(1.5, 79) * 10, 99), rng.uniform(2, 25, 80)
    until[-1] = 26  # the longest watched still runs: SciPy has no limits at a share of 0
    stop, failed = np.minimum(life, until).round(1) + 0.1, life <= until
    found = survival(0, stop, failed)
    other = stats.ecdf(stats.CensoredData.right_censored(stop, ~failed)).sf
    limits = other.confidence_interval(0.95, method="log-log")
    step = np.searchsorted(other.quantiles, found.age)
    assert found.share == pytest.approx(other.probabilities[step])
    assert found.low == pytest.approx(limits.low.probabilities[step])
    assert found.high == pytest.approx(limits.high.probabilities[step])
    half = np.arange(80) < 40
    other = stats.logrank(*(stats.CensoredData.right_censored(stop[x], ~failed[x]) for x in (half, ~half)))
    assert compare_lives(0, stop, failed, half).p == pytest.approx(other.pvalue)
    shape, _, scale = stats.weibull_min.fit(stats.CensoredData.right_censored(stop, ~failed), floc=0)
    fitted = weibull(0, stop, failed)
    assert (fitted.shape.value, fitted.scale.value) == (pytest.approx(shape, 1e-4), pytest.approx(scale, 1e-4))


def test_ball_bearings():
    """Lieblein & Zelen (1956): shape 2.10, scale 81.9; 10 % fail by 28.1."""
    found = weibull(0, BEARINGS, True)
    assert found.shape.value == pytest.approx(2.10, abs=5e-3)
    assert found.scale.value == pytest.approx(81.9, abs=0.05)
    assert found.b10.value == pytest.approx(81.87 * 0.105361 ** (1 / 2.1018), abs=0.02)
    assert found.mean.value == pytest.approx(stats.weibull_min.mean(2.1018, scale=81.87), abs=0.02)


def test_weibull_limits_lie_on_the_edge_of_the_likelihood_region():
    """With late entries and survivors: at each limit the best likelihood has dropped by 1.92."""
    rng = np.random.default_rng(11)
    life, start = rng.weibull(2, 60) * 700, np.where(rng.random(60) < 0.3, rng.uniform(0, 400, 60), 0.0)
    until = rng.uniform(300, 900, 60)
    keep = np.minimum(life, until) > start
    start, stop, failed = start[keep], np.minimum(life, until)[keep], (life <= until)[keep]
    found = weibull(start, stop, failed)

    def likelihood(b, scale):
        return failed.sum() * (np.log(b) - b * np.log(scale)) + (b - 1) * np.log(stop[failed]).sum() - (
            ((stop / scale) ** b - (start / scale) ** b).sum()
        )  # fmt: skip

    shapes = np.linspace(0.3, 6, 2001)
    top = likelihood(found.shape.value, found.scale.value)
    ages = {
        "b10": lambda b, age: age / (-np.log(0.9)) ** (1 / b),
        "b50": lambda b, age: age / np.log(2) ** (1 / b),
        "mean": lambda b, age: age / stats.weibull_min.mean(b),
        "scale": lambda b, age: age,
    }
    for name, scale_at in ages.items():
        limits = getattr(found, name)
        for age in (limits.low, limits.high):
            best = max(likelihood(b, scale_at(b, age)) for b in shapes)
            assert top - best == pytest.approx(3.841459 / 2, abs=0.01), name
        assert limits.low < limits.value < limits.high


def test_leaving_out_late_entry_makes_parts_look_longer_lived():
    """`stats.md` §4: censoring right but truncation ignored, 4.7 years for a true 3.8."""
    rng = np.random.default_rng(6)
    life, start = rng.weibull(2, 4000) * 1000, rng.uniform(0, 1200, 4000)
    seen = life > start
    start, stop, failed = start[seen], np.minimum(life, start + 500)[seen], (life <= start + 500)[seen]
    both, without = weibull(start, stop, failed), weibull(0, stop, failed)
    assert both.mean.low < 886.2 < both.mean.high
    assert without.mean.low > 950
    assert survival(start, stop, failed).at(500).value == pytest.approx(np.exp(-0.25), abs=0.03)


def test_before_the_first_failure_the_share_is_at_least_what_so_many_parts_say():
    found = survival(0, [50.0] * 20, False).at(30)
    assert (found.value, found.high) == (1.0, 1.0)
    assert found.low == pytest.approx(stats.binomtest(20, 20).proportion_ci(0.95, "exact").low)


def test_the_curve_says_where_ten_are_still_at_risk():
    found = survival([0] * 11 + [20], [5, 7, *range(10, 19), 30], True)
    assert found.risk(10) == 9
    assert (found.shown_to, found.risk(7)) == (7, 10)


def test_four_failures_have_a_curve_but_no_shape():
    found = weibull(0, [10, 20, 30, 40, 50, 50], [True] * 4 + [False] * 2)
    assert (found.failed, found.shape.known, found.b50.known) == (4, False, False)
    assert survival(0, [10, 20, 30, 40, 50, 50], [True] * 4 + [False] * 2).at(25).value == pytest.approx(4 / 6)


ABSURD = [
    ([], [], []),
    ([0] * 9, [5] * 9, [True] * 9),
    ([4.9] * 9, [5] * 9, [True] * 9),
    ([0] * 9, [5] * 9, [False] * 9),
    ([np.nan] * 9, [5] * 9, [True] * 9),
    ([0] * 9, [0] * 9, [True] * 9),
    ([7] * 9, [5] * 9, [True] * 9),
]


@pytest.mark.parametrize("given", ABSURD)
def test_absurd_lives_have_answers(given):
    assert not weibull(*given).shape.known
    found = survival(*given)
    assert len(found.age) <= 1
    assert found.parts in (0, 9)
    compared = compare_lives(*given, np.arange(len(given[0])) % 2)
    assert np.isnan(compared.p) or compared.p == 1
    told = renewal(*given, np.arange(len(given[0])), 5.0)
    assert not told.recommended
    assert told.why


def test_huge_ages_do_not_overflow():
    small, huge = weibull(0, BEARINGS, True), weibull(0, np.array(BEARINGS) * 1e9, True)
    assert huge.shape.value == pytest.approx(small.shape.value)
    assert huge.mean.high == pytest.approx(small.mean.high * 1e9)


TABLE = [  # cf/cp, shape, best age over scale, saving in percent: `stats.md` §4, rounded there
    (2, 1.5, 2.18, 0), (2, 2, 1.09, 3), (2, 2.5, 0.88, 8), (2, 3, 0.81, 12), (2, 4, 0.77, 18),
    (5, 1.5, 0.68, 11), (5, 2, 0.51, 28), (5, 2.5, 0.49, 39), (5, 3, 0.50, 46), (5, 4, 0.54, 55),
    (10, 1.5, 0.38, 25), (10, 2, 0.34, 46), (10, 2.5, 0.36, 58), (10, 3, 0.38, 65), (10, 4, 0.44, 72),
]  # fmt: skip


@pytest.mark.parametrize(("ratio", "shape", "age", "saving"), TABLE)
def test_age_replacement_table(ratio, shape, age, saving):
    found = best_age(shape, 1.0, ratio)
    assert found.age == pytest.approx(age, abs=0.0101)
    assert round(100 * found.saving) == saving
    assert found.earliest < found.age < found.latest


def test_the_best_age_is_the_least_of_the_cost_integrated_plainly():
    def cost(age):
        in_use = quad(lambda t: np.exp(-((t / 700) ** 2.6)), 0, age)[0]
        gone = 1 - np.exp(-((age / 700) ** 2.6))
        return (1 - gone + 5 * gone) / in_use

    found = best_age(2.6, 700.0, 5.0)
    around = [cost(found.age * x) for x in (0.97, 1.0, 1.03)]
    assert around[1] == min(around)
    assert 1 - around[1] / (5 / stats.weibull_min.mean(2.6, scale=700)) == pytest.approx(found.saving, abs=1e-6)
    assert cost(found.earliest) / around[1] == pytest.approx(1.02)
    assert cost(found.latest) / around[1] == pytest.approx(1.02)


@pytest.mark.parametrize(("shape", "ratio"), [(1.0, 5), (0.7, 5), (2.6, 1.0), (2.6, 0.5), (np.nan, 5), (1.05, 2)])
def test_replacement_never_pays_without_wear_or_without_dearer_failures(shape, ratio):
    found = best_age(shape, 700.0, ratio)
    assert (found.age, found.saving) == (np.inf, 0.0)


@pytest.mark.parametrize("ratio", [1 + 1e-9, 1e3, 1e6, 1e300, np.inf])
@pytest.mark.parametrize("shape", [1.0001, 2.6, 49.0])
def test_extreme_costs_have_answers(shape, ratio):
    found = best_age(shape, 700.0, ratio)
    assert 0 <= found.saving < 1
    assert found.earliest <= found.age <= found.latest


def lives(seed, shape, scale, units, each):
    rng = np.random.default_rng(seed)
    unit = np.repeat(np.arange(units), each)
    life, until = rng.weibull(shape, units * each) * scale, rng.uniform(100, 1100, units * each)
    return np.zeros(units * each), np.minimum(life, until), life <= until, unit


def test_wear_in_a_fleet_of_seals_is_recommended_near_the_best_age():
    found = renewal(*lives(1, 2.6, 700, 84, 3), 5.0)
    true = best_age(2.6, 700.0, 5.0)
    assert (found.recommended, found.why) == (True, "")
    assert found.age.low < true.age < found.age.high
    assert found.saving.low < true.saving < found.saving.high
    assert found == renewal(*lives(1, 2.6, 700, 84, 3), 5.0)


@pytest.mark.parametrize(
    ("given", "ratio", "why"),
    [
        (lives(1, 1.0, 700, 84, 3), 5.0, "it may not wear out at all"),
        (lives(1, 2.6, 700, 84, 3), 0.8, "a failure costs no more than a planned change"),
        (lives(1, 2.6, 700, 84, 3), 1.05, "the saving may be nothing"),
        (lives(1, 2.6, 9000, 84, 3), 5.0, "too few failures"),
        (lives(1, 2.6, 700, 4, 30), 5.0, "too few units"),
    ],
    ids=["chance", "cheap failures", "hardly dearer", "few failures", "few units"],
)
def test_why_not(given, ratio, why):
    found = renewal(*given, ratio)
    assert (found.recommended, found.why) == (False, why)
