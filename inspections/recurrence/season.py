"""Does a component fault by the season? Counts over exposure, never bare month totals.

Poisson regression on one wave of the year, with exposure as offset and a straight line for drift: a fleet that grew,
or ran less in summer, is no season. Source: the generalised linear model of McCullagh & Nelder (1989), chapter 6;
over-dispersion by Pearson's statistic.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

YEAR_DAYS = 365.25
LEAST_EPISODES = 30
LEAST_DAYS = 2 * 365
SURE = 0.05
PHASES = np.linspace(0.0, 2 * np.pi, 48, endpoint=False)
HIGHEST_LOG_RATIO = 12.0


@dataclass(frozen=True, slots=True)
class Regression:
    """A fitted Poisson regression: `coefficients` (k,), `fitted` (n,) means, `deviance`, Pearson `chi2`, `df`."""

    coefficients: np.ndarray
    fitted: np.ndarray
    deviance: float
    chi2: float
    df: int


def poisson_regression(columns: np.ndarray, count: np.ndarray, exposure: np.ndarray) -> Regression:
    """Maximum likelihood of log mean = log exposure + columns @ coefficients, by iterated weighted least squares.

    `columns` (n, k), `count` (n,), `exposure` (n,) above 0; the counts must not all be 0.
    """
    mean = (count + 0.5) * count.sum() / (count.sum() + 0.5 * len(count))
    for _ in range(50):
        wanted = np.log(mean / exposure) + (count - mean) / mean
        root = np.sqrt(mean)
        coefficients = np.linalg.lstsq(columns * root[:, None], wanted * root, rcond=None)[0]
        before, mean = mean, exposure * np.exp(np.clip(columns @ coefficients, -500, 500))
        mean = np.maximum(mean, 1e-300)
        if np.abs(mean - before).max() <= 1e-10 * before.max():
            break
    logs = np.log(np.where(count > 0, count, 1) / np.where(count > 0, mean, 1))
    deviance = 2 * float((count * logs - (count - mean)).sum())
    return Regression(coefficients, mean, deviance, float(((count - mean) ** 2 / mean).sum()), _spare(columns))


def _spare(columns: np.ndarray) -> int:
    return max(0, columns.shape[0] - columns.shape[1])


@dataclass(frozen=True, slots=True)
class Season:
    """A yearly wave in a rate.

    `told` is False where there is too little to say: fewer than 30 episodes, or less than two years, when season and
    trend look alike; then the rest is not a number. `p` of no season; `ratio` peak over trough with 95 % limits `low`
    and `high` (`low` is 1 while p >= 0.05); `peak` day of the year, 0 = 1 January; `phi` over-dispersion, at least 1;
    `cosine`, `sine` coefficients on the log rate.
    """

    told: bool
    episodes: int
    p: float
    ratio: float
    low: float
    high: float
    peak: float
    phi: float
    cosine: float
    sine: float

    @property
    def sure(self) -> bool:
        """Whether expected counts should follow it."""
        return self.told and self.p < SURE


def not_told(episodes: int) -> Season:
    """Too little to say."""
    return Season(False, episodes, *[float("nan")] * 8)


def yearly(count: np.ndarray, exposure: np.ndarray, at: np.ndarray, length: float) -> Season:
    """The season of one component.

    `count` (n,) episodes and `exposure` (n,) of equally long stretches, a month or a week; `at` (n,) middle of each,
    in days, day 0 on 1 January of some year; `length` of the whole record in days. Stretches that did not run are
    left out. p from the likelihood ratio: chi-square with 2 degrees of freedom, or F where the counts are
    over-dispersed. Limits of the ratio by profile likelihood.
    """
    count, exposure, at = (np.asarray(values, float) for values in (count, exposure, at))
    ran = np.isfinite(exposure) & (exposure > 0) & np.isfinite(count)
    count, exposure, at = count[ran], exposure[ran], at[ran]
    total = int(count.sum())
    if total < LEAST_EPISODES or length < LEAST_DAYS or len(count) < 8:
        return not_told(total)
    angle = 2 * np.pi * at / YEAR_DAYS
    level = _level_and_drift(at)
    wave = np.column_stack([np.cos(angle), np.sin(angle)])
    without = poisson_regression(level, count, exposure)
    full = poisson_regression(np.hstack([level, wave]), count, exposure)
    phi = max(1.0, full.chi2 / full.df)
    p = _p_of_drop(without.deviance - full.deviance, phi, full.df)
    cosine, sine = (float(value) for value in full.coefficients[2:])
    size = float(np.hypot(cosine, sine))
    low, high = _profile(level, angle, count, exposure, size, phi, full.df)
    peak = float(np.arctan2(sine, cosine) % (2 * np.pi)) * YEAR_DAYS / (2 * np.pi)
    low = 1.0 if p >= SURE else float(np.exp(2 * low))
    return Season(True, total, p, float(np.exp(2 * size)), low, float(np.exp(2 * high)), peak, phi, cosine, sine)


def _level_and_drift(at: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones(len(at)), (at - at.mean()) / max(np.ptp(at) / 2, 1.0)])


def _p_of_drop(drop: float, phi: float, df: int) -> float:
    """p of a drop in deviance by two terms."""
    from scipy import special

    drop = max(drop, 0.0)
    return float(special.fdtrc(2, df, drop / 2 / phi) if phi > 1 else special.chdtrc(2, drop))


def _profile(
    level: np.ndarray, angle: np.ndarray, count: np.ndarray, exposure: np.ndarray, size: float, phi: float, df: int
) -> tuple[float, float]:
    """Amplitudes whose best fit is not worse than the best of all by the 95 % point; 0 where none bounds it below."""
    from scipy import optimize, special

    cut = special.fdtri(1, df, 0.95) if phi > 1 else special.chdtri(1, 0.05)
    best = _best_with(size, level, angle, count, exposure)

    def beyond(amplitude: float) -> float:
        return 2 * (best - _best_with(amplitude, level, angle, count, exposure)) / phi - cut

    low = optimize.brentq(beyond, 0.0, size, xtol=1e-4) if beyond(0.0) > 0 else 0.0
    high = size + 0.1
    while beyond(high) < 0 and high < HIGHEST_LOG_RATIO:
        high *= 1.5
    return low, optimize.brentq(beyond, size, high, xtol=1e-4) if beyond(high) > 0 else float("inf")


def _best_with(
    amplitude: float, level: np.ndarray, angle: np.ndarray, count: np.ndarray, exposure: np.ndarray
) -> float:
    """Highest log-likelihood with a wave of this amplitude, over its phase, the level and the drift."""
    offset = np.log(exposure) + amplitude * np.cos(angle - PHASES[:, None])
    drift = level[:, 1]
    powers = np.column_stack([np.ones(len(drift)), drift, drift**2])
    beta = np.zeros((len(PHASES), 2))
    beta[:, 0] = np.log(count.sum() / np.exp(offset).sum(axis=1))
    for _ in range(25):
        mean = np.exp(offset + beta @ level.T)
        slope = (count - mean) @ level
        whole, first, second = (mean @ powers).T
        step = np.column_stack(
            [second * slope[:, 0] - first * slope[:, 1], whole * slope[:, 1] - first * slope[:, 0]]
        )
        step /= np.maximum(whole * second - first**2, 1e-300)[:, None]
        beta += np.clip(step, -2, 2)
        if np.abs(step).max() < 1e-7:
            break
    logs = offset + beta @ level.T
    values = (count * logs - np.exp(logs)).sum(axis=1)
    return _top(values)


def _top(values: np.ndarray) -> float:
    """Top of a smooth closed curve given at equal steps: of the parabola through its three highest points."""
    i = int(values.argmax())
    left, middle, right = values[i - 1], values[i], values[(i + 1) % len(values)]
    bend = left - 2 * middle + right
    return float(middle if bend >= 0 else middle - (left - right) ** 2 / (8 * bend))


def factors(season: Season, days: int, first_day: float) -> np.ndarray:
    """Factor on the rate for each day of a record, (days,), mean 1 over a year; ones where the season is not sure.

    `first_day`: day of the year of day 0 of the record, 0 = 1 January.
    """
    if not season.sure:
        return np.ones(days)
    angle = 2 * np.pi * (first_day + np.arange(days) + 0.5) / YEAR_DAYS
    size = np.hypot(season.cosine, season.sine)
    return np.exp(season.cosine * np.cos(angle) + season.sine * np.sin(angle)) / np.i0(size)


@dataclass(frozen=True, slots=True)
class Burst:
    """Whether a fleet's months scatter more than chance. `phi` of counts after level, drift, season; `p` of phi = 1.

    `shared` is True when phi > 1.5: look for a shared cause (a cold spell, a batch) before naming ends.
    """

    phi: float
    p: float
    shared: bool


def bursts(count: np.ndarray, exposure: np.ndarray, at: np.ndarray) -> Burst:
    """Dispersion of the fleet's monthly episodes, all components together; arguments as for `yearly`.

    Not a number with fewer than 8 stretches or no episodes. p is that of Pearson's chi-square.
    """
    from scipy import special

    count, exposure, at = (np.asarray(values, float) for values in (count, exposure, at))
    ran = np.isfinite(exposure) & (exposure > 0) & np.isfinite(count)
    if ran.sum() < 8 or count[ran].sum() <= 0:
        return Burst(float("nan"), float("nan"), False)
    angle = 2 * np.pi * at[ran] / YEAR_DAYS
    columns = np.hstack([_level_and_drift(at[ran]), np.cos(angle)[:, None], np.sin(angle)[:, None]])
    fit = poisson_regression(columns, count[ran], exposure[ran])
    phi = fit.chi2 / fit.df
    return Burst(phi, float(special.chdtrc(fit.df, fit.chi2)), phi > 1.5)
