"""Did repairs hold: ripe ones only, chance taken off, printed tables, one bad group among many, small data."""

import numpy as np
import pytest
from scipy.stats import binomtest, fisher_exact, poisson

from inspections.recurrence.estimates import wilson
from inspections.recurrence.odds import Tables, mantel_haenszel
from inspections.recurrence.repeats import Repairs, by_group, held, not_found
from tests.recurrence.published import ADMISSIONS, RABBITS


def made(back, until=1000.0, end=None, rate=0.0, window=28.0):
    """Repairs closed on day 0 of their own; `back` days after, nan where they held."""
    n = len(back)
    return Repairs(np.zeros(n), window, back, until, np.arange(n) if end is None else end, rate)


def test_the_papers_sentence():
    """`stats.md` §5: of 48 repairs 8 came back: 17 % (9 % to 30 %)."""
    found = held(made([5.0] * 8 + [np.nan] * 40, rate=-np.log1p(-2 / 48) / 28))
    assert (found.ripe, found.came_back, round(found.chance, 6), round(found.excess, 6)) == (48, 8, 2.0, 6.0)
    assert [round(100 * x) for x in (found.returned.value, found.returned.low, found.returned.high)] == [17, 9, 30]
    assert found.p == pytest.approx(poisson.sf(7, 2.0))
    assert found.first_time.value == pytest.approx(40 / 48)


@pytest.mark.parametrize(("hits", "of"), [(0, 20), (20, 20), (8, 48), (1, 1), (3, 7)])
def test_wilson_is_scipys(hits, of):
    other = binomtest(hits, of).proportion_ci(0.95, "wilson")
    found = wilson(hits, of)
    assert (found.low, found.high) == (pytest.approx(other.low, abs=1e-12), pytest.approx(other.high))


def test_none_of_twenty_is_at_most_sixteen_percent():
    assert held(made([np.nan] * 20)).returned.high == pytest.approx(0.161, abs=5e-4)


RIPENESS = [  # day watched to, day back, ripe, came back
    (28.0, np.nan, True, False),
    (27.9, np.nan, False, False),
    (27.9, 5.0, False, True),  # back already, but not ripe: those that held in its class are not known yet
    (90.0, 28.0, True, True),
    (90.0, 28.1, True, False),
    (90.0, 0.0, True, True),
    (90.0, -1.0, True, False),
    (-1.0, np.nan, False, False),
    (np.nan, 5.0, False, False),
]


@pytest.mark.parametrize(("until", "back", "ripe", "came_back"), RIPENESS)
def test_ripe_and_came_back(until, back, ripe, came_back):
    one = made([back], until=until)
    assert (one.ripe.tolist(), one.came_back.tolist()) == ([ripe], [came_back])


def test_hold_uses_unripe_repairs_as_far_as_they_go_and_equals_the_share_when_all_are_ripe():
    ripe = held(made([5.0] * 8 + [np.nan] * 40))
    assert ripe.hold.value == pytest.approx(1 - ripe.returned.value)
    some = made([7.0, np.nan, np.nan, np.nan], until=np.array([90, 14, 90, 90.0]))
    assert held(some).hold.value == pytest.approx(3 / 4)
    early = made([14.0, np.nan, np.nan, np.nan], until=np.array([90, 7, 90, 90.0]))
    assert held(early).hold.value == pytest.approx(2 / 3)


def test_each_repair_has_its_own_window():
    found = held(made([40.0, 40.0, np.nan], window=np.array([28.0, 60.0, 28.0])))
    assert (found.ripe, found.came_back) == (3, 1)


def test_one_bad_end_is_not_many_repairs():
    """20 repeats at one end of 20: resampling ends gives wider limits than counting repairs as independent."""
    end = np.r_[np.zeros(20), np.repeat(np.arange(1, 21), 5)]
    found = held(made(np.r_[np.full(20, 5.0), np.full(100, np.nan)], end=end))
    assert found.ends == 21
    assert found.by_end.low < found.returned.low
    assert found.by_end.high > found.returned.high
    one = held(made([5.0, np.nan], end=np.zeros(2)))
    assert np.isnan(one.by_end.low)


def test_six_departments():
    """Bickel, Hammel & O'Connell (1975): the crude odds 1.84 vanish within departments: 0.905 (0.772 to 1.060)."""
    found = mantel_haenszel(Tables(*np.array(ADMISSIONS).T))
    assert found.ratio.value == pytest.approx(0.9047, abs=5e-5)
    assert (found.ratio.low, found.ratio.high) == (pytest.approx(0.7719, abs=5e-5), pytest.approx(1.0603, abs=5e-5))
    assert found.chi2 == pytest.approx(1.525, abs=5e-4)
    crude = mantel_haenszel(Tables(*np.array(ADMISSIONS).sum(axis=0)[:, None]))
    assert crude.ratio.value == pytest.approx(1.84, abs=5e-3)


def test_penicillin_at_five_doses():
    """Mantel (1963): common odds 7 (1.03 to 47.7); exact p 0.040. Two doses where all did alike say nothing."""
    found = mantel_haenszel(Tables(*np.array(RABBITS).T))
    assert found.ratio.value == pytest.approx(7.0)
    assert (found.ratio.low, found.ratio.high) == (pytest.approx(1.0267, abs=5e-5), pytest.approx(47.725, abs=5e-4))
    assert found.p == pytest.approx(0.03994, abs=5e-6)


@pytest.mark.parametrize("table", [(3, 1, 1, 3), (7, 3, 2, 9), (0, 8, 5, 3), (6, 0, 1, 9)])
def test_one_stratum_is_fishers_test(table):
    a, b, c, d = table
    found = mantel_haenszel(Tables(*(np.array([x]) for x in table)))
    tails = [fisher_exact([[a, b], [c, d]], side).pvalue for side in ("less", "greater")]
    assert found.p == pytest.approx(min(1.0, 2 * min(tails)))
    if 0 in table:
        assert (found.p < 0.05) == (not found.ratio.low <= 1 <= found.ratio.high)


def groups(seed, share, strata=None):
    """Repairs of groups with a share that comes back each; 60 repairs a group."""
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(len(share)), 60)
    back = np.where(rng.random(len(group)) < np.asarray(share)[group], 5.0, np.nan)
    stratum = np.zeros(len(group), int) if strata is None else strata
    return by_group(made(back, end=rng.integers(0, 84, len(group))), group, stratum)


def test_one_bad_group_is_named_and_does_not_make_good_ones_of_the_rest():
    found = groups(3, [0.08] * 6 + [0.45])
    assert [g.group for g in found if g.q <= 0.05] == [6]
    assert found[6].ratio.low > 2
    expected = 60 * sum(g.came_back for g in found[:6]) / 360
    assert found[6].expected == pytest.approx(expected)


def test_groups_that_do_not_differ_are_seldom_named():
    named = [any(g.q <= 0.05 for g in groups(seed, [0.1] * 5)) for seed in range(60)]
    assert sum(named) <= 6


def test_the_depot_with_the_hard_faults_is_not_blamed():
    """Simpson: depot 1 does mostly the fault that comes back in 40 %, at both depots alike."""
    rng = np.random.default_rng(9)
    depot = np.repeat([0, 1], 300)
    hard = rng.random(600) < np.where(depot == 1, 0.8, 0.2)
    back = np.where(rng.random(600) < np.where(hard, 0.4, 0.05), 5.0, np.nan)
    crude = by_group(made(back), depot, np.zeros(600, int))
    fair = by_group(made(back), depot, hard.astype(int))
    assert crude[1].q < 0.001
    assert fair[1].q > 0.05
    assert fair[1].expected == pytest.approx(
        sum((depot[hard == h] == 1).sum() * (back[hard == h] > 0).mean() for h in (True, False))
    )


def test_under_twenty_ripe_repairs_are_not_judged():
    back = np.r_[np.full(10, 5.0), np.full(9, np.nan), np.full(81, np.nan)]
    few, rest = by_group(made(back), np.r_[np.zeros(19, int), np.ones(81, int)], np.zeros(100, int))
    assert (few.enough, few.ripe, rest.enough) == (False, 19, True)
    assert np.isnan(few.q)


def test_no_fault_found_and_what_came_back():
    found = not_found(made([5.0, np.nan, 7.0, np.nan], until=[90, 90, 90, 3.0]), [True, True, False, True])
    assert (found.examined, found.not_found, found.ripe, found.came_back) == (4, 3, 2, 1)
    assert found.returned.value == 0.5


def test_nothing_at_all_has_answers():
    none = made(np.zeros(0))
    found = held(none)
    assert (found.repairs, found.came_back, found.returned.known, found.hold.known) == (0, 0, False, False)
    assert by_group(none, [], []) == []
    assert not not_found(none, []).share.known
    alone = by_group(made([5.0] * 30), np.zeros(30, int), np.zeros(30, int))
    assert (alone[0].enough, alone[0].came_back) == (False, 30)
    with pytest.raises(ValueError, match="shape"):
        made([1.0, 2.0], until=np.zeros(3))
