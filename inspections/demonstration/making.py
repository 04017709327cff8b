"""Is there a demonstration here, may there be one, and how it is made."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

from django.apps import apps
from django.contrib.auth.models import User
from django.db import connection, transaction

from fleet import railway
from inspections import grading, log
from inspections.demonstration.bulk import nothing_to_collect, write
from inspections.demonstration.ledger import count_on
from inspections.demonstration.past import live_through
from inspections.demonstration.people import hire
from inspections.demonstration.rates import Rates
from inspections.demonstration.today import live
from inspections.demonstration.truths import Curve, Truths
from inspections.demonstration.world import World
from inspections.demonstration.yesterday import happened
from inspections.models import LogEntry

MADE, FINISHED = "demonstration made", "demonstration finished"
SUBJECT = "demonstration:ostrel-valley"
SEED = 20261124
NOW = datetime(2026, 11, 24, 6, 0, tzinfo=UTC)
UNITS, YEARS = 42, 3
LIVE_FOR = timedelta(hours=60)


@dataclass(frozen=True)
class Size:
    """What a demonstration is made from; the defaults never change, so every screen can be checked."""

    seed: int = SEED
    now: datetime = NOW
    units: int = UNITS
    years: int = YEARS


class NotOurs(Exception):
    """The database holds something that is no demonstration; the message says what."""


def found() -> str:
    """What is here: "" (nothing yet), "unfinished" or "demonstration". Raises NotOurs. Changes nothing."""
    here = set(connection.introspection.table_names())
    if not here:
        return ""
    if LogEntry._meta.db_table not in here:
        raise NotOurs("this database holds tables that are not the logbook's")
    if LogEntry.objects.filter(seq=1, kind=MADE, subject=SUBJECT).exists():
        finished = LogEntry.objects.filter(kind=FINISHED, subject=SUBJECT).exists()
        return "demonstration" if finished else "unfinished"
    for model in filled():
        raise NotOurs(f"this database holds {model._meta.verbose_name_plural} that are no demonstration")
    return ""


def filled():
    """The models of people, fleet and inspections that have rows; a ruleset is there from the first start."""
    ours = [User, *apps.get_app_config("fleet").get_models(), *apps.get_app_config("inspections").get_models()]
    return (model for model in ours if model._meta.model_name != "ruleset" and model.objects.exists())


def made() -> dict[str, object]:
    """From what the demonstration here was made: seed, now, units, years."""
    data = LogEntry.objects.get(seq=1).data
    return data | {"now": datetime.fromisoformat(data["now"])}


def clear() -> None:
    """Take a demonstration away: the file on SQLite, the tables elsewhere. Raises NotOurs."""
    found()
    if connection.vendor == "sqlite":
        connection.close()
        path = Path(connection.settings_dict["NAME"])
        for name in (path, path.with_name(path.name + "-journal")):
            name.unlink(missing_ok=True)
        return
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names():
            cursor.execute(f"DROP TABLE {connection.ops.quote_name(table)} CASCADE")


def fill(size: Size, password: str, rates: Rates | None = None, traffic: railway.Traffic | None = None) -> None:
    """Make the demonstration in an empty, migrated database: the years in one go, then the last days act by act."""
    rates, traffic = rates or Truths(), traffic or Curve()
    with nothing_to_collect():
        built = railway.build(units=size.units, years=size.years, now=size.now, seed=size.seed, traffic=traffic)
        ruleset = grading.in_force(size.now)
        with transaction.atomic(durable=True):
            world = World(
                railway=built,
                cast=hire(password, built.start),
                rates=rates,
                ruleset=ruleset,
                rules=grading.parsed(ruleset.text),
                until=size.now - LIVE_FOR,
                random=Random(f"{size.seed} inspections"),  # noqa: S311  (a repeatable railway)
            )
            begun = {"seed": size.seed, "now": size.now, "units": size.units, "years": size.years}
            world.ledger.write(**mark(MADE, built.start), **begun)
            later = live_through(world)
            for rows in built.tables():
                write(rows)
            world.ledger.save()
            count_on()
        live(world, password, later, happened)
    with transaction.atomic(durable=True):
        log.write(**mark(FINISHED, size.now))


def mark(kind: str, when: datetime) -> dict[str, object]:
    """The entry by which a demonstration is known, as the arguments of `log.write`."""
    return {"subject": SUBJECT, "kind": kind, "actor": None, "happened": when, "written": when}
