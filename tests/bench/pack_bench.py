#!/usr/bin/env python
"""How long a shift pack takes and how much memory: pack_bench.py [--cards N] [--keep FILE].

Uses a SQLite database of its own in a temporary folder: N ends at one depot, one to three faults on each, every
failure mode in turn, a photo for each, restrictions, labels, isolations, deferrals, couplings, earlier work. Prints
the figures; fails when a pack takes more than 60 s of processor or 400 MB, or when more cards take more queries.
"""

import argparse
import os
import resource
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

ROOT = Path(__file__).parents[2]
NOW = datetime(2026, 11, 24, 6, 30, tzinfo=UTC)
PHOTO = (1280, 960)
ALLOWED_SECONDS, ALLOWED_MB = 60, 400


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cards", type=int, default=200)
    parser.add_argument("--keep", type=Path, help="write the pack here")
    options = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    with tempfile.TemporaryDirectory() as folder:
        os.environ |= {
            "DATABASE_URL": f"sqlite:///{folder}/bench.sqlite3",
            "MEDIA_ROOT": f"{folder}/media",
            "DJANGO_SETTINGS_MODULE": "config.settings",
            "DEBUG": "yes",
        }
        import django

        django.setup()
        run(options.cards, options.keep)


def run(count, keep):
    from django.core.management import call_command
    from django.db import connection, reset_queries

    from fleet.models import Place
    from inspections import cards, handover

    call_command("migrate", verbosity=0)
    by = build(count)
    depot, shift = Place.objects.get(code="BRK"), handover.shift_at(NOW)
    before = peak_mb()
    print(f"{before:.0f} MB before a pack is made")
    asked = cards.cards_in(cards.jobs_of(depot, shift))
    queries = []
    for some in (len(asked) // 2, len(asked)):
        reset_queries()
        cards.cards_of(asked[:some], now=NOW, host="https://logbook.example")
        queries.append(len(connection.queries))
    print(f"{queries[0]} queries for {len(asked) // 2} cards, {queries[1]} for {len(asked)}")
    wall, processor = -time.perf_counter(), -time.process_time()
    printed = cards.print_pack(depot, shift, by=by, now=NOW, host="https://logbook.example")
    logged = wall + time.perf_counter()
    reset_queries()
    pdf = cards.finished(printed)
    wall, processor = wall + time.perf_counter(), processor + time.process_time()
    most = peak_mb()
    pages = pages_of(pdf)
    print(f"{len(printed.pack.cards)} cards, {len(printed.pack.jobs)} jobs, {pages} pages, {len(pdf) / 1e6:.1f} MB")
    print(f"{wall:.1f} s ({processor:.1f} s of processor), {logged:.1f} s of them until it was logged")
    print(f"{processor / len(asked):.3f} s of processor a card; most memory {most:.0f} MB, {most - before:.0f} more")
    if keep:
        keep.write_bytes(pdf)
    assert len(printed.pack.cards) == count
    assert queries[0] == queries[1], "more cards take more queries"
    assert processor < ALLOWED_SECONDS and most < ALLOWED_MB


def pages_of(pdf):
    from io import BytesIO

    from pypdf import PdfReader

    return len(PdfReader(BytesIO(pdf)).pages)


def build(count):
    """So many ends with what a card shows; gives the fitter who prints."""
    from django.contrib.auth.models import User

    from fleet.models import CouplerEnd, CouplerPattern, Place, Unit, UnitType
    from inspections import regrading
    from inspections.models import Finding, Visit

    Place.objects.create(code="THO", name="Thornhope siding", kind="siding")
    depot = Place.objects.create(code="BRK", name="Brackwater", kind="depot")
    kind = UnitType.objects.create(code="2V", name="Two vehicles", vehicles=2)
    patterns = [CouplerPattern.objects.create(code=code, joins=code, drawing=code) for code in "PQ"]
    units = Unit.objects.bulk_create(Unit(number=str(201 + n), type=kind, home=depot) for n in range(-(-count // 2)))
    ends = CouplerEnd.objects.bulk_create(
        CouplerEnd(vehicle=f"{unit.number}{letter}", pattern=patterns[n % 2], unit=unit, letter=letter)
        for n, unit in enumerate(units)
        for letter in "AB"
    )[:count]
    visits = Visit.objects.bulk_create(
        Visit(unit=unit, depot=depot, road=str(n % 9 + 1), since=NOW - timedelta(hours=n % 3 * 8), shift=shift_of(n))
        for n, unit in enumerate(units)
    )
    visit_of = {visit.unit_id: visit for visit in visits}
    people = [User.objects.create_user(f"driver{n}", first_name=f"Driver {n}") for n in (1, 2)]
    fitter = User.objects.create_user("fitter1", first_name="Fitter 1")
    findings = Finding.objects.bulk_create(made_findings(ends, visit_of))
    look_at(findings, people)
    regrading.regrade_open(now=NOW, actor=None)
    in_force(findings, fitter)
    before_now(findings, ends, fitter)
    return fitter


def shift_of(n):
    return ("early", "night", "late")[n % 3]


def made_findings(ends, visit_of):
    """One to three on each end, every symptom of the ruleset in turn."""
    from inspections import grading, references
    from inspections.models import Finding

    rules = grading.ruleset(NOW)
    symptoms = [(part, s) for s in rules.symptoms.values() for part in s.parts if not s.retired]
    n = 0
    for at, end in enumerate(ends):
        for _ in range(1 + (at % 5 == 3) + (at % 10 == 8)):
            part, symptom = symptoms[n * 7 % len(symptoms)]
            n += 1
            seen = NOW - timedelta(hours=n % 60, minutes=n % 60)
            yield Finding(
                ref=references.make(n),
                unit=end.unit,
                unit_given=end.unit.number,
                end=end,
                end_given=end.letter,
                component=rules.parts[part].component,
                slot=part,
                symptom=symptom.code,
                mode=symptom.modes[0] if n % 4 == 0 and symptom.modes else "",
                first_seen=seen,
                month=seen.year * 12 + seen.month - 1,
                state="in work" if n % 11 == 0 else "planned",
                visit=visit_of[end.unit_id],
            )


def look_at(findings, people):
    """Two looks at each, the first with its words and a photo."""
    from hashlib import sha256
    from io import BytesIO

    from django.core.files.base import ContentFile
    from django.core.files.storage import default_storage
    from PIL import Image

    from inspections import storage
    from inspections.models import Observation, Photo

    words = "Bit of rubber hanging out of the top ring. It hissed when we were coupled last night. Told control."
    looks = Observation.objects.bulk_create(
        Observation(
            uuid=UUID(int=2 * n + again + 1),
            finding=row,
            kind="still there" if again else "first report",
            slot=row.slot,
            symptom=row.symptom,
            note="" if again else words,
            by=people[again],
            seen=row.first_seen + timedelta(minutes=50 * again),
            received=NOW,
        )
        for n, row in enumerate(findings)
        for again in (0, 1)
    )
    for n, look in enumerate(looks[::2]):
        image = Image.effect_noise(PHOTO, 40 + n % 60).convert("RGB")
        image.paste((20, 20, 20), (n % 900, 300, n % 900 + 300, 600))
        out = BytesIO()
        image.save(out, "JPEG", quality=70)
        digest = sha256(out.getvalue()).hexdigest()
        default_storage.save(storage.photo_name(digest), ContentFile(out.getvalue()))
        Photo.objects.create(
            uuid=UUID(int=n + 1), owner=look.uuid, sha256_received=digest, sha256_stored=digest, state="stored",
            by=look.by, received=NOW,
        )  # fmt: skip


def in_force(findings, by):
    """On every third end a labelled restriction, on every fourth an isolation, on every fifth a deferral."""
    from inspections.models import Deferral, Isolation, Label, Restriction

    limits = Restriction.objects.bulk_create(
        Restriction(end=row.end, finding=row, couple="not", why="Seal", by=by, since=NOW) for row in findings[::3]
    )
    Label.objects.bulk_create(
        Label(number=f"{417 + n:04}", end=row.end, shows="Do not couple", restriction=row, by=by, since=NOW)
        for n, row in enumerate(limits)
    )
    Isolation.objects.bulk_create(
        Isolation(kind="mrp-cock", end=row.end, where="cock 3, left", key="14, Fitter 1", by=by, since=NOW)
        for row in findings[::4]
    )
    Deferral.objects.bulk_create(
        Deferral(
            finding=row, category=1, why="Ring ordered", interim="looked at daily", by=by, since=NOW, agreed=NOW,
            until=NOW + timedelta(days=2), events=["next-coupling"],
        )
        for row in findings[::5]
    )  # fmt: skip


def before_now(findings, ends, by):
    """Couplings of the last days, and a repair of the same part before each second finding."""
    from fleet.models import Coupling, CouplingSide
    from inspections import references
    from inspections.models import CloseOut, Finding

    for n in range(len(ends)):
        at = NOW - timedelta(days=4, minutes=n)
        met = Coupling.objects.create(uuid=UUID(int=n + 1), at=at, source="b", source_ref=str(n), received=NOW)
        CouplingSide.objects.bulk_create(
            CouplingSide(coupling=met, end=end, at=at) for end in {ends[n], ends[(n + 3) % len(ends)]}
        )
    earlier = []
    for n, row in enumerate(findings[::2]):
        seen = row.first_seen - timedelta(days=12)
        earlier.append(
            Finding(
                ref=references.make(500_000 + n),
                unit=row.unit,
                unit_given=row.unit_given,
                end=row.end,
                end_given=row.end_given,
                component=row.component,
                slot=row.slot,
                symptom=row.symptom,
                first_seen=seen,
                month=row.month,
                state="closed",
                closed=seen + timedelta(hours=9),
            )  # fmt: skip
        )
    closed = Finding.objects.bulk_create(earlier)
    CloseOut.objects.bulk_create(
        CloseOut(
            finding=row, seen_version=1, confirmed=True, action="Seal ring renewed", outcome="repaired", by=by,
            signed=row.closed, signed_text="{}", signed_sha256="0" * 64,
        )
        for row in closed
    )  # fmt: skip


def peak_mb():
    """The most memory this process has had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    main()
