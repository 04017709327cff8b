"""Rows by the hundred thousand: what `bulk_create` writes, without its work per value."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from django.db import connection, models

# Values of these fields are in the rows as the database takes them.
AS_THEY_ARE = (
    models.AutoField,
    models.BigAutoField,
    models.BooleanField,
    models.CharField,
    models.ForeignKey,
    models.IntegerField,
    models.TextField,
)


def write(rows: Sequence[models.Model]) -> None:
    """Insert unsaved rows of one model that bring their primary keys. Inside the caller's transaction."""
    if not rows:
        return
    meta = type(rows[0])._meta
    fields = meta.concrete_fields
    quote = connection.ops.quote_name
    columns = ", ".join(quote(field.column) for field in fields)
    marks = ", ".join(["%s"] * len(fields))
    names = [field.attname for field in fields]
    change = [(n, prepared(field)) for n, field in enumerate(fields) if not isinstance(field, AS_THEY_ARE)]
    with connection.cursor() as cursor:
        cursor.executemany(
            f"INSERT INTO {quote(meta.db_table)} ({columns}) VALUES ({marks})",  # noqa: S608  (names of our own)
            lines(rows, names, change),
        )


def lines(rows: Sequence[models.Model], names: list[str], change: list[tuple[int, Callable]]) -> Iterator[list]:
    """The values of each row in the order of the columns."""
    for row in rows:
        values = [getattr(row, name) for name in names]
        for n, prepare in change:
            values[n] = prepare(values[n])
        yield values


def prepared(field: models.Field) -> Callable[[object], object]:
    """A field's own preparation of a value, done once for values that come again (times, mostly)."""
    if not isinstance(field, models.DateTimeField | models.UUIDField):
        return lambda value: field.get_db_prep_save(value, connection)
    known: dict[object, object] = {}

    def prepare(value):
        if value not in known:
            known[value] = field.get_db_prep_save(value, connection)
        return known[value]

    return prepare


@contextmanager
def nothing_to_collect() -> Iterator[None]:
    """No garbage collection meanwhile: it would walk a million rows again and again and find nothing."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
