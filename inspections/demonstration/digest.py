"""One figure over everything the logbook holds: the same data gives the same figure on every database."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import date, datetime

from django.apps import apps
from django.contrib.auth.models import User

from inspections import log
from inspections.models import LogEntry, Photo

# How a photo is encoded may differ between builds of the imaging library, and the chain covers it.
LEFT_OUT = {
    User: {"password", "last_login"},
    Photo: {"sha256_received", "sha256_stored"},
    LogEntry: {"prev", "hash"},
}


def digest() -> str:
    """Hex SHA-256 over every row of our tables and of the people, without passwords and photo encodings."""
    total = hashlib.sha256()
    for model in tables():
        names = [field.attname for field in model._meta.fields if field.name not in LEFT_OUT.get(model, ())]
        total.update(log.canonical([model._meta.label, names]).encode())
        for row in lines(model, names):
            total.update(row)
    return total.hexdigest()


def tables() -> list[type]:
    """Our tables by name, and the people."""
    ours = [model for app in ("fleet", "inspections") for model in apps.get_app_config(app).get_models()]
    return [User, *sorted(ours, key=lambda model: model._meta.label)]


def lines(model, names: list[str]) -> Iterator[bytes]:
    """Each row as canonical JSON, by primary key; binary as its digest."""
    photo_entry = model is LogEntry and (names.index("subject"), names.index("payload"))
    for row in model.objects.order_by("pk").values_list(*names).iterator(chunk_size=5000):
        if photo_entry and row[photo_entry[0]].startswith("photo:"):
            row = [value for n, value in enumerate(row) if n != photo_entry[1]]
        yield log.canonical([plain(value) for value in row]).encode()


def plain(value: object) -> object:
    """What canonical JSON has no form for."""
    if isinstance(value, bytes | memoryview):
        return hashlib.sha256(value).hexdigest()
    if isinstance(value, date) and not isinstance(value, datetime):
        return value.isoformat()
    return value
