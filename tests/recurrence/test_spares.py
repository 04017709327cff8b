"""Demand to come and stock to hold."""

import numpy as np
import pytest
from scipy import stats

from inspections.recurrence import spares

LONG = 1e7


def test_asthma_deaths():
    """Gelman et al., Bayesian Data Analysis, 2.6: prior Gamma(3, 5), 3 deaths in 2.0; then 30 in 20."""
    first = spares.demand(3, 2.0, 1.0, prior=(3, 5))
    later = spares.demand(30, 20.0, 1.0, prior=(3, 5))
    assert float(first.mean) == pytest.approx(0.86, abs=0.005)
    assert float(later.mean) == pytest.approx(1.32, abs=0.005)
    assert 1 - stats.gamma.cdf(1, first.shape, scale=first.odds) == pytest.approx(0.30, abs=0.005)
    assert 1 - stats.gamma.cdf(1, later.shape, scale=later.odds) == pytest.approx(0.93, abs=0.005)


# Cumulative Poisson tables (any handbook): the least stock for a mean demand, when the rate is well known.
TABLE = [(1, 0.90, 2), (1, 0.95, 3), (2, 0.95, 5), (4, 0.94, 7), (4, 0.95, 8), (5, 0.99, 11), (10, 0.95, 15)]


@pytest.mark.parametrize(("mean", "service", "held"), TABLE)
def test_a_well_known_rate_needs_the_stock_of_the_poisson_table(mean, service, held):
    assert spares.stock(spares.demand(mean * LONG, LONG, 1.0), service) == held


def test_a_rate_known_from_little_needs_more_stock():
    held = [float(spares.stock(spares.demand(2 * k, 100 * k, 100.0))) for k in (1, 4, 100)]
    assert held[0] > held[1] >= held[2]


def test_depots_by_parts_and_those_that_never_ran():
    wanted = spares.demand(np.array([[3, 0], [10, 0]]), np.array([[365.0, 365.0], [365.0, 0.0]]), 90.0)
    assert wanted.mean.shape == (2, 2)
    assert np.isnan(wanted.mean[1, 1]) and np.isnan(spares.stock(wanted)[1, 1])
    assert wanted.mean[0, 1] > 0 and wanted.low[0, 1] == 0
    assert spares.demand(5, 100.0, 0.0).high == 0


def test_the_limits_hold_what_comes():
    """Rates drawn over what parts see; 95 % limits from three years, 90 days ahead."""
    rng = np.random.default_rng(11)
    rate = rng.uniform(2, 120, 4000) / 1095
    wanted = spares.demand(rng.poisson(rate * 1095), 1095.0, 90.0)
    came = rng.poisson(rate * 90)
    assert ((wanted.low <= came) & (came <= wanted.high)).mean() >= 0.93
    assert (came <= spares.stock(wanted, 0.95)).mean() >= 0.94
