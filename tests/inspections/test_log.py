"""The chain: whole, and every way of breaking it found."""

from datetime import date, timedelta
from decimal import Decimal
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction
from django.db.migrations.recorder import MigrationRecorder

from inspections import checks, log, triggers
from inspections.models import LogEntry, Seal


@pytest.fixture
def written(db, now):
    for n in range(5):
        log.write(
            subject=f"unit:{n}", kind="noted", actor=None, happened=now, written=now, n=n, value=Decimal("1.50")
        )
    return now


def change(sql):
    triggers.drop()
    with connection.cursor() as cursor:
        cursor.execute(sql)


def test_chain_is_whole_and_linked(written):
    entries = list(LogEntry.objects.order_by("seq"))
    assert [entry.seq for entry in entries] == [1, 2, 3, 4, 5]
    assert entries[0].prev == log.GENESIS
    assert all(b.prev == a.hash for a, b in zip(entries, entries[1:], strict=False))
    assert log.first_break() is None


@pytest.mark.parametrize(
    ("sql", "seq"),
    [
        ("UPDATE inspections_logentry SET payload = '{}' WHERE seq = 3", 3),
        ("UPDATE inspections_logentry SET happened = '2020-01-01 00:00:00' WHERE seq = 2", 2),
        ("UPDATE inspections_logentry SET subject = 'unit:9' WHERE seq = 1", 1),
        ("DELETE FROM inspections_logentry WHERE seq = 4", 4),
        ("UPDATE inspections_logentry SET seq = 9 WHERE seq = 5", 5),
    ],
)
def test_tampering_is_found_where_it_is(written, sql, seq):
    change(sql)
    assert log.first_break().seq == seq


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE inspections_logentry SET payload = '{}' WHERE seq = 3",
        "DELETE FROM inspections_logentry WHERE seq = 5",
    ],
)
def test_database_refuses_to_change_the_log(written, sql):
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql)
    assert log.first_break() is None


@pytest.mark.skipif(connection.vendor != "sqlite", reason="REPLACE is SQLite's")
def test_replace_does_not_slip_past_the_triggers(written):
    sql = (
        "INSERT OR REPLACE INTO inspections_logentry (seq, prev, hash, subject, kind, happened, written, payload) "
        "SELECT seq, prev, hash, 'forged', kind, happened, written, payload FROM inspections_logentry WHERE seq = 2"
    )
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql)
    assert not LogEntry.objects.filter(subject="forged").exists()


@pytest.fixture
def sealed(written, now):
    """The five entries, and seals of three days: after the 2nd, the 2nd again (nothing happened), the 4th."""
    heads = dict(LogEntry.objects.values_list("seq", "hash"))
    for day, seq in [(21, 2), (22, 2), (23, 4)]:
        Seal.objects.create(day=date(2026, 11, day), last_seq=seq, hash=heads[seq], made=now)
    return now


def make_anew(payload="{}", upto=5):
    """The log rewritten from its third entry on, so that the chain is whole again."""
    entries = list(LogEntry.objects.order_by("seq"))
    triggers.drop()
    LogEntry.objects.all().delete()
    prev = log.GENESIS
    for entry in entries[:upto]:
        entry.prev, entry.payload = prev, payload if entry.seq == 3 else entry.payload
        entry.hash = prev = log.digest(entry)
        entry.save(force_insert=True)


# What somebody who owns the file did, and what the check says; the chain is whole each time.
FORGED = [
    (lambda: make_anew(payload='{"n":7}'), 4, "the seal of 2026-11-23 is of another entry"),
    (lambda: make_anew(upto=3), 4, "the seal of 2026-11-23 names it, and it is missing"),
    (
        lambda: Seal.objects.filter(day=date(2026, 11, 22)).delete(),
        2,
        "the seal of the day after 2026-11-21 is missing",
    ),
    (lambda: Seal.objects.filter(last_seq=4).update(last_seq=5), 5, "the seal of 2026-11-23 is of another entry"),
    (lambda: Seal.objects.filter(last_seq=4).update(hash="0" * 64), 4, "the seal of 2026-11-23 is of another entry"),
]


@pytest.mark.parametrize(("forge", "seq", "why"), FORGED, ids=range(len(FORGED)))
def test_a_log_made_anew_does_not_fit_its_seals(sealed, forge, seq, why):
    forge()
    assert log.first_break() is None
    assert log.first_broken_seal() == log.Break(seq, why)
    with pytest.raises(CommandError, match=f"broken at entry {seq} of [35]: {why}"):
        call_command("verify_log")


def test_seals_that_fit_are_counted(sealed):
    assert log.first_broken_seal() is None
    call_command("verify_log", stdout=(said := StringIO()))
    assert "5 entries, whole. The last one is" in said.getvalue()
    assert "3 days are sealed, and each seal fits." in said.getvalue()


def test_triggers_come_back_after_migrate_and_the_check_misses_them(db):
    triggers.drop()
    assert [error.id for error in checks.append_only(None, databases=["default"])] == ["logbook.E001"]
    call_command("migrate", verbosity=0)
    assert checks.append_only(None, databases=["default"]) == []


def test_the_check_does_not_stop_the_migrate_that_makes_the_triggers(db):
    """An older database has not all tables' triggers yet."""
    triggers.drop()
    newest = MigrationRecorder.Migration.objects.filter(app="inspections").order_by("-name").first()
    newest.delete()
    assert checks.append_only(None, databases=["default"]) == []


def test_writing_needs_a_transaction(transactional_db, now):
    with pytest.raises(transaction.TransactionManagementError):
        log.write(subject="x", kind="x", actor=None, happened=now, written=now)
    assert not LogEntry.objects.exists()


def test_hash_covers_every_field(written, now):
    entry = LogEntry.objects.get(seq=3)
    before = log.digest(entry)
    changes = {
        "seq": 4,
        "prev": "f" * 64,
        "subject": "y",
        "kind": "y",
        "actor_id": 7,
        "happened": now + timedelta(seconds=1),
        "written": now + timedelta(seconds=1),
        "payload": "{}",
    }
    for name, value in changes.items():
        old = getattr(entry, name)
        setattr(entry, name, value)
        assert log.digest(entry) != before, name
        setattr(entry, name, old)
