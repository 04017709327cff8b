"""Which cells stand out; two rates compared: published values, laws, coverage."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from inspections.recurrence import rates
from inspections.recurrence.analysis import analyse
from tests.recurrence import simulator

FEW = settings(max_examples=50, deadline=None, derandomize=True)

# Exact 95 % limits of a Poisson count (Garwood 1936; Ulm, Am J Epidemiol 131, 1990, table 1).
GARWOOD = [(0, 0.0, 3.689), (1, 0.0253, 5.572), (2, 0.242, 7.225), (5, 1.623, 11.668), (10, 4.795, 18.390)]


@pytest.mark.parametrize(("n", "low", "high"), GARWOOD)
def test_limits_of_a_count_as_tabled(n, low, high):
    assert [round(float(v), 3) for v in rates.relative_rate(n, 1.0)[1:]] == pytest.approx([low, high], abs=6e-4)


def test_lung_cancer_in_fredericia():
    """Andersen (1977), ages 55-59: 11 in 800 against 21 in 3011; limits as R's poisson.test prints them."""
    found = rates.compare(11, 800, 6 + 8 + 7, 1083 + 1050 + 878)
    assert (found.ratio, found.low, found.high) == pytest.approx((1.971488, 0.8584264, 4.277266), rel=1e-6)
    assert found.p > 0.05


def test_dodder_seeds():
    """Przyborowski & Wilenski (1940): none in one sample, 3 in another as large: (1/2)^3 in the tail, twice that."""
    assert rates.compare(0, 100, 3, 100).p == pytest.approx(0.25)


def test_thrombolysis():
    """Benjamini & Hochberg (1995), section 4.1: of 15 hypotheses the first four are rejected at 5 %."""
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
         0.7590, 1.0]  # fmt: skip
    q = rates.q_values(np.array(p))
    assert (q <= 0.05).tolist() == [True] * 4 + [False] * 11
    assert rates.q_values(np.array([0.02, np.nan, 0.01])) == pytest.approx([0.02, np.nan, 0.02], nan_ok=True)
    assert rates.q_values(np.array([])).shape == (0,)


def test_pump_failures_differ():
    """Gaver & O'Muircheartaigh (1987): ten pumps of a power station do not share one rate."""
    failures = np.array([5, 1, 5, 14, 3, 19, 1, 1, 4, 22])
    time = np.array([94.32, 15.72, 62.88, 125.76, 5.24, 31.44, 1.048, 1.048, 2.096, 10.48])
    found = rates.spread(failures, failures.sum() * time / time.sum(), np.zeros(10))
    assert found.df == 9 and found.p < 0.001


@FEW
@given(st.integers(0, 60), st.integers(0, 60), st.floats(0.1, 50), st.floats(0.1, 50))
def test_p_and_limits_agree_and_sides_may_be_swapped(n1, n2, t1, t2):
    found, turned = rates.compare(n1, t1, n2, t2), rates.compare(n2, t2, n1, t1)
    assert found.low <= found.high and 0 <= found.p <= 1
    assert turned.p == pytest.approx(found.p, rel=1e-6)
    if found.low > 0:
        assert turned.high == pytest.approx(1 / found.low, rel=1e-6)
    if abs(found.p - 0.05) > 1e-6:
        assert (found.p < 0.05) == (not found.low <= 1 <= found.high)


NO_COMPARISON = [(0, 1, 0, 1), (3, 0, 2, 1), (3, 1, 2, 0), (1, np.nan, 1, 1), (1, np.inf, 1, 1), (1, -1, 1, 1)]


@pytest.mark.parametrize("given", NO_COMPARISON)
def test_no_exposure_or_no_events_is_no_ratio(given):
    found = rates.compare(*given)
    assert np.isnan(found.ratio) and (found.low, found.high, found.p) == (0, np.inf, 1)


def test_a_rate_without_exposure_is_not_a_number_with_open_limits():
    value, low, high = rates.relative_rate(np.array([0, 2, 4]), np.array([0.0, 0.0, 2.0]))
    assert np.isnan(value[:2]).all() and value[2] == 2
    assert low[:2].tolist() == [0, 0] and np.isinf(high[:2]).all()


def test_classes_of_weather_against_the_rest():
    found = rates.by_class(np.array([40, 10, 0]), np.array([100.0, 100.0, 0.0]))
    assert found.ratios[0].ratio == pytest.approx(4) and found.q[0] < 0.001
    assert found.ratios[2].p == 1
    assert rates.by_class(np.array([]), np.array([])).ratios == ()


# (what, chances, episodes, named): mean of 1 - chance over the list stays at or under 0.10
CUTS = [
    ("nobody", [], [], []),
    ("one sure", [0.95, 0.2], [9, 4], [True, False]),
    ("one not quite", [0.89, 0.2], [9, 4], [False, False]),
    ("the sure ones carry an unsure one", [0.99, 0.99, 0.75], [9, 9, 6], [True, True, True]),
    ("not two of them", [0.99, 0.99, 0.75, 0.74], [9, 9, 6, 6], [True, True, True, False]),
    ("too few episodes", [0.99, 0.95], [2, 3], [False, True]),
    ("not a number", [np.nan, 0.95], [9, 9], [False, True]),
    ("in any order", [0.2, 0.99], [4, 9], [False, True]),
]


@pytest.mark.parametrize(("what", "bad", "n", "named"), CUTS, ids=[row[0] for row in CUTS])
def test_the_cut_of_the_list(what, bad, n, named):
    bad = np.array(bad, float)
    found = rates.confirmed(bad, np.array(n))
    assert found.tolist() == named
    if found.any():
        assert rates.expected_false(bad, found) <= 0.10 * found.sum() + 1e-12


def test_watch_list():
    assert rates.watched(np.array([0.5, 0.49, 0.9]), np.array([3, 9, 2])).tolist() == [True, False, False]


counts = st.lists(st.tuples(st.integers(0, 40), st.floats(0, 20)), max_size=25)


@FEW
@given(counts)
def test_chances_and_limits_are_in_order(pairs):
    n, e = np.array(pairs, float).reshape(-1, 2).T
    found = rates.two_groups(n, e)
    assert ((found.bad >= 0) & (found.bad <= 1)).all()
    assert ((found.low < found.mean) & (found.mean < found.high)).all()


def test_more_episodes_for_the_same_running_are_never_less_suspect():
    rng = np.random.default_rng(8)
    e = rng.gamma(3, 0.5, 300)
    n = rng.poisson(e)
    e[:20], n[:20] = 2.0, np.arange(20)
    found = rates.two_groups(n, e)
    for values in (found.bad, found.mean, found.low, found.high):
        assert (np.diff(values[:20])[3:] > -1e-9).all()
    assert found.bad[19] > 0.95 and found.bad[4] < 0.1


def test_limits_agree_with_the_exact_gamma_where_nobody_is_bad():
    """With no bad cells a cell's posterior is Gamma(shape + n, shape + e) to within what the grid leaves open."""
    rng = np.random.default_rng(9)
    e = np.full(300, 60.0)
    n = rng.poisson(e * rng.gamma(9, 1 / 9, 300))
    e *= n.sum() / e.sum()
    found = rates.two_groups(n, e)
    ordinary = found.bad < 0.01
    low, high = stats.gamma.ppf([[0.025], [0.975]], found.shape + n, scale=1 / (found.shape + e))
    assert ordinary.sum() > 200
    assert found.low[ordinary] == pytest.approx(low[ordinary], rel=0.03)
    assert found.high[ordinary] == pytest.approx(high[ordinary], rel=0.03)


def test_a_fleet_without_spread_is_told_from_one_with():
    rng = np.random.default_rng(10)
    e, component = rng.gamma(4, 0.4, 600), np.repeat([0, 1], 300)

    def p(theta):
        n = rng.poisson(e * theta)
        ratio = np.bincount(component, n) / np.bincount(component, e)
        return rates.spread(n, e * ratio[component], component).p

    alike = np.array([p(np.ones(600)) for _ in range(12)])
    assert 0.25 < alike.mean() < 0.75 and (alike < 0.05).sum() <= 3
    assert p(rng.gamma(2, 0.5, 600)) < 0.01
    assert np.isnan(rates.spread(np.array([3]), np.array([3.0]), np.array([0])).p)


def page_fleet(rng, cv, bad, times):
    """84 ends × 14 components, three years, about 1,900 episodes: (n, e standardised, true rate over the fleet's)."""
    component = np.tile(np.arange(14), 84)
    e = rng.gamma(3, 1 / 3, len(component)) * np.tile(rng.uniform(0.4, 3, 14), 84)
    e *= 1900 / e.sum()
    theta = rng.gamma(1 / cv**2, cv**2, len(component))
    theta[rng.choice(len(component), bad, replace=False)] *= times
    n = rng.poisson(e * theta)
    ratio = (np.bincount(component, n) / np.bincount(component, e))[component]
    return n, e * ratio, theta / ratio


@pytest.mark.parametrize(("cv", "bad", "times"), [(0.25, 3, 6.0), (0.6, 3, 6.0)])
def test_limits_hold_the_true_rates_at_the_pages_size(cv, bad, times):
    rng = np.random.default_rng(12)
    held, exact = [], []
    for _ in range(5):
        n, e, true = page_fleet(rng, cv, bad, times)
        found = rates.two_groups(n, e)
        held.append(((found.low <= true) & (true <= found.high)).mean())
        _, low, high = rates.relative_rate(n, e)
        exact.append(((low <= true) & (true <= high)).mean())
    assert np.mean(held) >= 0.93 and np.mean(exact) >= 0.95


def test_limits_of_a_comparison_hold_the_ratio():
    rng = np.random.default_rng(13)
    for ratio in (1.0, 3.0):
        pairs = zip(rng.poisson(8 * ratio, 400), rng.poisson(12, 400), strict=True)
        found = [rates.compare(int(a), 8.0, int(b), 12.0) for a, b in pairs]
        assert np.mean([each.low <= ratio <= each.high for each in found]) >= 0.94


def test_planted_cells_top_the_list_and_chance_does_not():
    """A small reading of `tests/long gate`: x6 found, hardly a false name; no bad cells, no name."""
    rng = np.random.default_rng(14)
    made = simulator.fleet(rng, times=6.0)
    found = analyse(*made.arguments)
    assert (found.confirmed & made.bad).sum() >= 6 and (found.confirmed & ~made.bad).sum() <= 3
    quiet = simulator.fleet(rng, bad=0)
    assert not analyse(*quiet.arguments).confirmed.any()


def test_whole_day_logs_give_the_same_names():
    """Books often hold days, not moments."""
    made = simulator.fleet(np.random.default_rng(15), times=6.0)
    arguments = list(made.arguments)
    moments = analyse(*arguments)
    arguments[1] = np.floor(arguments[1])
    days = analyse(*arguments)
    assert (days.confirmed != moments.confirmed).sum() <= 2
    assert np.corrcoef(days.groups.bad, moments.groups.bad)[0, 1] > 0.95
