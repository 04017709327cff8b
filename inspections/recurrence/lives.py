"""How long does a replaced part last, and is planned replacement worth it?

A life runs from `start` to `stop` on the part's own age, both (n,), in days: `start` is 0, or the age it had when
records began (left truncation); `failed` (n,) bool: that part failed at `stop`, else it still runs, or was taken off
for another reason or as planned (right censoring). Lives that end no later than they start are left out.
A part whose age is not known is left out until its first replacement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inspections.recurrence.estimates import NAN, Estimate, normal_point, numbers

FEW_AT_RISK = 10
FEW_FAILURES = 5  # below it no shape is fitted


@dataclass(frozen=True, slots=True)
class Survival:
    """Kaplan–Meier steps, all (m,), one per distinct failure age: `age`, `share` still in use after it, `low`,
    `high`, `at_risk` just before, `failures` then. `parts`, `failed`: totals; `reach`: greatest age
    watched; `shown_to`: greatest age with FEW_AT_RISK at risk, beyond which the curve says little (0: nowhere);
    `entered`, `left`: ages of all parts, (parts,); `level` of the limits."""

    age: np.ndarray
    share: np.ndarray
    low: np.ndarray
    high: np.ndarray
    at_risk: np.ndarray
    failures: np.ndarray
    parts: int
    failed: int
    reach: float
    shown_to: float
    entered: np.ndarray
    left: np.ndarray
    level: float

    def risk(self, age: float) -> int:
        """Parts under watch just before `age`."""
        return int(_at_risk(self.entered, self.left, np.array([age]))[0])

    def at(self, age: float) -> Estimate:
        """Share in use after `age`; unknown beyond `reach` while some were still in use.

        Before the first failure: 1, and at least what so many parts without one say (exact binomial).
        """
        step = int(np.searchsorted(self.age, age, side="right")) - 1
        lasting = len(self.share) == 0 or self.share[-1] > 0
        if not self.parts or (age > self.reach and lasting):
            return Estimate()
        if step < 0:
            n = self.risk(age)
            return Estimate(1.0, ((1 - self.level) / 2) ** (1 / n), 1.0) if n else Estimate()
        return Estimate(float(self.share[step]), float(self.low[step]), float(self.high[step]))

    def quantile(self, gone: float) -> Estimate:
        """Age by which a share `gone` has failed (0.5: the median), limits by inverting the band; inf: not
        reached."""
        if not self.parts:
            return Estimate()
        steps = (self.share, self.low, self.high)
        return Estimate(*(_first(self.age, step <= 1 - gone + 1e-12) for step in steps))


def survival(start, stop, failed, level: float = 0.95) -> Survival:
    """Kaplan–Meier with late entries, Greenwood's variance, log-log limits (Kaplan & Meier 1958; Tsai et al.
    1987)."""
    start, stop, failed = usable(start, stop, failed)
    age, deaths = np.unique(stop[failed], return_counts=True)
    at_risk = _at_risk(start, stop, age)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.cumprod(1 - deaths / at_risk)
        greenwood = np.cumsum(deaths / (at_risk * (at_risk - deaths)))
        reach = normal_point(level) * np.sqrt(greenwood) / np.abs(np.log(share))
        low, high = share ** np.exp(reach), share ** np.exp(-reach)
    shown_to = float(stop[_at_risk(start, stop, stop) >= FEW_AT_RISK].max(initial=0.0))
    gone = share <= 0
    low[gone] = 0.0
    high[gone] = high[~gone][-1] if (~gone).any() else 1.0
    return Survival(
        age=age,
        share=share,
        low=low,
        high=high,
        at_risk=at_risk,
        failures=deaths,
        parts=len(stop),
        failed=int(failed.sum()),
        reach=float(stop.max(initial=0.0)),
        shown_to=shown_to,
        entered=start,
        left=stop,
        level=level,
    )


@dataclass(frozen=True, slots=True)
class Compared:
    """Log-rank test of k groups: `failed` and `expected` (k,), `chi2` with k − 1 degrees of freedom, `p`."""

    failed: np.ndarray
    expected: np.ndarray
    chi2: float
    p: float


def compare_lives(start, stop, failed, group) -> Compared:
    """Do groups (batches: `group` (n,) index) last differently? Log-rank with late entries (Mantel 1966)."""
    from scipy.special import chdtrc

    start, stop, failed, group = usable(start, stop, failed, group)
    names, group = np.unique(group, return_inverse=True)
    k, ages = len(names), np.unique(stop[failed])
    if k < 2 or not len(ages):
        return Compared(np.zeros(k), np.zeros(k), NAN, NAN)
    at_risk = np.stack([_at_risk(start[group == g], stop[group == g], ages) for g in range(k)])
    deaths = np.stack([(stop[failed & (group == g)][:, None] == ages).sum(axis=0) for g in range(k)])
    n, d = at_risk.sum(axis=0), deaths.sum(axis=0)
    expected = (at_risk * d / n).sum(axis=1)
    weight = d * (n - d) / np.maximum(n - 1, 1)
    share = at_risk / n
    spread = np.diag((share * weight).sum(axis=1)) - (share * weight) @ share.T
    away = deaths.sum(axis=1) - expected
    x = float(away[1:] @ np.linalg.pinv(spread[1:, 1:]) @ away[1:])
    return Compared(deaths.sum(axis=1), expected, x, float(chdtrc(k - 1, x)))


def usable(start, stop, failed, *more) -> list[np.ndarray]:
    """The arrays without lives that end no later than they start, or whose ages are not numbers."""
    start, stop = numbers(start, stop)
    start, stop, failed, *more = np.broadcast_arrays(start, stop, np.asarray(failed, bool), *more)
    good = (start >= 0) & (stop > start)
    return [x[good] for x in (start, stop, failed, *more)]


def _at_risk(start: np.ndarray, stop: np.ndarray, ages: np.ndarray) -> np.ndarray:
    """Parts with start < age ≤ stop at each age."""
    entered = np.searchsorted(np.sort(start), ages, side="left")
    return entered - np.searchsorted(np.sort(stop), ages, side="left")


def _first(age: np.ndarray, reached: np.ndarray) -> float:
    return float(age[np.argmax(reached)]) if reached.any() else np.inf
