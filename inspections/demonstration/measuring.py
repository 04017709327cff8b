"""What depots measured with, and how leak tests went: attempts with their readings, as the leak page keeps them."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal

from django.contrib.auth.models import User
from django.utils import timezone

from fleet.models import Gauge
from fleet.railway import uuid_from
from inspections import closing, leak, leak_tests
from inspections.demonstration.filing import Life
from inspections.demonstration.world import World
from inspections.models import CloseOut, TestResult

KINDS = {
    "bar": Gauge.Kind.PRESSURE,
    "mm": Gauge.Kind.LENGTH,
    "mΩ": Gauge.Kind.ELECTRICAL,
    "MΩ": Gauge.Kind.ELECTRICAL,
}
YEAR = timedelta(days=365)
DROPS = ("0.10", "0.05", "0.00")  # bar in the time of the test, the largest that passes is read
NOT_AT_ONCE = 0.12  # of leak tests, one that is not passed before it is
MINUTE = timedelta(minutes=1)


def due_then(gauge: Gauge, on: date) -> date:
    """When a gauge was due on a day: it goes away once a year."""
    due = gauge.calibrated_until
    while due - YEAR >= on:
        due -= YEAR
    return due


def gauge_for(world: World, life: Life, unit: str, on: date) -> Gauge | None:
    """One of the depot's gauges for values in this unit, in date on that day; None where none is listed."""
    depot = life.row.visit.depot if life.row.visit else life.row.unit.home
    there = [g for g in world.railway.gauges if g.depot_id == depot.pk and g.kind == KINDS.get(unit)]
    there = [gauge for gauge in there if due_then(gauge, on) >= on]
    return world.random.choice(there) if there else None


def measured(world: World, life: Life, work: closing.Work, on: date) -> tuple[closing.Result, ...]:
    """The results with what each value was measured with."""
    units = {result.test: world.rules.tests[result.test].unit for result in work.results if result.value is not None}
    return tuple(
        closing.Result(
            r.test, r.value, r.passed, gauge_for(world, life, units[r.test], on) if r.test in units else None
        )
        for r in work.results
    )


def leaks(world: World, at: datetime, life: Life, work: closing.Work, by: User) -> dict[str, TestResult]:
    """The leak tests of a repair, made in the minutes before it is signed: code → the newest attempt."""
    if work.outcome != CloseOut.Outcome.REPAIRED:
        return {}
    tried = {}
    asked = [world.rules.tests[code] for code in closing.tests_asked(life.row, work.mode, world.rules)]
    for test in asked:
        if test.minutes is None:
            continue
        if world.random.random() < NOT_AT_ONCE:
            keep(world, life, attempt(world, life, test, at - 9 * MINUTE, by, "0.60"), by)
        rows = (attempt(world, life, test, at - MINUTE, by, drop) for drop in DROPS[world.random.randrange(3) :])
        tried[test.code] = next(row for row in rows if row.verdict == TestResult.Verdict.PASS)
        keep(world, life, tried[test.code], by)
    return tried


def attempt(world: World, life: Life, test, at: datetime, by: User, drop: str) -> TestResult:
    """One attempt in which the pressure fell by so much; not kept yet."""
    on = timezone.localdate(at)
    gauge = gauge_for(world, life, "bar", on)
    pipe, litres = leak_tests.section(life.row)
    volumes = life.row.unit.type.volumes
    warm = Decimal(8 + on.month % 12)
    readings = leak.Readings(
        start=Decimal("9.00"),
        end=Decimal("9.00") - Decimal(drop),
        minutes=Decimal(max(10, test.minutes)),
        volume=litres or Decimal(volumes[pipe or "MRP"]),
        step=gauge.step,
        start_c=warm,
        end_c=warm,
    )
    row = leak_tests.attempt(
        life.row,
        world.rules,
        uuid=uuid_from(world.random),
        test=test.code,
        gauge=gauge,
        readings=readings,
        by=by,
        now=at,
    )
    row.gauge_due = due_then(gauge, on)
    return row


def keep(world: World, life: Life, row: TestResult, by: User) -> None:
    """Keep an attempt, with its entry in the log: as `leak_tests.record` does."""
    life.become({"version": life.row.version + 1})
    world.ledger.add(row)
    world.ledger.write(
        subject=f"finding:{life.row.ref}",
        kind="tested",
        actor=by.pk,
        happened=row.at,
        written=row.at,
        version=life.row.version,
        state=life.row.state,
        uuid=str(row.uuid),
        test=row.test,
        name=row.name,
        value=row.value,
        uncertainty=row.uncertainty,
        unit=row.unit,
        high=row.high,
        verdict=row.verdict,
        gauge=row.gauge.number,
    )
