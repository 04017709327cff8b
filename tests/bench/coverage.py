"""How often the limits of trends, growth, lives, repeats and follow hold the truth, at the sizes the page uses.

    .venv/bin/python -m tests.bench.coverage [--draws 4000] [--only NAME]

Prints one line a figure and exits 1 where limits hold less than 93 %, or likelihood limits more than 97 % (less three
standard errors of the simulation). The page's sizes: 84 ends, three years, 96 couplers, 14 components, about 1,900
findings: a component has some 10 to 140 episodes. An unknown limit does not hold the truth.
"""

from __future__ import annotations

import argparse
import sys
import zlib
from collections.abc import Callable

import numpy as np

from inspections.recurrence.estimates import Estimate, wilson
from inspections.recurrence.follow import chains, places, swaps
from inspections.recurrence.growth import power_law, power_law_grouped
from inspections.recurrence.lives import survival
from inspections.recurrence.mcf import difference, mean_count
from inspections.recurrence.odds import Tables, mantel_haenszel
from inspections.recurrence.renewal import best_age, renewal
from inspections.recurrence.repeats import Repairs, held
from inspections.recurrence.trend import rate_now, step
from inspections.recurrence.weibull import weibull

LEAST, MOST = 0.93, 0.97
DAYS, ENDS = 1095.0, 84

Drawn = tuple[Estimate, float]  # limits and the truth; None where the page would say "too little"
Case = Callable[[np.random.Generator], "Drawn | None"]
CASES: dict[str, tuple[str, Case]] = {}


def case(name: str, kind: str, *variants: tuple) -> Callable:
    """Register one function at several sizes. `kind`: "likelihood", "exact", "other"; "told only" is not judged."""

    def register(function: Callable) -> Callable:
        for label, *given in variants or ((),):
            CASES[f"{name}, {label}"] = (kind, lambda rng, given=given: function(rng, *given))
        return function

    return register


def windows(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Three in ten ends entered late."""
    start = np.where(rng.random(ENDS) < 0.3, rng.uniform(0, 600, ENDS), 0.0)
    return start, np.full(ENDS, DAYS)


def power_events(rng, start, stop, beta: float, mean: float, spread: float = 0.0):
    """Times and ends of a power-law process of about `mean` events; ends' levels Gamma with that CV."""
    weight = stop**beta - start**beta
    level = rng.gamma(1 / spread**2, spread**2, len(start)) if spread else 1.0
    counts = rng.poisson(mean * level * weight / weight.sum())
    system = np.repeat(np.arange(len(start)), counts)
    share = rng.random(len(system))
    return (start[system] ** beta + share * weight[system]) ** (1 / beta), system


@case("rate now over a year ago", "likelihood", ("12 events", 12), ("30 events", 30), ("140 events", 140))
def rate_ratio(rng, mean):
    start, stop = windows(rng)
    slope = np.log(1.4) / 365.25
    weight = np.exp(slope * stop) - np.exp(slope * start)
    counts = rng.poisson(mean * rng.gamma(16, 1 / 16, ENDS) * weight / weight.sum())
    system = np.repeat(np.arange(ENDS), counts)
    time = np.log(np.exp(slope * start[system]) + rng.random(len(system)) * weight[system]) / slope
    return (rate_now(time, system, start, stop).ratio, 1.4) if len(time) >= 8 else None


@case("power law, late windows", "likelihood", ("12 events", 12), ("30 events", 30), ("140 events", 140))
def late_beta(rng, mean):
    start, stop = windows(rng)
    time, system = power_events(rng, start, stop, 1.6, mean)
    return (power_law(time, system, start, stop).beta, 1.6) if len(time) >= 8 else None


@case("power law, late windows, own levels", "likelihood", ("30 events", 30), ("140 events", 140))
def late_own_beta(rng, mean):
    start, stop = windows(rng)
    time, system = power_events(rng, start, stop, 1.6, mean, 0.6)
    return (power_law(time, system, start, stop, own_levels=True).beta, 1.6) if len(time) >= 8 else None


@case("power law, by months", "likelihood", ("12 events", 12), ("30 events", 30), ("140 events", 140))
def grouped_beta(rng, mean):
    edges = np.linspace(0, DAYS, 37)
    counts = rng.poisson(mean * np.diff(edges**1.6) / DAYS**1.6)
    return (power_law_grouped(edges[:-1], edges[1:], counts).beta, 1.6) if counts.sum() >= 8 else None


@case("power law, whole windows", "exact", ("12 events", 12), ("140 events", 140))
def whole_beta(rng, mean):
    start, stop = np.zeros(ENDS), np.full(ENDS, DAYS)
    time, system = power_events(rng, start, stop, 1.6, mean)
    return (power_law(time, system, start, stop).beta, 1.6) if len(time) >= 8 else None


@case("power law, one end to its last failure", "exact", ("9 events", 9))
def failure_beta(rng, count):
    time = np.cumsum(rng.exponential(size=count)) ** (1 / 1.6) * 100
    return power_law(time, np.zeros(count), 0, time[-1], failure_ended=True).beta, 1.6


@case("step at a modification", "exact", ("12 events", 12), ("140 events", 140))
def step_ratio(rng, mean):
    start, stop = windows(rng)
    at = rng.uniform(400, 700, ENDS)
    level = rng.gamma(4, 1 / 4, ENDS)
    runs = np.stack([np.maximum(at - start, 0), stop - np.maximum(at, start)], axis=1) * level[:, None]
    runs[:, 1] *= 0.5
    counts = rng.poisson(mean * runs / runs.sum())
    time, system = [], []
    for side, (low, high) in enumerate([(start, np.maximum(at, start)), (np.maximum(at, start), stop)]):
        whose = np.repeat(np.arange(ENDS), counts[:, side])
        system.append(whose)
        time.append(low[whose] + rng.random(len(whose)) * (high - low)[whose])
    found = step(np.concatenate(time), np.concatenate(system), start, stop, at)
    return (found.ratio, 0.5) if found.before + found.after >= 8 else None


@case("mean count at three years", "other", ("84 ends, 140 events", 84, 140), ("84 ends, 30 events", 84, 30),
      ("16 ends, 60 events", 16, 60))  # fmt: skip
def mean_at(rng, ends, mean):
    level = rng.gamma(16, 1 / 16, ends)
    counts = rng.poisson(mean * level / ends)
    system = np.repeat(np.arange(ends), counts)
    found = mean_count(rng.random(len(system)) * DAYS, system, np.zeros(ends), np.full(ends, DAYS), small_sample=True)
    if not len(found.age):
        return None
    return Estimate(float(found.mean[-1]), float(found.low[-1]), float(found.high[-1])), mean / ends


@case("difference of two mean counts", "other", ("42 and 42 ends, 140 events", 42), ("16 and 68 ends", 16))
def mean_difference(rng, first):
    groups = []
    for ends, rate in ((first, 1.2), (ENDS - first, 1.8)):
        counts = rng.poisson(rate * rng.gamma(16, 1 / 16, ends))
        system = np.repeat(np.arange(ends), counts)
        given = (rng.random(len(system)) * DAYS, system, np.zeros(ends), np.full(ends, DAYS))
        groups.append(mean_count(*given, small_sample=True))
    found = difference(*groups)
    return Estimate(float(found.value[-1]), float(found.low[-1]), float(found.high[-1])), -0.6


def lives(rng, parts, shape=2.6, scale=700.0, observed=(200, 1095)):
    """Parts fitted over three years; three in ten were there before, at a known age."""
    start = np.where(rng.random(4 * parts) < 0.3, rng.uniform(0, 700, 4 * parts), 0.0)
    life = rng.weibull(shape, 4 * parts) * scale
    seen = np.flatnonzero(life > start)[:parts]
    until = start[seen] + rng.uniform(*observed, parts)
    return start[seen], np.minimum(life[seen], until), life[seen] <= until


SIZES = (("96 parts, most failed", 96, (200, 1095)), ("40 parts, few failed", 40, (50, 500)),
         ("24 parts, most failed", 24, (200, 1095)))  # fmt: skip


def life_case(figure: str, truth: float) -> None:
    @case(f"Weibull {figure}", "likelihood", *SIZES)
    def limits(rng, parts, observed):
        found = weibull(*lives(rng, parts, observed=observed))
        return (getattr(found, figure), truth) if found.shape.known else None


life_case("shape", 2.6)
life_case("scale", 700.0)
life_case("b10", 700 * (-np.log(0.9)) ** (1 / 2.6))
life_case("b50", 700 * np.log(2) ** (1 / 2.6))
life_case("mean", 621.77)


@case("Weibull b50, where fewer than half of such slots have five failures", "told only", ("24 parts", 24))
def selected(rng, parts):
    """Those that happen to pass have failed early by chance: no limits can make up for being picked."""
    found = weibull(*lives(rng, parts, observed=(50, 500)))
    return (found.b50, 700 * np.log(2) ** (1 / 2.6)) if found.shape.known else None


@case("share in use at 350 days", "other", *SIZES)
def share_at(rng, parts, observed):
    """As the page shows it: while ten or more are at risk."""
    found = survival(*lives(rng, parts, observed=observed))
    return (found.at(350), np.exp(-((350 / 700) ** 2.6))) if found.shown_to >= 350 else None


@case("median from the curve", "other", SIZES[0])
def median(rng, parts, observed):
    return survival(*lives(rng, parts, observed=observed)).quantile(0.5), 700 * np.log(2) ** (1 / 2.6)


def renewal_case(figure: str) -> None:
    @case(f"best age to replace: {figure}", "other", ("84 couplers, 250 parts", 250))
    def limits(rng, parts):
        found = renewal(*lives(rng, parts), rng.integers(0, 84, parts), 5.0)
        return getattr(found, figure), getattr(best_age(2.6, 700.0, 5.0), figure)


renewal_case("age")
renewal_case("saving")


def repairs(rng, count, ends, share, spread=0.0):
    end = rng.integers(0, ends, count)
    own = rng.beta(share / spread, (1 - share) / spread, ends) if spread else np.full(ends, share)
    back = np.where(rng.random(count) < own[end], rng.uniform(1, 27, count), np.nan)
    return Repairs(np.zeros(count), 28.0, back, rng.uniform(10, 300, count), end, 0.0)


@case("share that came back", "other", ("48 repairs", 48, 0.17), ("200 repairs", 200, 0.08), ("20 repairs", 20, 0.17))
def returned(rng, count, share):
    return held(repairs(rng, count, ENDS, share)).returned, share


@case("share that held, with unripe repairs", "other", ("48 repairs", 48, 0.17), ("200 repairs", 200, 0.08))
def hold(rng, count, share):
    return held(repairs(rng, count, ENDS, share)).hold, 1 - share


@case("share that came back, ends that differ", "other", ("300 repairs, 84 ends", 300, 84))
def by_end(rng, count, ends):
    return held(repairs(rng, count, ends, 0.2, 0.15)).by_end, 0.2


@case("no fault found (Wilson)", "other", ("60 looked at", 60, 0.1))
def share_of(rng, count, share):
    return wilson(int(rng.binomial(count, share)), count), share


@case(
    "common odds ratio", "other", ("3 strata, 60 repairs of 240", 60, 240), ("3 strata, 30 repairs of 150", 30, 150)
)
def odds(rng, mine, of):
    base, ratio = np.array([0.08, 0.15, 0.3]), 2.5
    n1 = rng.multinomial(mine, [0.5, 0.3, 0.2])
    n2 = rng.multinomial(of - mine, [0.3, 0.3, 0.4])
    share = ratio * base / (1 - base + ratio * base)
    a, c = rng.binomial(n1, share), rng.binomial(n2, base)
    return mantel_haenszel(Tables(a, n1 - a, c, n2 - c)).ratio, ratio


@case("all swaps together", "exact", ("12 swaps", 12))
def moved(rng, count):
    e_b, e_c = rng.uniform(0.3, 1.5, count), rng.uniform(0.3, 1.5, count)
    level = rng.gamma(4, 1 / 4, count)
    return swaps(3.0, rng.poisson(3 * level * e_b), e_b, rng.poisson(level * e_c), e_c).pooled, 3.0


@case("a place against the others", "exact", ("45,000 attempts, four times", 4), ("45,000 attempts, the same", 1))
def place_ratio(rng, factor):
    end = rng.gamma(8, 1 / 8, ENDS)
    place, ends = np.meshgrid(np.arange(7), np.arange(500), indexing="ij")
    pairs = rng.integers(0, ENDS, (500 * 7, 2))
    tries = rng.poisson(np.array([18, 18, 13, 13, 13, 5, 10])[place.ravel()])
    rate = 0.012 * end[pairs].prod(axis=1) * np.where(place.ravel() == 5, factor, 1)
    found = places(place.ravel(), pairs, tries, rng.binomial(tries, np.minimum(rate, 1)))
    return next(row.ratio for row in found if row.place == 5), factor


@case("findings at mates over their own rates", "exact", ("40 mates", 40))
def followed(rng, mates):
    counts = rng.poisson(2.0, mates) + 1
    cell = np.repeat(np.arange(mates), counts)
    found = chains(np.zeros(mates), np.arange(mates), rng.uniform(0, 1000, mates), 90.0, cell,
                   rng.random(len(cell)) * DAYS, np.zeros(mates), DAYS)  # fmt: skip
    return found[0].ratio, 1.0


def held_share(name: str, draws: int) -> tuple[float, float]:
    """Share of draws whose limits hold the truth, and share of draws with limits at all."""
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    told = [x for x in (CASES[name][1](rng) for _ in range(draws)) if x is not None]
    if not told:
        return 0.0, 0.0
    return float(np.mean([limits.low <= truth <= limits.high for limits, truth in told])), len(told) / draws


def verdict(kind: str, share: float, draws: int) -> str:
    """ "" or what is wrong, beyond three standard errors of the simulation."""
    if kind == "told only":
        return ""
    slack = 3 * np.sqrt(0.05 * 0.95 / draws)
    if share < LEAST - slack:
        return f"below {LEAST:.0%}"
    if kind == "likelihood" and share > MOST + slack:
        return f"above {MOST:.0%}"
    return ""


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--draws", type=int, default=4000)
    options.add_argument("--only", default="")
    chosen = options.parse_args()
    wrong = 0
    for name, (kind, _) in CASES.items():
        if chosen.only not in name:
            continue
        share, told = held_share(name, chosen.draws)
        said = verdict(kind, share, chosen.draws)
        wrong += bool(said)
        print(
            f"{share:6.1%}  {kind:10}  {name}{'' if told == 1 else f' ({told:.0%} had enough)'}  {said}", flush=True
        )
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
