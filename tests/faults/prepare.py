"""Fill a new database with the small cast and railway: python -m tests.faults.prepare [MORE_DRIVERS]."""

import sys

import django

django.setup()

from django.core.management import call_command  # noqa: E402
from django.db import connection  # noqa: E402

from inspections import permissions  # noqa: E402
from tests import conftest  # noqa: E402
from tests.faults import PASSWORD  # noqa: E402


def prepare(drivers: int) -> None:
    """Migrate; the cast; the railway; as many more drivers, named soak1 and so on."""
    assert conftest.PASSWORD == PASSWORD
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA synchronous=OFF")  # while it is filled; what serves it writes as the product does
    call_command("migrate", verbosity=0)
    conftest.cast.__wrapped__(None)
    conftest.railway.__wrapped__(None)
    for number in range(1, drivers + 1):
        conftest.person(f"soak{number}", f"Soak {number}", permissions.DRIVER)


if __name__ == "__main__":
    prepare(int(sys.argv[1]) if len(sys.argv) > 1 else 0)
