"""The yearly wave: published coefficients, false alarms, coverage."""

import numpy as np
import pytest

from inspections.recurrence import season

YEARS = 3
AT = (np.arange(12 * YEARS) + 0.5) * 365.25 / 12
# Poliomyelitis in the United States, cases a month, 1970-1983 (Zeger, Biometrika 75, 1988).
POLIO = """
0 1 0 0 1 3 9 2 3 5 3 5 2 2 0 1 0 1 3 3 2 1 1 5 0 3 1 0 1 4 0 0 1 6 14 1 1 0 0 1 1 1 1 0 1 0 1 0
1 0 1 0 1 0 1 0 1 0 0 2 0 1 0 1 0 0 1 2 0 0 1 2 0 3 1 1 0 2 0 4 0 2 1 1 1 1 0 1 1 0 2 1 3 1 2 4
0 0 0 1 0 1 0 2 2 4 2 3 3 0 0 2 7 8 2 4 1 1 2 4 0 1 1 1 3 0 0 0 0 1 0 1 1 0 0 0 0 0 1 2 0 2 0 0
0 1 0 1 0 1 0 2 0 0 1 2 0 1 0 0 0 1 2 1 0 1 3 6
"""


def test_polio_as_published():
    """Coefficients of the independent fit in Davis, Dunsmuir & Wang (Biometrika 87, 2000), table 2."""
    count = np.array(POLIO.split(), float)
    month = np.arange(len(count))
    waves = [wave(2 * np.pi * month * k / 12) for k in (1, 2) for wave in (np.cos, np.sin)]
    columns = np.column_stack([np.ones(len(count)), (month + 1 - 73) / 1000, *waves])
    fit = season.poisson_regression(columns, count, np.ones(len(count)))
    assert fit.coefficients.round(3).tolist() == [0.207, -4.799, -0.149, -0.532, 0.169, -0.432]


def draw(rng, ratio, per_month=4.0, phi=1.0, growth=0.0):
    """Counts and exposure of 36 months, peak on day 25."""
    exposure = np.linspace(1.0, 1.0 + growth, len(AT))
    mean = per_month * exposure * np.exp(np.log(ratio) / 2 * np.cos(2 * np.pi * (AT - 25) / 365.25))
    mean = mean * rng.gamma(mean / (phi - 1), (phi - 1) / mean) if phi > 1 else mean
    return rng.poisson(mean), exposure


def fit(count, exposure):
    return season.yearly(count, exposure, AT, 365.25 * YEARS)


def test_a_planted_season_is_found_with_its_month():
    found = fit(*draw(np.random.default_rng(1), 3.0, per_month=8.0, growth=1.0))
    assert found.sure and found.low < 3.0 < found.high
    assert min(found.peak, 365.25 - found.peak) < 60


def test_a_fleet_that_grows_has_no_season():
    """Bare month totals of a growing fleet alarm; counts over exposure do not."""
    rng = np.random.default_rng(2)
    drawn = [draw(rng, 1.0, growth=2.0) for _ in range(100)]
    alarms = [fit(count, exposure).p < 0.05 for count, exposure in drawn]
    assert 0.01 <= np.mean(alarms) <= 0.09


def test_bursts_do_not_pass_for_a_season():
    rng = np.random.default_rng(3)
    alarms = [fit(*draw(rng, 1.0, phi=2.0)).p < 0.05 for _ in range(100)]
    assert np.mean(alarms) <= 0.10


@pytest.mark.parametrize("ratio", [1.0, 2.2, 3.0])
def test_limits_of_the_ratio_hold_it(ratio):
    rng = np.random.default_rng(4)
    found = [fit(*draw(rng, ratio)) for _ in range(100)]
    held = np.mean([each.low <= ratio <= each.high for each in found])
    assert held >= 0.90  # 100 draws; `tests/long gate` measures it closely


TOO_LITTLE = [
    ("no faults", np.zeros(36), np.ones(36), 1095),
    ("29 faults", np.repeat([1, 0], [29, 7]), np.ones(36), 1095),
    ("one year", np.full(36, 5), np.ones(36), 365),
    ("nothing ran", np.full(36, 5), np.zeros(36), 1095),
    ("not numbers", np.full(36, np.nan), np.full(36, np.nan), 1095),
    ("hardly any months ran", np.full(36, 9), np.repeat([1.0, 0.0], [6, 30]), 1095),
]


@pytest.mark.parametrize(("what", "count", "exposure", "length"), TOO_LITTLE, ids=[row[0] for row in TOO_LITTLE])
def test_too_little_is_not_told(what, count, exposure, length):
    found = season.yearly(count, exposure, AT, length)
    assert not found.told and not found.sure and np.isnan(found.ratio)
    assert (season.factors(found, 100, 0) == 1).all()


ONE_MONTH = np.zeros(36)
ONE_MONTH[[0, 12, 24]] = 40


@pytest.mark.parametrize("count", [np.repeat([60, 0], [1, 35]), ONE_MONTH, np.repeat([0, 60], [35, 1])])
def test_all_in_one_month_gives_a_result(count):
    found = season.yearly(count, np.ones(36), AT, 1095)
    assert found.told and found.p >= 0 and found.ratio >= 1 and found.low <= found.high


def test_factors_have_mean_one_and_peak_at_the_peak():
    found = fit(*draw(np.random.default_rng(1), 3.0, per_month=8.0))
    factors = season.factors(found, 1461, first_day=100)
    assert factors.mean() == pytest.approx(1.0, abs=1e-3)
    assert (100 + factors.argmax() + 0.5) % 365.25 == pytest.approx(found.peak, abs=1.0)
    assert factors.max() / factors.min() == pytest.approx(found.ratio, rel=1e-3)


def test_months_that_burst_point_to_a_shared_cause():
    rng = np.random.default_rng(6)
    calm = season.bursts(*draw(rng, 2.0, per_month=50.0), AT)
    cold_spells = season.bursts(*draw(rng, 2.0, per_month=50.0, phi=3.0), AT)
    assert not calm.shared and calm.p > 0.01
    assert cold_spells.shared and cold_spells.p < 0.01
    assert np.isnan(season.bursts(np.zeros(36), np.ones(36), AT).phi)
