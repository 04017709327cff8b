"""A figure with its limits, and the few limits that several questions share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its limits; all three nan where there is too little to say."""

    value: float = NAN
    low: float = NAN
    high: float = NAN

    @property
    def known(self) -> bool:
        """Whether there is a value at all."""
        return not np.isnan(self.value)


def normal_point(level: float) -> float:
    """The point of the normal distribution that cuts off (1 - level)/2: 1.96 at 0.95."""
    from scipy.special import ndtri

    return float(ndtri(0.5 + level / 2))


def wilson(hits: int, of: int, level: float = 0.95) -> Estimate:
    """A share with its score limits (Wilson 1927): 0 of 20 is 0 to 0.16. Of 0: nothing is known."""
    if of <= 0:
        return Estimate()
    z, share = normal_point(level), hits / of
    middle = share + z * z / (2 * of)
    reach = z * np.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    scale = 1 + z * z / of
    low = 0.0 if hits == 0 else (middle - reach) / scale
    high = 1.0 if hits == of else (middle + reach) / scale
    return Estimate(share, float(low), float(high))


def adjusted(p: np.ndarray) -> np.ndarray:
    """p values after allowing for how many were looked at (Benjamini & Hochberg 1995); nan stays nan, uncounted."""
    from scipy.stats import false_discovery_control

    p = np.asarray(p, float)
    q, tested = np.full(p.shape, np.nan), ~np.isnan(p)
    if tested.any():
        q[tested] = false_discovery_control(np.clip(p[tested], 0.0, 1.0))
    return q
