#!/usr/bin/env python
"""Does the list of names find what is planted and nothing else? gate.py [--fleets N] [--seeds A B C].

Four scenarios of `tests/recurrence/simulator.py`, 200 fleets each from three seeds; then how often 95 % limits hold
the truth at the sizes of the page. Judged over all seeds together: one seed's shares are sure to about 0.01 only.
Fails when a bound is missed.

To try the method on fleets of another make, one call gives everything that is scored here:

    from inspections.recurrence.analysis import analyse
    a = analyse(cell, time, window, usage, in_service, end_of_cell, component_of_cell, first_day=0)

`cell` (events,) whole numbers, `time` (events,) days from the start of the record, `window` days after each event in
which another of the same cell belongs to it (one number, or (events,)), `usage` (ends, days) running per day,
`in_service` (ends, days) bool or None, `end_of_cell` and `component_of_cell` (cells,). Every cell counts, those
without events too. `a.confirmed` (cells,) is the list, `a.watched` the watch list, `a.groups.bad` (cells,) ranks.
`score(a, bad, cell)` below gives the figures of one fleet; `bad` (cells,) bool is the truth.
"""

import argparse
import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np  # noqa: E402

from inspections.recurrence import rates, spares  # noqa: E402
from inspections.recurrence.analysis import analyse  # noqa: E402
from tests.recurrence import simulator, test_rates, test_season  # noqa: E402

SCENARIOS = {
    "none bad": ({"bad": 0}, {"alarmed": (None, 0.05)}),
    "x4": ({"times": 4.0}, {"ranked": (0.56, None), "power": (0.25, None), "fdr": (None, 0.10)}),
    "x6": ({"times": 6.0}, {"ranked": (0.77, None), "power": (0.66, None), "fdr": (None, 0.10)}),
    "x6, CV 0.6": ({"times": 6.0, "cv": 0.6}, {"fdr": (None, 0.12)}),
}
SEASON = "peak over trough, likelihood,"
HELD, TOO_WIDE = 0.93, 0.97
FIGURES = ("power", "false", "fdr", "ranked", "alarmed", "watched", "watched_false", "raw_ranked")


def score(analysis, bad, cell):
    """Figures of one fleet, in the order of FIGURES.

    Share of bad cells found; ordinary cells named; their share of the list; share of bad cells among as many at the
    top of the ranking; whether any name was false; the watch list's found and false; the top of the raw counts.
    """
    named, watched, count = analysis.confirmed, analysis.watched, int(bad.sum())
    raw = np.bincount(cell, minlength=len(bad))
    return (
        (named & bad).sum() / max(1, count),
        (named & ~bad).sum(),
        (named & ~bad).sum() / max(1, named.sum()),
        at_top(analysis.groups.bad, bad, count),
        float((named & ~bad).any()),
        (watched & bad).sum() / max(1, count),
        (watched & ~bad).sum(),
        at_top(raw, bad, count),
    )


def at_top(ranking, bad, count):
    """Share of bad cells among the first `count` of a ranking."""
    return bad[np.argsort(-ranking, kind="stable")[:count]].sum() / max(1, count)


def scenario(options, fleets, seed):
    """Mean figures over some fleets, as a dictionary."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(fleets):
        made = simulator.fleet(rng, **options)
        rows.append(score(analyse(*made.arguments), made.bad, made.cell))
    return dict(zip(FIGURES, np.mean(rows, axis=0), strict=True))


def missed(figures, bounds):
    """Words for each bound that the figures do not keep."""
    for figure, (least, most) in bounds.items():
        if least is not None and figures[figure] < least:
            yield f"{figure} {figures[figure]:.3f} is below {least}"
        if most is not None and figures[figure] > most:
            yield f"{figure} {figures[figure]:.3f} is above {most}"


def limits(seed, fleets=60, draws=1000):
    """(what, how often its 95 % limits hold the truth), at the sizes of the page."""
    rng = np.random.default_rng(seed)
    for cv in (0.1, 0.25, 0.4, 0.6):
        shrunk, exact = zip(*(fleet_limits(rng, cv) for _ in range(fleets)), strict=True)
        yield f"rates of cells, CV {cv}, shrunk", np.mean(shrunk)
        yield f"rates of cells, CV {cv}, exact", np.mean(exact)
    for ratio in (1.0, 2.0, 4.0):
        counts = zip(rng.poisson(8 * ratio, draws), rng.poisson(12, draws), strict=True)
        found = [rates.compare(int(a), 8.0, int(b), 12.0) for a, b in counts]
        yield f"two rates, ratio {ratio}", np.mean([each.low <= ratio <= each.high for each in found])
    for ratio in (1.0, 1.5, 2.2, 3.0):
        found = [test_season.fit(*test_season.draw(rng, ratio)) for _ in range(draws)]
        yield f"{SEASON} {ratio}", np.mean([each.low <= ratio <= each.high for each in found])
    rate = rng.uniform(2, 120, 4 * draws) / 1095
    wanted, came = spares.demand(rng.poisson(rate * 1095), 1095.0, 90.0), rng.poisson(rate * 90)
    yield "spares, 90 days", ((wanted.low <= came) & (came <= wanted.high)).mean()


def fleet_limits(rng, cv):
    """Shares of cells whose shrunk and whose exact limits hold the true rate: three cells bad, six times."""
    n, e, true = test_rates.page_fleet(rng, cv, 3, 6.0)
    found = rates.two_groups(n, e)
    _, low, high = rates.relative_rate(n, e)
    return ((found.low <= true) & (true <= found.high)).mean(), ((low <= true) & (true <= high)).mean()


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fleets", type=int, default=200)
    parser.add_argument("--seeds", type=int, nargs="+", default=[101, 202, 303])
    asked = parser.parse_args()
    wrong = []
    for name, (options, bounds) in SCENARIOS.items():
        seen = [scenario(options, asked.fleets, seed) for seed in asked.seeds]
        together = {figure: float(np.mean([figures[figure] for figures in seen])) for figure in FIGURES}
        for label, figures in (*zip(asked.seeds, seen, strict=True), ("all", together)):
            words = "  ".join(f"{figure} {value:.3f}" for figure, value in figures.items())
            print(f"{name:<11} seed {label:<4} {words}", flush=True)
        wrong += [f"{name}: {words}" for words in missed(together, bounds)]
    for what, held in limits(asked.seeds[0]):
        print(f"limits hold  {held:.3f}  {what}", flush=True)
        if held < HELD or (what.startswith(SEASON) and held > TOO_WIDE):
            wrong.append(f"limits of {what}: {held:.3f}")
    if wrong:
        raise SystemExit("\n".join(wrong))


if __name__ == "__main__":
    main()
