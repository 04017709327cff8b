"""Small files of couplings, good and bad, and what is stored of them."""

import io
from datetime import UTC, datetime, timedelta

from fleet.importing import import_couplings
from fleet.models import Coupling, CouplingSide

NOW = datetime(2026, 11, 24, 6, 0, tzinfo=UTC)
COLUMNS = ["source_ref", "at", "end_1", "end_2", "outcome", "stage", "place", "parted"]
HEAD = ",".join(COLUMNS).encode()
CELLS = {
    "source_ref": "r1",
    "at": "2026-11-24T05:00:00+00:00",
    "end_1": "201 A",
    "end_2": "202 B",
    "outcome": "coupled",
    "stage": "full",
    "place": "SKJ",
    "parted": "",
}
GOOD = ",".join(CELLS.values()).encode()


def row(**cells):
    """A second line, good but for these cells."""
    return ",".join((CELLS | {"source_ref": "r2", "at": "2026-11-24T05:30Z"} | cells).values()).encode()


def file(*lines, head=HEAD):
    return b"".join(line + b"\n" for line in (head, *lines))


def load(data, **options):
    stream = io.BytesIO(data) if isinstance(data, bytes) else data
    return import_couplings(stream, **({"now": NOW, "source": "recorder"} | options))


def stored():
    """Every coupling and side, whole."""
    return [list(model.objects.order_by("pk").values()) for model in (Coupling, CouplingSide)]


def second(**cells):
    """A file whose third line is good but for these cells."""
    return file(GOOD, row(**cells))


def many(count, **cells):
    """A file of this many good rows, a minute apart."""
    start = NOW - timedelta(days=30)
    times = [start + timedelta(minutes=n) for n in range(count)]
    return file(*(row(**({"source_ref": f"m{n:05}", "at": f"{at:%FT%TZ}"} | cells)) for n, at in enumerate(times)))
