"""Limits hold the truth: few draws, a fixed seed, wide bounds. `tests/long coverage` draws thousands."""

import numpy as np
import pytest

from tests.bench.coverage import CASES, LEAST, MOST, held_share, verdict

DRAWS = 60
QUICK = (
    "rate now over a year ago, 12 events",
    "power law, late windows, 30 events",
    "power law, by months, 12 events",
    "power law, whole windows, 12 events",
    "step at a modification, 12 events",
    "mean count at three years, 16 ends, 60 events",
    "difference of two mean counts, 16 and 68 ends",
    "Weibull shape, 40 parts, few failed",
    "Weibull b10, 24 parts, most failed",
    "Weibull mean, 96 parts, most failed",
    "share in use at 350 days, 40 parts, few failed",
    "median from the curve, 96 parts, most failed",
    "share that came back, 20 repairs",
    "share that held, with unripe repairs, 48 repairs",
    "share that came back, ends that differ, 300 repairs, 84 ends",
    "common odds ratio, 3 strata, 30 repairs of 150",
    "all swaps together, 12 swaps",
    "a place against the others, 45,000 attempts, four times",
    "findings at mates over their own rates, 40 mates",
)


@pytest.mark.parametrize("name", QUICK)
def test_limits_hold_the_truth_about_as_often_as_said(name):
    share, told = held_share(name, DRAWS)
    assert told > 0.1
    assert verdict(CASES[name][0], share, int(DRAWS * told)) == ""


def test_a_wrong_limit_would_be_seen():
    """Limits of 80 % where 95 is said fail at either number of draws; so do likelihood limits that hold always."""
    assert verdict("other", 0.80, DRAWS)
    assert verdict("exact", LEAST - 0.02, 4000)
    assert verdict("likelihood", MOST + 0.02, 4000)
    assert not verdict("exact", 1.0, 4000)
    assert np.isclose(LEAST, 0.93)
