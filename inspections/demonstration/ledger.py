"""Rows and log entries that are written at once: the same rows as one by one, in a few seconds."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime

from django.apps import apps
from django.contrib.auth.models import User
from django.core.management.color import no_style
from django.db import connection, models

from fleet.models import PartFitting
from inspections import log
from inspections.demonstration.bulk import write
from inspections.models import (
    CloseOut,
    Finding,
    FleetAction,
    FleetActionItem,
    Grade,
    GradeCell,
    InspectedEnd,
    Inspection,
    LogEntry,
    Observation,
    Restriction,
    Submission,
    TestResult,
    Visit,
)

TABLES = (
    Submission,
    Inspection,
    InspectedEnd,
    Visit,
    Grade,
    GradeCell,
    Finding,
    Observation,
    CloseOut,
    TestResult,
    Restriction,
    PartFitting,
    FleetAction,
    FleetActionItem,
)


class Ledger:
    """Collects rows, giving each its primary key, and what the log says; `save` writes all of it."""

    def __init__(self):
        self.rows = defaultdict(list)
        self.entries: list[tuple[datetime, log.Happening]] = []

    def add(self, row: models.Model) -> models.Model:
        """Take a row in and return it with its key."""
        rows = self.rows[type(row)]
        rows.append(row)
        row.pk = len(rows)
        return row

    def write(
        self, *, subject: str, kind: str, actor: int | None, happened: datetime, written: datetime, **payload: object
    ) -> None:
        """Take in an entry of the log; the arguments are those of `log.write`."""
        self.entries.append((written, log.Happening(subject, kind, actor, happened, payload)))

    def save(self) -> None:
        """Write every row and the chain, entries in order of writing. Inside the caller's transaction.

        The tables must be empty: rows bring their keys, and the chain starts here.
        """
        log.hold()
        for table in TABLES:
            write(self.rows[table])
        write(self.chained())

    def chained(self) -> list[LogEntry]:
        """The entries as one chain, through the log's own builder."""
        seq, prev, chain = 0, log.GENESIS, []
        for written, happening in sorted(self.entries, key=lambda entry: entry[0]):
            entry = next(log.chain([happening], seq=seq, prev=prev, written=written))
            entry.pk = seq = entry.seq
            prev = entry.hash
            chain.append(entry)
        return chain


def count_on() -> None:
    """Rows brought their keys: let the database count on from there (SQLite does by itself)."""
    every = [User, *(model for app in ("fleet", "inspections") for model in apps.get_app_config(app).get_models())]
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), every):
            cursor.execute(statement)
