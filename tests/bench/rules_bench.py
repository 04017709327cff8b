"""How many distinct findings a second are graded in all cells, with every sentence built; nothing is cached.

    .venv/bin/python -m tests.bench.rules_bench [--findings 20000] [--regrade 100000]

Prints figures and exits 1 below 5,000 findings a second, or when the regrade takes over 60 s.
"""

from __future__ import annotations

import argparse
import random
import sys
import time

from inspections.rules.explain import band_words, explain, limit_words
from inspections.rules.facts import Fault, Observation, Pattern
from inspections.rules.grade import grade
from inspections.rules.ruleset import load, shipped_text

LEAST = 5_000
LONGEST = 60.0


def findings(ruleset, count: int) -> list[tuple[Fault, Pattern]]:
    """Distinct reports at the rates a railway has: one symptom, now and then "can't tell", some with facts."""
    rng = random.Random(20260101)
    plain = [s for s in ruleset.symptoms.values() if not s.cant_tell]
    vague = [s for s in ruleset.symptoms.values() if s.cant_tell]
    found = []
    for n in range(count):
        symptom = rng.choice(vague if n % 20 == 0 else plain)
        facts = {code: rng.choice(ruleset.facts[code].words) for code in symptom.asks if rng.random() < 0.7}
        facts["leak"] = f"{n}.5"  # makes every report one of its own
        pattern = Pattern(rng.choice(["yes", "no", "unknown"]), {"air-upper": "MRP", "air-lower": "BP"})
        found.append((Fault(str(n), (Observation(rng.choice(symptom.parts), symptom.code, facts=facts),)), pattern))
    return found


def told(ruleset, fault: Fault, pattern: Pattern) -> int:
    """Grade one finding and build every sentence of every cell; the number of sentences."""
    answer = grade(ruleset, fault, (), pattern)
    count = 0
    for (situation, weather), cell in answer.cells.items():
        count += len(explain(ruleset, answer, situation, weather))
        count += len(limit_words(ruleset, cell.limits, situation))
        count += bool(band_words(ruleset, cell.category, cell.hours))
    return count


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--findings", type=int, default=20_000)
    options.add_argument("--regrade", type=int, default=0, help="also grade this many, without words")
    chosen = options.parse_args()
    started = time.perf_counter()
    ruleset = load(shipped_text())
    print(f"load and precompile: {(time.perf_counter() - started) * 1000:.0f} ms")
    reports = findings(ruleset, chosen.findings)
    started, used = time.perf_counter(), time.process_time()
    sentences = sum(told(ruleset, *report) for report in reports)
    took, used = time.perf_counter() - started, time.process_time() - used
    print(f"{len(reports)} findings, {9 * len(reports)} cells, {sentences} sentences: {took:.2f} s")
    rate = len(reports) / used  # the machine may be shared: the floor is per second of our own processor time
    print(f"{rate:,.0f} findings per processor second (at least {LEAST:,}); {len(reports) / took:,.0f} by the clock")
    slow = rate < LEAST
    if chosen.regrade:
        reports = findings(ruleset, chosen.regrade)
        started = time.perf_counter()
        for fault, pattern in reports:
            grade(ruleset, fault, (), pattern)
        took = time.perf_counter() - started
        print(f"{len(reports)} findings graded again in {took:.1f} s (at most {LONGEST:.0f} s, without storing)")
        slow = slow or took > LONGEST
    return int(slow)


if __name__ == "__main__":
    sys.exit(main())
