#!/usr/bin/env python
"""How long a file of couplings takes to import, twice, and how much memory: import_bench.py [--rows N].

Uses a SQLite database of its own in a temporary folder, or the one of IMPORT_BENCH_URL (empty; it keeps the rows).
Prints the figures; fails when the second import changes anything, when a file takes more than 60 s of processor or
250 MB, when its transaction takes longer than a report waits for the database, or when a line of 100 MB is read on.
"""

import argparse
import os
import resource
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

ROOT = Path(__file__).parents[2]
NOW = datetime(2026, 11, 24, 6, 0, tzinfo=UTC)
HEADER = "source_ref,at,end_1,end_2,outcome,stage,place,parted\n"
UNITS = 84
ALLOWED_SECONDS, ALLOWED_MB, REPORTS_WAIT = 60, 250, 20


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=100_000)
    options = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    with tempfile.TemporaryDirectory() as folder:
        os.environ |= {
            "DATABASE_URL": os.environ.get("IMPORT_BENCH_URL", f"sqlite:///{folder}/bench.sqlite3"),
            "DJANGO_SETTINGS_MODULE": "config.settings",
        }
        import django

        django.setup()
        run(Path(folder), options.rows)


def run(folder, rows):
    from django.core.management import call_command

    from fleet.models import Coupling, CouplingSide

    call_command("migrate", verbosity=0)
    build_fleet()
    print(f"{peak_mb():.0f} MB before anything is imported")
    one_long_line(folder)
    for name, parted, wanted in [
        ("noon", False, {"new": rows, "here": 0, "updated": 0}),
        ("noon", False, {"new": 0, "here": rows, "updated": 0}),
        ("night", True, {"new": 0, "here": 0, "updated": rows}),
        ("night", True, {"new": 0, "here": rows, "updated": 0}),
        ("noon", False, {"new": 0, "here": rows, "updated": 0}),
    ]:
        path = folder / f"{name}.csv"
        if not path.exists():
            path.write_text(HEADER + "".join(lines(rows, parted)))
        before = contents()
        done, whole, writing = timed(path)
        size, told = path.stat().st_size / 1e6, ", ".join(f"{value} {key}" for key, value in wanted.items())
        print(f"{name}: {rows} rows, {size:.1f} MB: {told}; in all {whole}")
        if done.written:
            print(f"  in the transaction {writing}")
        print(f"  most memory of the process so far {peak_mb():.0f} MB")
        assert (done.read, done.bad) == (rows, 0)
        assert {key: getattr(done, key) for key in wanted} == wanted
        assert done.written == bool(done.new or done.updated)
        assert done.written or contents() == before
        assert whole.processor < ALLOWED_SECONDS and writing.processor < REPORTS_WAIT and peak_mb() < ALLOWED_MB
    assert (Coupling.objects.count(), CouplingSide.objects.count()) == (rows, 2 * rows)


def build_fleet():
    """Units with two ends each, at one place."""
    from fleet.models import CouplerEnd, CouplerPattern, Place, Unit, UnitType

    Place.objects.create(code="SKJ", name="Skarrow Junction", kind="station")
    pattern = CouplerPattern.objects.create(code="P", joins="P in full", drawing="P")
    kind = UnitType.objects.create(code="2V", name="Type 2V", vehicles=2)
    for number in range(1001, 1001 + UNITS):
        unit = Unit.objects.create(number=str(number), type=kind)
        for letter in "AB":
            CouplerEnd.objects.create(vehicle=f"{number}{letter}", pattern=pattern, unit=unit, letter=letter)


def lines(rows, parted):
    """One coupling every minute up to now."""
    for n in range(rows):
        at = NOW - timedelta(days=1, minutes=rows - n)
        one, other = 1001 + n % UNITS, 1001 + (n + 1 + n // UNITS % (UNITS - 1)) % UNITS
        until = f"{at + timedelta(minutes=500):%Y-%m-%dT%H:%MZ}" if parted else ""
        yield f"record-{n:07d},{at:%Y-%m-%dT%H:%M:00+00:00},{one} {'AB'[n % 2]},{other} A,coupled,full,SKJ,{until}\n"


def contents():
    """Every coupling and side as stored, folded to one number."""
    from fleet.models import Coupling, CouplingSide

    folded = 0
    for model in (Coupling, CouplingSide):
        for row in model.objects.order_by("pk").values_list().iterator():
            folded = hash((folded, row))
    return folded


class Spent:
    """Seconds by the clock and of the processor; other work on the machine lengthens the first only."""

    def __init__(self):
        self.start()

    def start(self):
        self.wall, self.processor = -time.perf_counter(), -time.process_time()

    def stop(self):
        self.wall, self.processor = self.wall + time.perf_counter(), self.processor + time.process_time()
        return self

    def __str__(self):
        return f"{self.wall:.1f} s ({self.processor:.1f} s of processor)"


def timed(path):
    """The result, what it took in all, and what writing took."""
    from fleet.importing import import_couplings

    whole, writing = Spent(), Spent()

    def progress(step, rows):
        if step == "compared":
            writing.start()

    with path.open("rb") as stream:
        done = import_couplings(stream, now=NOW, source="bench", progress=progress)
    return done, whole.stop(), writing.stop()


def one_long_line(folder):
    """A line of 100 MB, as the header and under one, is refused at once."""
    from fleet.importing import import_couplings

    for name, head in [("as the header", ""), ("under a header", HEADER)]:
        path = folder / "long.csv"
        with path.open("wb") as file:
            file.write(head.encode())
            for _ in range(100):
                file.write(b"x" * 1_000_000)
        before, start = peak_mb(), time.perf_counter()
        with path.open("rb") as stream:
            done = import_couplings(stream, now=NOW, source="bench")
            read = stream.tell()
        seconds, grown = time.perf_counter() - start, peak_mb() - before
        path.unlink()
        print(f"100 MB in a line {name}: {done.faults[0]}; {seconds:.3f} s, {read} bytes read, {grown:.1f} MB more")
        assert done.bad == 1 and not done.written and read < 10_000 and seconds < 1 and grown < 5


def peak_mb():
    """The most memory this process has had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    main()
