"""Are the planted truths found, and nothing else? The railway of seeds 1 to 100 as columns, each asked once.

    python -m tests.bench.truths            seeds 1 to 100
    python -m tests.bench.truths 1 20       seeds 1 to 20

Per truth: in how many seeds the method names it (power), and in how many the first names of a raw count do. Then
every family with what it is asked about, and how many names a seed are neither planted nor an echo of what is planted
(a worse component of one type makes that type and its ends stand out, too). Prints figures; exit code 1 where power
or false names miss what is wanted.
"""

from __future__ import annotations

import os
import sys
from collections import Counter, defaultdict
from dataclasses import dataclass

import django
import numpy as np

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
django.setup()

from inspections.demonstration import arrays, truths  # noqa: E402
from inspections.recurrence.overview import FAMILIES, Name, Overview, overview  # noqa: E402
from inspections.recurrence.record import Record  # noqa: E402

POWER, POWER_OF_COUPLER, FALSE = 0.9, 0.7, 0.5
TITLES = {
    1: "ends 305 A, 211 B, 402 A: seals",
    2: "contact blocks follow P-0147",
    3: "attempts fail at Thornhope",
    4: "covers in winter",
    5: "blocks cleaned at Elmsgate come back",
    6: "seals wear out, planned renewal pays",
    7: "locks halve after the modification",
    8: "release gear of 3N worsens",
    9: "the bent pin of 309 B marks mates",
}


def said(record: Record, name: Name) -> tuple:
    """A name in codes."""
    parts, ends = record.components, record.ends
    words = {
        "ends": lambda end, part: (ends[end], parts[part]),
        "couplers": lambda coupler, part: (record.couplers[coupler], parts[part]),
        "types": lambda kind, part: (record.types[kind], parts[part]),
        "trends": lambda part, kind, window, way: (parts[part], record.types[kind] if kind >= 0 else "fleet", way),
        "modifications": lambda change, part: (record.changes[change], parts[part]),
        "seasons": lambda part: (parts[part],),
        "places": lambda place: (record.places[place],),
        "repairs": lambda part, action, depot: (parts[part], record.actions[action], record.depots[depot]),
        "depots": lambda depot: (record.depots[depot],),
        "parts": lambda slot: (record.slots[slot],),
        "batches": lambda slot: (record.slots[slot],),
        "mates": lambda fault, end, part: (ends[end], parts[part]),
    }
    return words[name.family](*name.of)


def wanted(record: Record) -> dict[int, list[tuple]]:
    """Truth → the names that say it, (family, …)."""
    poor = truths.POOR_COMPONENT, truths.POOR_ACTION, truths.POOR_DEPOT
    return {
        1: [("ends", end, "air-connection") for end in truths.BAD_SEALS],
        2: [("couplers", truths.BAD_COUPLER, "contact-block")],
        3: [("places", truths.CURVE)],
        4: [("seasons", "cover")],
        5: [("repairs", *poor)],
        6: [("parts", slot) for slot in truths.SEALS],
        7: [("modifications", truths.MODIFICATION, "head")],
        8: [("trends", "release", truths.WORSE_TYPE, "rising")],
        9: [("mates", truths.BENT_PIN_AT, "contact-block")],
    }


def echo(record: Record, name: tuple) -> bool:
    """True for what follows from the truths: the same excess seen from another side."""
    family, *what = name
    pattern = {
        record.types[t]: record.patterns[p] for t, p in zip(record.type_of_end, record.pattern_of_end, strict=True)
    }
    of_type = dict(zip(record.ends, (record.types[t] for t in record.type_of_end), strict=True))
    if family == "ends":
        end, part = what
        blocks = (truths.FIRST_AT, truths.THEN_AT)
        return (end in blocks and part == "contact-block") or (of_type[end], part) == (truths.WORSE_TYPE, "release")
    if family == "types":
        return tuple(what) in ((truths.WORSE_TYPE, "release"), (truths.WORSE_TYPE, "head"))
    if family == "trends":
        part, kind, way = what
        locks = part == "head" and way == "falling" and (kind == "fleet" or pattern[kind] == truths.MODIFIED_PATTERN)
        return locks or (part, kind, way) == ("release", "fleet", "rising")
    if family == "mates":
        return what[1] == "contact-block" and what[0] in marked(record)
    return False


def marked(record: Record) -> set[str]:
    """The ends with a fault on their block while the bent pin went round."""
    faults = record.faults
    last = record.days - truths.BENT_PIN_DAYS_AGO + truths.MARKED_WITHIN + 15
    inside = (faults.time > last - truths.MARKED_WITHIN - 16) & (faults.time < last)
    block = record.components.index("contact-block")
    return {record.ends[end] for end in faults.end[inside & (faults.component == block)]}


def raw(record: Record) -> dict[int, bool]:
    """Truth → whether counting alone puts it on top: the first names of a list by count or share."""
    faults, parts = record.faults, record.components
    air, block = parts.index("air-connection"), parts.index("contact-block")
    cells = record.cell(faults.end, faults.component)
    top = np.argsort(-np.bincount(cells, minlength=len(record.ends) * len(parts)), kind="stable")
    bad = {record.ends.index(end) * len(parts) + air for end in truths.BAD_SEALS}
    known = faults.coupler >= 0
    serials = np.bincount((faults.coupler * len(parts) + faults.component)[known])
    of_serial = divmod(int(np.argsort(-serials, kind="stable")[0]), len(parts))
    failed = np.bincount(record.couplings.place[record.couplings.failed])
    done = record.repaired
    keys, group = np.unique(np.stack([done.component, done.action, done.depot]), axis=1, return_inverse=True)
    back = np.bincount(group.ravel(), weights=np.isfinite(done.back)) / np.bincount(group.ravel())
    first = keys[:, int(np.argmax(back))]
    poor = parts.index(truths.POOR_COMPONENT), truths.POOR_ACTION, truths.POOR_DEPOT
    return {
        1: set(top[:3]) == bad,
        2: of_serial == (record.couplers.index(truths.BAD_COUPLER), block),
        3: record.places[int(np.argmax(failed))] == truths.CURVE,
        5: (int(first[0]), record.actions[first[1]], record.depots[first[2]]) == poor,
        8: most_risen(record) == (truths.WORSE_TYPE, "release"),
    }


def most_risen(record: Record) -> tuple[str, str]:
    """The type and component whose count rose by the largest factor from the year before to the last."""
    faults, rise = record.faults, {}
    kind = record.type_of_end[faults.end]
    for t, code in enumerate(record.types):
        for c, part in enumerate(record.components):
            times = faults.time[(kind == t) & (faults.component == c)]
            late, early = (
                (times >= record.days - 365).sum(),
                ((times < record.days - 365) & (times >= record.days - 730)).sum(),
            )
            rise[code, part] = late / early if early else 0.0
    return max(rise, key=rise.get)


@dataclass
class Tally:
    """What was counted over the seeds."""

    seeds: int = 0
    found: Counter = None
    by_raw: Counter = None
    false: dict[str, Counter] = None
    echoes: Counter = None
    covered: Counter = None

    def __post_init__(self):
        self.found, self.by_raw, self.echoes, self.covered = Counter(), Counter(), Counter(), Counter()
        self.false = defaultdict(Counter)

    def add(self, seed: int) -> None:
        """One seed's railway, asked once."""
        record = arrays.record(seed)
        told = overview(record)
        names = {(name.family, *said(record, name)) for name in told.names}
        truth = wanted(record)
        self.seeds += 1
        for number, ways in truth.items():
            self.found[number] += sum(way in names for way in ways) / len(ways)
        for number, on_top in raw(record).items():
            self.by_raw[number] += on_top
        planted = {way for ways in truth.values() for way in ways}
        for name in names - planted:
            if echo(record, name):
                self.echoes[name[0]] += 1
            else:
                self.false[name[0]][name[1:]] += 1
        self.cover(record, told)
        missed = [number for number, ways in truth.items() if not all(way in names for way in ways)]
        wrong = sorted(name for name in names - planted if not echo(record, name))
        print(f"seed {seed}: missed {missed or 'none'}, false {wrong or 'none'}", flush=True)

    def cover(self, record: Record, told: Overview) -> None:
        """Do the limits of the seals' shape and scale hold what was planted?"""
        for row in told.parts:
            if record.slots[row.slot] in truths.SEALS:
                shape, scale = row.weibull.shape, row.weibull.scale
                self.covered["shape"] += shape.low <= truths.SEAL_SHAPE <= shape.high
                self.covered["scale"] += scale.low <= truths.SEAL_SCALE <= scale.high
                self.covered["lives"] += 1

    def report(self) -> bool:
        """Print it all; True where everything wanted is there."""
        n, good = self.seeds, True
        print(f"\n{n} seeds\ntruth                                        power  wanted  on top of a raw count")
        for number, title in TITLES.items():
            least = POWER_OF_COUPLER if number == 2 else POWER
            power = self.found[number] / n
            counted = f"{self.by_raw[number] / n:.2f}" if number in (1, 2, 3, 5, 8) else "cannot say"
            short = "" if power >= least else "   TOO LOW"
            print(f"{number}  {title:40}  {power:.2f}    {least:.1f}   {counted}{short}")
            good &= power >= least
        shape, scale = (self.covered[what] / self.covered["lives"] for what in ("shape", "scale"))
        print(f"limits hold the planted shape of seals in {shape:.2f}, their scale in {scale:.2f}")
        print("\nfamily          false names a seed   echoes a seed   asked about")
        for family, about in FAMILIES.items():
            false = sum(self.false[family].values())
            print(f"{family:15} {false / n:6.2f}               {self.echoes[family] / n:6.2f}          {about}")
        total = sum(sum(of.values()) for of in self.false.values()) / n
        print(f"all             {total:6.2f}               wanted: at most {FALSE}")
        for family, names in self.false.items():
            for name, times in names.most_common(5):
                print(f"   {family}: {name} in {times}")
        return good and total <= FALSE


def main(first: int = 1, last: int = 100) -> int:
    tally = Tally()
    for seed in range(first, last + 1):
        tally.add(seed)
    return 0 if tally.report() else 1


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
