"""Which ends fault more than the fleet would by chance, and whether two rates differ.

Ranked by the chance of being bad under two groups: ordinary cells spread about the fleet's rate, a few lie far above.
Sources: DuMouchel (1999) for the two Gamma groups; Newton et al. (2004) for the false-discovery cut on posterior
chances; Garwood (1936) for the limits of a rate; Przyborowski & Wilenski (1940) for comparing two.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

BAD_SHAPE = 4.0
WATCH = 0.5


@dataclass(frozen=True, slots=True)
class TwoGroups:
    """The two groups fitted to a fleet, and where each cell stands.

    `share` of bad cells; `shape`, `level` of the ordinary cells' Gamma (level = mean rate relative to the fleet);
    `times` the bad group's mean over the ordinary one's. `bad` (cells,): chance that the cell is bad. `mean`, `low`,
    `high` (cells,): rate relative to the fleet and its limits at the level asked for. `fitted` is False when there
    was nothing to fit (no episodes or fewer than two cells that ran): then `bad` is 0.
    """

    share: float
    shape: float
    level: float
    times: float
    bad: np.ndarray
    mean: np.ndarray
    low: np.ndarray
    high: np.ndarray
    fitted: bool


def two_groups(n: np.ndarray, e: np.ndarray, level: float = 0.95) -> TwoGroups:
    """Fit the two groups to episodes `n` (cells,) and expected counts `e` (cells,), all components together.

    Model: n ~ Poisson(θ e); θ ~ (1 - share) Gamma(shape, mean level) + share Gamma(4, mean level × times). Penalised
    maximum likelihood with weak priors: share ~ Beta(1, 30), log times ~ N(log 4, 0.5), log shape ~ N(log 10, 1).
    Limits are equal-tailed posterior limits. A cell that did not run (e = 0) has only the prior.
    """
    from scipy import special

    n, e = np.asarray(n, float), np.nan_to_num(np.asarray(e, float), nan=0.0, posinf=0.0)
    e = np.maximum(e, 0.0)
    ran = e > 0
    n = np.where(ran, n, 0.0)
    fitted = bool(ran.sum() >= 2 and n.sum() > 0)
    share, shape, mean, times = _fit(n[ran], e[ran]) if fitted else (0.0, 10.0, 1.0, 4.0)
    log_odds = _log_marginal(n, e, BAD_SHAPE, mean * times) - _log_marginal(n, e, shape, mean)
    bad = special.expit(log_odds + special.logit(share)) if fitted else np.zeros(len(n))
    ordinary = (shape + n, shape / mean + e)
    worse = (BAD_SHAPE + n, BAD_SHAPE / (mean * times) + e)
    average = (1 - bad) * ordinary[0] / ordinary[1] + bad * worse[0] / worse[1]
    low, high = (_quantile(tail, bad, ordinary, worse) for tail in ((1 - level) / 2, (1 + level) / 2))
    return TwoGroups(share, shape, mean, times, bad, average, low, high, fitted)


def _log_marginal(n: np.ndarray, e: np.ndarray, shape: float, mean: float) -> np.ndarray:
    """Log negative binomial chance of n, less the terms that do not depend on shape or mean."""
    from scipy import special

    over = shape + mean * e
    return (
        special.gammaln(shape + n) - special.gammaln(shape) + shape * np.log(shape / over) + n * np.log(mean / over)
    )


def _fit(n: np.ndarray, e: np.ndarray) -> tuple[float, float, float, float]:
    """(share, shape, mean, times) at the highest penalised likelihood, from three starts."""
    from scipy import optimize, special

    def loss(x: np.ndarray) -> float:
        shape, mean, times = np.exp(x[0]), np.exp(x[1]), np.exp(x[3])
        one = special.log_expit(-x[2]) + _log_marginal(n, e, shape, mean)
        two = special.log_expit(x[2]) + _log_marginal(n, e, BAD_SHAPE, mean * times)
        prior = 29 * special.log_expit(-x[2]) - (x[0] - np.log(10)) ** 2 / 2 - ((x[3] - np.log(4)) / 0.5) ** 2 / 2
        return -float(np.logaddexp(one, two).sum() + prior)

    bounds = [(np.log(0.3), np.log(1e4)), (-4.0, 3.0), (-12.0, 0.0), (np.log(1.3), np.log(50.0))]
    starts = [(np.log(a), 0.0, special.logit(p), np.log(4.0)) for a, p in ((10, 0.01), (3, 0.002), (30, 0.08))]
    found = [optimize.minimize(loss, x, method="L-BFGS-B", bounds=bounds) for x in starts]
    best = min(found, key=lambda result: result.fun).x
    return float(special.expit(best[2])), *(float(v) for v in np.exp(best[[0, 1, 3]]))


Gamma = tuple[np.ndarray, np.ndarray]


def _quantile(tail: float, bad: np.ndarray, ordinary: Gamma, worse: Gamma) -> np.ndarray:
    """The `tail` quantile of each cell's mixture of two Gammas (shape, rate), by bisection between theirs."""
    from scipy import special

    ends = [special.gammaincinv(shape, tail) / rate for shape, rate in (ordinary, worse)]
    low, high = np.minimum(*ends), np.maximum(*ends)
    for _ in range(40):
        middle = (low + high) / 2
        chance = (1 - bad) * special.gammainc(ordinary[0], ordinary[1] * middle)
        chance += bad * special.gammainc(worse[0], worse[1] * middle)
        low, high = np.where(chance < tail, middle, low), np.where(chance < tail, high, middle)
    return (low + high) / 2


def confirmed(bad: np.ndarray, n: np.ndarray, fdr: float = 0.10, least: int = 3) -> np.ndarray:
    """The largest set of cells, (cells,) bool, whose expected share of ordinary ones is at most `fdr`.

    `bad` (cells,) chances, `n` (cells,) episodes; only cells with at least `least` episodes may be named.
    """
    able = np.flatnonzero((np.asarray(n) >= least) & np.isfinite(bad))
    order = able[np.argsort(-bad[able], kind="stable")]
    share = np.cumsum(1 - bad[order]) / np.arange(1, len(order) + 1)
    named = np.zeros(len(bad), bool)
    named[order[: int((share <= fdr).sum())]] = True
    return named


def watched(bad: np.ndarray, n: np.ndarray, least: int = 3) -> np.ndarray:
    """Cells more likely bad than not, (cells,) bool: worth an eye, not all of them confirmed."""
    return (bad >= WATCH) & (np.asarray(n) >= least)


def expected_false(bad: np.ndarray, named: np.ndarray) -> float:
    """How many of the named cells are ordinary, on average."""
    return float((1 - bad[named]).sum())


@dataclass(frozen=True, slots=True)
class Ratio:
    """A rate over another with exact limits. `p` of their being equal; it is below 1 - level when 1 is outside."""

    ratio: float
    low: float
    high: float
    p: float


NO_RATIO = Ratio(float("nan"), 0.0, float("inf"), 1.0)


def relative_rate(n: np.ndarray, e: np.ndarray, level: float = 0.95) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(n / e, low, high), each of the shape of `n`: exact Poisson limits (Garwood 1936). e = 0: nan, 0, infinity."""
    from scipy import special

    n, e = np.asarray(n, float), np.asarray(e, float)
    ran = e > 0
    over = np.where(ran, e, np.nan)
    low = np.where(n > 0, special.gammaincinv(np.maximum(n, 1), (1 - level) / 2), 0.0) / over
    high = special.gammaincinv(n + 1, (1 + level) / 2) / over
    return n / over, np.where(ran, low, 0.0), np.where(ran, high, np.inf)


def compare(n1: int, t1: float, n2: int, t2: float, level: float = 0.95) -> Ratio:
    """Rate n1 / t1 over rate n2 / t2: two groups, or after against before.

    `n1`, `n2` counts over exposures (or expected counts) `t1`, `t2`. Given n1 + n2, n1 is binomial; p is central
    (twice the smaller tail), so it and the limits agree. No exposure or no events: no ratio, p = 1.
    """
    from scipy import special

    total = n1 + n2
    if not (t1 > 0 and t2 > 0 and total > 0 and np.isfinite(t1 + t2)):
        return NO_RATIO
    chance, odds = t1 / (t1 + t2), t2 / t1
    at_most = float(special.bdtr(n1, total, chance))
    at_least = float(special.bdtrc(n1 - 1, total, chance)) if n1 else 1.0
    tail = (1 - level) / 2
    low = float(special.betaincinv(n1, n2 + 1, tail)) if n1 else 0.0
    high = float(special.betaincinv(n1 + 1, n2, 1 - tail)) if n2 else 1.0
    ratio = n1 / n2 * odds if n2 else float("inf")
    top = high / (1 - high) * odds if high < 1 else float("inf")
    return Ratio(ratio, low / (1 - low) * odds, top, min(1.0, 2 * min(at_most, at_least)))


@dataclass(frozen=True, slots=True)
class Classes:
    """Each class of weather against the rest: `ratios` and their `q` (Benjamini–Hochberg), one per class."""

    ratios: tuple[Ratio, ...]
    q: np.ndarray


def by_class(count: np.ndarray, exposure: np.ndarray) -> Classes:
    """Rates by class, weather or any other: each class against all the others together.

    `count` (k,) events and `exposure` (k,) running in each class.
    """
    count, exposure = np.asarray(count, int), np.asarray(exposure, float)
    pairs = zip(count, exposure, strict=True)
    ratios = tuple(compare(int(n), t, int(count.sum() - n), exposure.sum() - t) for n, t in pairs)
    return Classes(ratios, q_values(np.array([ratio.p for ratio in ratios])))


def q_values(p: np.ndarray) -> np.ndarray:
    """Benjamini–Hochberg (1995) adjusted p, same shape; what is not a number stays so and is not counted."""
    p = np.asarray(p, float)
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(-p[known], kind="stable")]
    steps = p[order] * len(order) / np.arange(len(order), 0, -1)
    adjusted = np.full(p.shape, np.nan)
    adjusted[order] = np.minimum.accumulate(np.minimum(steps, 1.0))
    return adjusted


@dataclass(frozen=True, slots=True)
class Spread:
    """Whether cells differ by more than chance: `d` = sum (n - e)² / e, `df`, `p` of chance alone (nan: too few)."""

    d: float
    df: int
    p: float


def spread(n: np.ndarray, e: np.ndarray, component: np.ndarray, draws: int = 2000, seed: int = 1) -> Spread:
    """Dispersion test of episodes `n` against `e`, whose sums agree within each `component`; all (cells,).

    Chi-square where e is at least 5 on average; else p is from `draws` fleets drawn with the same totals (given its
    total, a component's counts are multinomial in e), from a fixed seed.
    """
    from scipy import special

    ran = np.asarray(e) > 0
    n, e, component = np.asarray(n)[ran].astype(int), np.asarray(e, float)[ran], np.asarray(component)[ran]
    groups = [component == c for c in np.unique(component)]
    df = len(n) - len(groups)
    if df < 1:
        return Spread(float("nan"), max(df, 0), float("nan"))
    d = float(((n - e) ** 2 / e).sum())
    if e.mean() >= 5:
        return Spread(d, df, float(special.chdtrc(df, d)))
    rng = np.random.default_rng(seed)
    drawn = np.zeros(draws)
    for mine in groups:
        fleets = rng.multinomial(n[mine].sum(), e[mine] / e[mine].sum(), draws)
        drawn += ((fleets - e[mine]) ** 2 / e[mine]).sum(axis=1)
    return Spread(d, df, float((1 + (drawn >= d - 1e-9).sum()) / (1 + draws)))
