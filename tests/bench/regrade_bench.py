#!/usr/bin/env python
"""How long a new ruleset takes to reach every open finding: regrade_bench.py [--findings N] [--distinct].

Builds a SQLite database of its own in a temporary folder, four open findings an end, puts a changed ruleset in force
and regrades. Prints the figures; fails when 100,000 findings would take more than 60 s.
"""

import argparse
import os
import random
import sys
import tempfile
import time
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from uuid import UUID

ROOT = Path(__file__).parents[2]
ALLOWED_SECONDS = 60
NOW = datetime(2026, 11, 24, 6, 0, tzinfo=UTC)
PER_END = 4


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--findings", type=int, default=100_000)
    parser.add_argument("--distinct", action="store_true", help="no two findings with the same facts")
    options = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    with tempfile.TemporaryDirectory() as folder:
        os.environ |= {
            "DATABASE_URL": f"sqlite:///{folder}/bench.sqlite3",
            "DJANGO_SETTINGS_MODULE": "config.settings",
        }
        import django

        django.setup()
        run(options.findings, options.distinct)


def run(count, distinct):
    from django.core.management import call_command

    from inspections import grading, log, regrading
    from inspections.management.progress import Progress
    from inspections.models import Finding, Grade, GradeCell, RuleSet

    call_command("migrate", verbosity=0)
    build(count, distinct)
    text = grading.shipped_text().replace('version = "1"', 'version = "2"')
    RuleSet.objects.create(sha256=sha256(text.encode()).hexdigest(), text=text, in_force_from=NOW)
    watch = Progress(Stream(), "Regrading", wanted=True)
    wall, processor = time.perf_counter(), time.process_time()
    done = regrading.regrade_open(now=NOW, actor=None, progress=watch)
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    cells = GradeCell.objects.count()
    print(f"{done.graded} findings regraded in {wall:.1f} s ({processor:.1f} s of processor), {cells} cells stored")
    assert (done.graded, done.waiting) == (count, 0)
    assert Grade.objects.count() == count and cells == 9 * count
    assert Finding.objects.filter(worst=None).count() == 0
    assert log.first_break() is None
    print(f"the log is whole: {log.head()[0]} entries")
    if wall / count > ALLOWED_SECONDS / 100_000:
        raise SystemExit(f"too slow: 100,000 findings would take {wall / count * 100_000:.0f} s")


class Stream:
    """Standard error, as a command's stream."""

    def isatty(self):
        return False

    def flush(self):
        sys.stderr.flush()

    def write(self, text, style_func=None, ending="\n"):
        sys.stderr.write(text + ending)


def build(count, distinct):
    """Ends with open findings, each seen once; every symptom in turn, with facts drawn at random from a seed."""
    from django.contrib.auth.models import User

    from fleet.models import CouplerEnd, CouplerPattern, Unit, UnitType
    from inspections import grading, references
    from inspections.models import Finding, Observation

    draw = random.Random(20_261_124)
    rules = grading.ruleset(NOW)
    person = User.objects.create_user("bench")
    pattern = CouplerPattern.objects.create(
        code="P", joins="P", drawing="P", parts=[{"slot": "air-upper", "pipe": "MRP"}], contacts_dead="no"
    )
    kind = UnitType.objects.create(code="2V", name="Two vehicles", vehicles=2)
    units = Unit.objects.bulk_create(Unit(number=f"{n:06d}", type=kind) for n in range(count // (2 * PER_END) + 1))
    ends = CouplerEnd.objects.bulk_create(
        CouplerEnd(vehicle=f"{unit.number}{letter}", pattern=pattern, unit=unit, letter=letter)
        for unit in units
        for letter in "AB"
    )
    symptoms = [(part, s) for s in rules.symptoms.values() for part in s.parts if not s.retired]
    picked = [symptoms[n % len(symptoms)] for n in range(count)]
    findings = Finding.objects.bulk_create(
        Finding(
            ref=references.make(n + 1),
            unit=ends[n // PER_END].unit,
            unit_given=ends[n // PER_END].unit.number,
            end=ends[n // PER_END],
            end_given=ends[n // PER_END].letter,
            component=rules.parts[part].component,
            slot=part,
            symptom=symptom.code,
            first_seen=NOW,
            month=NOW.year * 12 + NOW.month - 1,
        )
        for n, (part, symptom) in enumerate(picked)
    )
    Observation.objects.bulk_create(
        Observation(
            uuid=UUID(int=n + 1),
            finding=finding,
            kind="first report",
            slot=part,
            symptom=symptom.code,
            facts={**facts_of(rules, symptom, draw), **({"note-number": str(n)} if distinct else {})},
            by=person,
            seen=NOW,
            received=NOW,
        )
        for n, (finding, (part, symptom)) in enumerate(zip(findings, picked, strict=True))
    )


def facts_of(rules, symptom, draw):
    """What a driver says: each question that is asked is answered two times in three."""
    asked = [rules.facts[code] for code in symptom.asks if rules.facts[code].kind == "words"]
    return {fact.code: draw.choice(fact.words) for fact in asked if draw.random() < 2 / 3}


if __name__ == "__main__":
    main()
