"""Which ends fault more than the fleet would by chance, and whether two rates differ.

Ranked by the chance of being bad under two groups: ordinary cells spread about the fleet's rate, a few lie far above.
Sources: DuMouchel (1999) for the two Gamma groups; Newton et al. (2004) for the false-discovery cut on posterior
chances; Garwood (1936) for the limits of a rate; Przyborowski & Wilenski (1940) for comparing two.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

BAD_SHAPE = 8.0
WATCH = 0.5
SHARES = np.geomspace(0.0005, 0.16, 10)
TIMES = 4.0 * np.exp(0.5 * np.linspace(-2.0, 2.0, 7))
SHAPES = np.geomspace(1.0, 256.0, 13)
LEAST_SPREAD = 16.0
LOG_RATES = np.linspace(np.log(0.01), np.log(100.0), 400)
NEGLIGIBLE = 1e-6


@dataclass(frozen=True, slots=True)
class TwoGroups:
    """The two groups fitted to a fleet, and where each cell stands.

    `share` of bad cells, `shape` of the ordinary cells' Gamma, `times` the bad group's mean over the ordinary one's:
    averaged over what the fleet leaves open. `bad` (cells,): chance that the cell is bad. `mean`, `low`, `high`
    (cells,): rate relative to the fleet with limits at the level asked for. `fitted` is False when there was nothing
    to fit (no episodes, or fewer than two cells that ran): then `bad` is 0.
    """

    share: float
    shape: float
    times: float
    bad: np.ndarray
    mean: np.ndarray
    low: np.ndarray
    high: np.ndarray
    fitted: bool


def two_groups(n: np.ndarray, e: np.ndarray, level: float = 0.95) -> TwoGroups:
    """Fit the two groups to episodes `n` (cells,) and expected counts `e` (cells,), all components together.

    Model: n ~ Poisson(θ e); θ ~ (1 - share) Gamma(shape, mean m) + share Gamma(8, mean m × times), m such that the
    fleet's mean is 1. Nothing is fixed at a best value: results are averaged over a grid of share, times and shape,
    by how well each explains the fleet, with weak priors share ~ Beta(1, 30), log times ~ N(log 4, 0.5), log shape ~
    N(log 16, 1). Rates and their limits lean to more natural spread, log shape ~ N(log 4, 1) and shape at most 16 (a
    quarter): else limits get too narrow where counts cannot tell. Limits are equal-tailed; θ within 0.01 to 100. A
    cell that did not run (e = 0) has only the prior.
    """
    n, e = np.asarray(n, float), np.asarray(e, float)
    ran = np.isfinite(n) & np.isfinite(e) & (e > 0)
    n, e = np.where(ran, n, 0.0), np.where(ran, e, 0.0)
    fitted = bool(ran.sum() >= 2 and n.sum() > 0)
    share, times, shape, weight = _grid()
    level_of = 1 / (1 - share + share * times)
    one = np.log1p(-share) + _log_marginal(n, e, shape, level_of)
    two = np.log(share) + _log_marginal(n, e, BAD_SHAPE, level_of * times)
    either = np.logaddexp(one, two)
    weight = weight + (either.sum(axis=1) if fitted else 0.0)
    careful = _shares(
        np.where(shape <= LEAST_SPREAD * 1.001, weight[:, None] - np.log(4) * np.log(shape), -np.inf)[:, 0]
    )
    weight = _shares(weight)
    bad = weight @ np.exp(two - either) if fitted else np.zeros(len(n))
    prior = _rate_density(share, shape, level_of, times)
    mean, low, high = _rates(n, e, careful, either, prior, level)
    share, shape, times = (float(weight @ values[:, 0]) for values in (share, shape, times))
    return TwoGroups(share, shape, times, bad, mean, low, high, fitted)


def _grid() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """share, times, shape, each (grid, 1), and their log prior on the grid's even logarithmic steps, (grid,)."""
    share, times, shape = (g.reshape(-1, 1) for g in np.meshgrid(SHARES, TIMES, SHAPES, indexing="ij"))
    log_prior = np.log(share) + 29 * np.log1p(-share)
    log_prior = log_prior - (np.log(times / 4) / 0.5) ** 2 / 2 - np.log(shape / 16) ** 2 / 2
    return share, times, shape, log_prior[:, 0]


def _shares(log_weight: np.ndarray) -> np.ndarray:
    """Weights that sum to 1."""
    weight = np.exp(log_weight - log_weight.max())
    return weight / weight.sum()


def _log_marginal(n: np.ndarray, e: np.ndarray, shape: np.ndarray | float, mean: np.ndarray) -> np.ndarray:
    """Log negative binomial chance of n, (grid, cells), less what depends on n and e alone."""
    from scipy import special

    some, which = np.unique(n, return_inverse=True)
    table = special.gammaln(shape + some) - special.gammaln(shape) + some * np.log(mean)
    return table[:, which] + shape * np.log(shape) - (shape + n) * np.log(shape + mean * e)


def _rate_density(share: np.ndarray, shape: np.ndarray, mean: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Density of the log rate under each point of the grid, (grid, rates)."""
    from scipy import special

    def density(a: np.ndarray | float, average: np.ndarray) -> np.ndarray:
        scaled = a * np.log(a / average) - special.gammaln(a) + a * LOG_RATES - a * np.exp(LOG_RATES) / average
        return np.exp(scaled)

    return (1 - share) * density(shape, mean) + share * density(BAD_SHAPE, mean * times)


def _rates(
    n: np.ndarray, e: np.ndarray, weight: np.ndarray, either: np.ndarray, prior: np.ndarray, level: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Posterior mean and limits of each cell's rate, each (cells,). `weight` (grid,), `either` (grid, cells).

    A cell's prior is what the other cells say: the weight of a grid point less that cell's own part in it.
    """
    kept = weight > NEGLIGIBLE
    others = np.log(weight[kept])[:, None] - either[kept]
    others = np.exp(others - others.max(axis=0))
    likely = n[:, None] * LOG_RATES - e[:, None] * np.exp(LOG_RATES)
    posterior = (others.T @ prior[kept]) * np.exp(likely - likely.max(axis=1, keepdims=True))
    posterior /= posterior.sum(axis=1, keepdims=True)
    below = np.cumsum(posterior, axis=1) - posterior / 2
    tails = [(1 - level) / 2, (1 + level) / 2]
    limits = np.array([np.interp(tails, row, LOG_RATES) for row in below]).reshape(-1, 2)
    return posterior @ np.exp(LOG_RATES), np.exp(limits[:, 0]), np.exp(limits[:, 1])


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


def spread(n: np.ndarray, e: np.ndarray, component: np.ndarray, draws: int = 1000, seed: int = 1) -> Spread:
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
