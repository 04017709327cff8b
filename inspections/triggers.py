"""Database triggers that make a table append-only, on SQLite and PostgreSQL.

SQLite drops triggers when a migration rebuilds a table, so they are created again after every migrate. There
whoever owns the file can still drop them: tampering is detected by the chain, not prevented.
"""

from django.db import connection

from inspections.models import Grade, GradeCell, LogEntry, Observation, TestResult

# Table → the columns a REPLACE could collide on.
GUARDED = {
    LogEntry._meta.db_table: ("id", "seq", "prev", "hash"),
    Observation._meta.db_table: ("id", "uuid"),
    Grade._meta.db_table: ("id",),
    GradeCell._meta.db_table: ("id",),
    TestResult._meta.db_table: ("id", "uuid"),
}


def sqlite_statements(table, unique):
    same = " OR ".join(f"{column} = NEW.{column}" for column in unique)
    clash = f"EXISTS (SELECT 1 FROM {table} WHERE {same})"  # noqa: S608  (names of our own)
    stop = f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
    return [
        f"CREATE TRIGGER IF NOT EXISTS {table}_no_update BEFORE UPDATE ON {table} {stop}",
        f"CREATE TRIGGER IF NOT EXISTS {table}_no_delete BEFORE DELETE ON {table} {stop}",
        f"CREATE TRIGGER IF NOT EXISTS {table}_no_replace BEFORE INSERT ON {table} WHEN {clash} {stop}",
    ]


def postgresql_statements(table, _unique):
    return [
        "CREATE OR REPLACE FUNCTION append_only() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "RAISE EXCEPTION '% is append-only', TG_TABLE_NAME USING ERRCODE = '23514'; END $$",
        f"CREATE OR REPLACE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION append_only()",
        f"CREATE OR REPLACE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION append_only()",
        f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {table}_no_change",
        f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {table}_no_truncate",
    ]


def names():
    """The names of all triggers that must be there, for this database."""
    kinds = (
        ("no_change", "no_truncate")
        if connection.vendor == "postgresql"
        else ("no_update", "no_delete", "no_replace")
    )
    return {f"{table}_{kind}" for table in GUARDED for kind in kinds}


def present():
    """The names of those that are there."""
    catalogue = (
        "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal"
        if connection.vendor == "postgresql"
        else "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    )
    with connection.cursor() as cursor:
        cursor.execute(catalogue)
        return {row[0] for row in cursor.fetchall()} & names()


def create():
    """Create what is missing; safe to repeat."""
    statements = postgresql_statements if connection.vendor == "postgresql" else sqlite_statements
    existing = set(connection.introspection.table_names())
    with connection.cursor() as cursor:
        for table, unique in GUARDED.items():
            if table in existing:
                for statement in statements(table, unique):
                    cursor.execute(statement)


def drop():
    """Drop them, for tests that flush tables."""
    with connection.cursor() as cursor:
        for table in GUARDED:
            for name in sorted(names()):
                if name.startswith(f"{table}_no_"):
                    on = f" ON {table}" if connection.vendor == "postgresql" else ""
                    cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on}")


def after_migrate(**_):
    """Signal receiver for `post_migrate`."""
    create()
