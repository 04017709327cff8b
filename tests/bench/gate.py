#!/usr/bin/env python
"""Does the list of names find what is planted and nothing else? gate.py [--fleets N] [--seeds A B C].

Four scenarios, 200 fleets each and three seeds, of `tests/recurrence/simulator.py`; fails when a limit is missed.

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
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np  # noqa: E402

from inspections.recurrence.analysis import analyse  # noqa: E402
from tests.recurrence import simulator  # noqa: E402

SCENARIOS = {
    "none bad": ({"bad": 0}, {"alarmed": (None, 0.05)}),
    "x4": ({"times": 4.0}, {"ranked": (0.56, None), "power": (0.25, None), "fdr": (None, 0.10)}),
    "x6": ({"times": 6.0}, {"ranked": (0.77, None), "power": (0.66, None), "fdr": (None, 0.10)}),
    "x6, CV 0.6": ({"times": 6.0, "cv": 0.6}, {"fdr": (None, 0.12)}),
}
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


def missed(figures, limits):
    """Words for each limit that the figures do not keep."""
    for figure, (least, most) in limits.items():
        if least is not None and figures[figure] < least:
            yield f"{figure} {figures[figure]:.3f} is below {least}"
        if most is not None and figures[figure] > most:
            yield f"{figure} {figures[figure]:.3f} is above {most}"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fleets", type=int, default=200)
    parser.add_argument("--seeds", type=int, nargs="+", default=[101, 202, 303])
    asked = parser.parse_args()
    wrong = []
    for seed in asked.seeds:
        for name, (options, limits) in SCENARIOS.items():
            began = time.perf_counter()
            figures = scenario(options, asked.fleets, seed)
            line = "  ".join(f"{figure} {value:.3f}" for figure, value in figures.items())
            print(f"seed {seed}  {name:<11} {line}  ({time.perf_counter() - began:.0f} s)", flush=True)
            wrong += [f"seed {seed}, {name}: {words}" for words in missed(figures, limits)]
    if wrong:
        raise SystemExit("\n".join(wrong))


if __name__ == "__main__":
    main()
