"""Leak tests of a finding in work: rows ⇄ `leak`. What was read, and with what, is kept; nothing is changed later.

An attempt is a `TestResult` without a close-out. Signing copies the newest of each test (`closing.attempts`); its
value is L/min of free air, its limit the ruleset's pressure drop made L/min with the volume of the section tested.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from uuid import UUID

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from fleet.models import Gauge
from inspections import closing, grading, leak, log, workflow
from inspections.models import Finding, TestResult
from inspections.permissions import Refused

UNIT = "L/min"
PLACES = Decimal("0.0001")  # what a row keeps of a figure
READ = ("start", "end", "minutes", "volume", "step", "start_c", "end_c", "barometer", "thermometer")


@dataclass(frozen=True, slots=True)
class Shown:
    """An attempt with what was read (`leak.Readings`), what follows from it now (`leak.Result`), the limit as the
    ruleset words it (bar and minutes) and the points to draw (`leak.Picture`). Verdict and figures are the row's."""

    row: TestResult
    readings: leak.Readings
    result: leak.Result
    picture: leak.Picture
    drop: Decimal
    minutes: Decimal

    @property
    def why(self) -> str:
        """What followed from the readings, in the sentence of that day."""
        return self.row.readings["why"]

    @property
    def mate(self) -> str:
        """The unit and end it was coupled to, in a person's words."""
        return self.row.readings.get("mate", "")


def offered(finding: Finding, rules) -> list:
    """The ruleset's leak tests, those that this finding asks for first."""
    asked = {test.code for test in asked_for(finding, rules)}
    return sorted(every(rules), key=lambda test: test.code not in asked)


def asked_for(finding: Finding, rules) -> list:
    """The leak tests among the closing tests of a finding."""
    codes = closing.tests_asked(finding, rules=rules)
    return [rules.tests[code] for code in codes if rules.tests[code].minutes is not None]


def concern(finding: Finding, rules) -> bool:
    """True where leak tests were made on a finding, or it is in work and asks for one."""
    if workflow.may_from(finding, "close") and asked_for(finding, rules):
        return True
    return TestResult.objects.filter(finding=finding, readings__has_key="drop").exists()


def every(rules) -> list:
    """Every leak test of a ruleset: a value against a pressure drop in so many minutes."""
    return [test for test in rules.tests.values() if test.minutes is not None]


def section(finding: Finding) -> tuple[str, Decimal | None]:
    """(pipe, litres) of the section behind the finding's part: "" and None where nobody has recorded it."""
    if finding.end_id is None or finding.unit_id is None:
        return "", None
    pipe = next((part.get("pipe", "") for part in finding.end.pattern.parts if part["slot"] == finding.slot), "")
    return pipe, litres(finding.unit.type.volumes.get(pipe, "")) if pipe else None


def litres(said: object) -> Decimal | None:
    """A volume as the register of unit types has it; None where it is none that a test can have."""
    try:
        return leak.checked("volume", Decimal(str(said)))
    except (InvalidOperation, leak.BadReading):
        return None


def gauges() -> list[Gauge]:
    """Pressure gauges that are not retired."""
    kept = Gauge.objects.filter(kind=Gauge.Kind.PRESSURE, retired=None)
    return list(kept.select_related("depot").order_by("number"))


def why_not(gauge: Gauge, on: date) -> str:
    """Why a gauge's value does not count on that day; "" where it does."""
    if gauge.kind != Gauge.Kind.PRESSURE or gauge.unit != "bar" or gauge.step is None:
        return f"Gauge {gauge} has no step in bar in the register. Take another gauge."
    why = closing.why_not(gauge, on)
    return why[:1].upper() + why[1:]


def record(
    finding: Finding,
    *,
    uuid: UUID,
    test: str,
    gauge: Gauge,
    readings: leak.Readings,
    by: User,
    now: datetime,
    mate: str = "",
) -> TestResult:
    """Keep one attempt and log it; the same uuid again gives the same row. `readings.step` must be the gauge's.

    Refused in words, with nothing changed: not in work or not a fitter, a gauge that is overdue, retired or without a
    step, a test the ruleset does not know, another finding's uuid.
    """
    rules = grading.ruleset(now)
    with transaction.atomic(durable=True):
        log.hold()
        known = TestResult.objects.filter(uuid=uuid).select_related("finding").first()
        if known and known.finding_id == finding.pk and known.by_id == by.pk:
            return known
        if known:
            raise Refused("This page was used for another test. Open it again.")
        current = Finding.objects.get(pk=finding.pk)
        workflow.allow("close", current, by)
        row = attempt(current, rules, uuid=uuid, test=test, gauge=gauge, readings=readings, by=by, now=now, mate=mate)
        workflow.advance(
            current,
            act="close",
            version=current.version,
            by=by,
            now=now,
            kind="tested",
            changes={},
            uuid=str(uuid),
            test=row.test,
            name=row.name,
            value=row.value,
            uncertainty=row.uncertainty,
            unit=row.unit,
            high=row.high,
            verdict=row.verdict,
            gauge=gauge.number,
        )
        row.save(force_insert=True)
        return row


def attempt(
    finding: Finding,
    rules,
    *,
    uuid: UUID,
    test: str,
    gauge: Gauge,
    readings: leak.Readings,
    by: User,
    now: datetime,
    mate: str = "",
) -> TestResult:
    """An unsaved attempt as `record` keeps it; Refused as there. For whoever writes rows in bulk too."""
    asked = rules.tests.get(test)
    if asked is None or asked.minutes is None:
        raise Refused("Choose a leak test of the ruleset.")
    refused = why_not(gauge, timezone.localdate(now))
    if refused:
        raise Refused(refused)
    if readings.step != gauge.step:
        raise Refused(f"The step of gauge {gauge} has changed in the register. Open the page again.")
    limit = leak.limit_of_drop(asked.high, asked.minutes, readings.volume)
    result = leak.judge(readings, limit)
    read = {name: str(value) for name in READ if (value := getattr(readings, name)) is not None}
    kept = {"drop": str(asked.high), "drop_minutes": str(asked.minutes), "why": result.why}
    return TestResult(
        finding=finding,
        uuid=uuid,
        test=asked.code,
        name=asked.name,
        value=result.leak.quantize(PLACES),
        uncertainty=result.uncertainty.quantize(PLACES),
        unit=UNIT,
        high=limit.quantize(PLACES),
        document=asked.document,
        readings={**read, **kept, **({"mate": mate} if mate else {})},
        verdict=result.verdict,
        gauge=gauge,
        gauge_due=gauge.calibrated_until,
        by=by,
        at=now,
    )


def attempts(finding: Finding) -> list[TestResult]:
    """The leak tests made during the work, newest first."""
    rows = TestResult.objects.filter(finding=finding, readings__has_key="drop")
    return list(rows.select_related("gauge", "by").order_by("-pk"))


def shown(row: TestResult) -> Shown:
    """What the pages show of an attempt, or of its signed copy."""
    readings = leak.Readings(**{name: Decimal(row.readings[name]) for name in READ if name in row.readings})
    drop, minutes = Decimal(row.readings["drop"]), Decimal(row.readings["drop_minutes"])
    limit = leak.limit_of_drop(drop, minutes, readings.volume)
    return Shown(row, readings, leak.judge(readings, limit), leak.picture(readings, limit), drop, minutes)
