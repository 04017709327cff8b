"""The register of gauges: entered, calibrated and retired by name, each act logged. Rows are read by `leak_tests`."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from fleet.models import Gauge, Place
from inspections import log, permissions
from inspections.models import LogEntry
from inspections.permissions import Refused

SOON = timedelta(days=30)  # a calibration that ends within it is shown before the others
ACT = "keep gauges"


def subject_of(gauge: Gauge) -> str:
    """What log entries about a gauge are filed under."""
    return f"gauge:{gauge.pk}"


def enter(
    *,
    number: str,
    kind: str,
    depot: Place | None,
    step: Decimal | None,
    unit: str,
    calibrated_until: date | None,
    certificate: str,
    by: User,
    now: datetime,
) -> Gauge:
    """A new gauge. Refused where its number is taken."""
    refuse_unless_keeper(by)
    with transaction.atomic(durable=True):
        log.hold()
        if Gauge.objects.filter(number=number).exists():
            raise Refused(f"Gauge {number} is in the register already.")
        gauge = Gauge.objects.create(
            number=number,
            kind=kind,
            depot=depot,
            step=step,
            unit=unit,
            calibrated_until=calibrated_until,
            certificate=certificate,
        )
        note("gauge entered", gauge, by, now, number=number, step=step, unit=unit)
    return gauge


def calibrate(gauge: Gauge, *, until: date, certificate: str, by: User, now: datetime) -> Gauge:
    """A calibration: until when, and its certificate. The same again records nothing more."""
    refuse_unless_keeper(by)
    if until < timezone.localdate(now):
        raise Refused("The calibration ended before today. Enter the day on which it ends.")
    with transaction.atomic(durable=True):
        gauge = held(gauge)
        if (gauge.calibrated_until, gauge.certificate) == (until, certificate):
            return gauge
        before = gauge.calibrated_until
        gauge.calibrated_until, gauge.certificate = until, certificate
        gauge.save(update_fields=["calibrated_until", "certificate"])
        note("gauge calibrated", gauge, by, now, before=before)
    return gauge


def retire(gauge: Gauge, *, why: str, by: User, now: datetime) -> Gauge:
    """Take a gauge out of use for good; what was measured with it stays."""
    refuse_unless_keeper(by)
    with transaction.atomic(durable=True):
        gauge = held(gauge)
        gauge.retired = timezone.localdate(now)
        gauge.save(update_fields=["retired"])
        note("gauge retired", gauge, by, now, why=why)
    return gauge


def refuse_unless_keeper(by: User) -> None:
    """Raise Refused unless this person keeps the register."""
    if not permissions.may(by, ACT):
        raise Refused("Your role may not change the register of gauges.")


def held(gauge: Gauge) -> Gauge:
    """The row as it is now, under the log's lock; Refused where it was retired meanwhile."""
    log.hold()
    current = Gauge.objects.get(pk=gauge.pk)
    if current.retired:
        raise Refused(f"Gauge {gauge} is retired already. Nothing was changed.")
    return current


def note(kind: str, gauge: Gauge, by: User, now: datetime, **payload) -> None:
    """One log entry, with what is in force from now on."""
    told = {"until": gauge.calibrated_until, "certificate": gauge.certificate, **payload}
    told = {name: str(value) for name, value in told.items() if value not in (None, "")}
    log.write(subject=subject_of(gauge), kind=kind, actor=by.pk, happened=now, written=now, **told)


def history(gauge: Gauge) -> list[LogEntry]:
    """What was logged about a gauge, newest first."""
    return list(LogEntry.objects.filter(subject=subject_of(gauge)).select_related("actor").order_by("-seq"))
