#!/usr/bin/env python
"""Every list at 100 and at 100,000 findings: lists_bench.py [--findings N].

Builds two SQLite databases in temporary folders (400 units; up to 2,000 findings open, the rest closed; restrictions,
labels, deferrals, visits, looks asked for) and reads each page as the person whose it is. Prints the queries and the
seconds of both; fails where the larger one needs more queries.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

ROOT = Path(__file__).parents[2]
NOW = datetime(2026, 11, 24, 6, 0, tzinfo=UTC)
UNITS, OPEN = 400, 2_000
PAGES = [
    ("controller", "/findings/new/"),
    ("controller", "/findings/new/?show=open"),
    ("controller", "/in-force/"),
    ("controller", "/handover/"),
    ("controller", "/mates/"),
    ("controller", "/alerts/"),
    ("controller", "/alerts/hoods/"),
    ("controller", "/counts/"),
    ("controller", "/reports/quarantine/"),
    ("controller", "/findings/{ref}/"),
    ("controller", "/findings/{ref}/log/"),
    ("controller", "/units/"),
    ("controller", "/units/000001/"),
    ("controller", "/couple/?one=000001&one_end=A&other=000002&other_end=B"),
    ("fitter", "/work/"),
    ("driver", "/"),
    ("driver", "/reports/"),
    ("driver", "/reports/new/?unit=000001&plain=1"),
    ("driver", "/phone/facts/"),
    ("manager", "/recurring/"),
    ("manager", "/people/"),
]


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--findings", type=int, default=100_000)
    parser.add_argument("--measure", type=int, help="build so many and print the figures as JSON")
    options = parser.parse_args()
    if options.measure:
        measure(options.measure)
        return
    few, many = figures(100), figures(options.findings)
    print(f"{'page':62} {'100':>16} {options.findings:>18,}")
    for (who, page), less, more in zip(PAGES, few, many, strict=True):
        print(f"{who + ' ' + page:62} {less[0]:4} q {less[1]:7.3f} s {more[0]:6} q {more[1]:7.3f} s")
    grown = [page for page, less, more in zip(PAGES, few, many, strict=True) if more[0] > less[0]]
    if grown:
        raise SystemExit(f"more queries at {options.findings} findings: {grown}")


def figures(count):
    """[(queries, seconds)] of every page, measured in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        environ = os.environ | {
            "DATABASE_URL": f"sqlite:///{folder}/bench.sqlite3",
            "MEDIA_ROOT": f"{folder}/media",
            "DJANGO_SETTINGS_MODULE": "config.settings",
            "DEBUG": "yes",
        }
        words = [sys.executable, __file__, "--measure", str(count)]
        done = subprocess.run(words, env=environ, cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)
    return json.loads(done.stdout.splitlines()[-1])


def measure(count):
    sys.path.insert(0, str(ROOT))
    import django

    django.setup()
    from django.contrib.auth.models import Group, User
    from django.core.management import call_command
    from django.db import connection, reset_queries
    from django.test import Client

    from inspections.models import Finding

    call_command("migrate", verbosity=0)
    people = {}
    for role in ("driver", "fitter", "controller", "manager"):
        people[role] = User.objects.create_user(role)
        people[role].groups.add(Group.objects.get_or_create(name=role)[0])
    build(count, people)
    ref = Finding.objects.open().order_by("pk").first().ref
    clients = {}
    for role, user in people.items():
        clients[role] = Client(SERVER_NAME="localhost")
        clients[role].force_login(user)
    told = []
    for who, page in PAGES:
        address = page.format(ref=ref)
        clients[who].get(address)  # what is read once is warm
        reset_queries()
        begun = time.perf_counter()
        answer = clients[who].get(address)
        took = time.perf_counter() - begun
        assert answer.status_code == 200, (page, answer.status_code)
        told.append((len(connection.queries), round(took, 3)))
    print(json.dumps(told))


def build(count, people):
    """Findings spread over the ends in turn; the first OPEN are open, the others closed."""
    from fleet.models import CouplerEnd, CouplerPattern, Coupling, CouplingSide, Place, Unit, UnitType
    from inspections import grading, references, regrading
    from inspections.models import Deferral, Finding, Label, MateLook, Observation, Restriction, Submission, Visit

    rules = grading.ruleset(NOW)
    pattern = CouplerPattern.objects.create(
        code="P", joins="P", drawing="P", parts=[{"slot": "air-upper", "pipe": "MRP"}], contacts_dead="no"
    )
    kind = UnitType.objects.create(code="2V", name="Two vehicles", vehicles=2)
    depot = Place.objects.create(code="BRK", name="Brackwater", kind="depot")
    units = Unit.objects.bulk_create(Unit(number=f"{n:06d}", type=kind, home=depot) for n in range(UNITS))
    ends = CouplerEnd.objects.bulk_create(
        CouplerEnd(vehicle=f"{unit.number}{letter}", pattern=pattern, unit=unit, letter=letter)
        for unit in units
        for letter in "AB"
    )
    symptoms = [(part, s) for s in rules.symptoms.values() for part in s.parts if not s.retired]
    opened = min(count, OPEN)
    visits = Visit.objects.bulk_create(Visit(unit=unit, depot=depot, since=NOW, shift="early") for unit in units)

    def finding(n):
        part, symptom = symptoms[n % len(symptoms)]
        end = ends[n % len(ends)]
        seen = NOW - timedelta(hours=n % 20_000)
        over = n >= opened
        state = "closed" if over else ("reported", "acknowledged", "planned")[n % 3]
        return Finding(
            ref=references.make(n + 1),
            unit=end.unit,
            unit_given=end.unit.number,
            end=end,
            end_given=end.letter,
            component=rules.parts[part].component,
            slot=part,
            symptom=symptom.code,
            first_seen=seen,
            month=seen.year * 12 + seen.month - 1,
            state=state,
            closed=seen + timedelta(hours=1) if over else None,
            visit=visits[n % len(ends) // 2] if state == "planned" else None,
        )

    findings = Finding.objects.bulk_create((finding(n) for n in range(count)), batch_size=2000)
    Observation.objects.bulk_create(
        (
            Observation(
                uuid=UUID(int=n + 1),
                finding=row,
                kind="first report",
                slot=row.slot,
                symptom=row.symptom,
                by=people["driver"],
                seen=row.first_seen,
                received=NOW,
            )
            for n, row in enumerate(findings)
        ),
        batch_size=2000,
    )
    regrading.regrade_open(now=NOW, actor=None)
    control = people["controller"]
    limited = Restriction.objects.bulk_create(
        Restriction(end=row.end, finding=row, couple="not", why="bench", by=control, since=NOW)
        for row in findings[: opened // 10]
    )
    Label.objects.bulk_create(
        Label(number=str(n), end=row.end, shows="x", restriction=row, by=control, since=NOW)
        for n, row in enumerate(limited)
    )
    Deferral.objects.bulk_create(
        Deferral(
            finding=row,
            category=1,
            why="bench",
            by=control,
            since=NOW,
            until=NOW + timedelta(days=3),
            agreed=NOW,
            events=["next-coupling"],
        )
        for row in findings[1 : opened // 5 : 3]
    )
    meetings = Coupling.objects.bulk_create(
        Coupling(uuid=UUID(int=n + 1), at=NOW - timedelta(days=1), source="b", source_ref=str(n), received=NOW)
        for n in range(opened // 10)
    )
    for at, meeting in enumerate(meetings):
        pair = (ends[at % len(ends)], ends[(at + 3) % len(ends)])
        CouplingSide.objects.bulk_create(CouplingSide(coupling=meeting, end=end, at=meeting.at) for end in pair)
    MateLook.objects.bulk_create(
        MateLook(finding=findings[n], end=ends[(n + 3) % len(ends)], coupling=meeting, asked=NOW)
        for n, meeting in enumerate(meetings)
    )
    Submission.objects.bulk_create(
        Submission(
            uuid=UUID(int=n + 1),
            sha256=f"{n:064x}",
            body=b"{}",
            submitted_by=people["driver"],
            channel="phone",
            received=NOW,
            status="quarantined",
            why="bench",
        )
        for n in range(opened // 50)
    )


if __name__ == "__main__":
    main()
