"""System checks: what must be there for the logbook to be trusted."""

import tempfile
from pathlib import Path

from django.conf import settings
from django.core import checks
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from inspections import triggers


@checks.register(checks.Tags.database)
def append_only(app_configs, databases=None, **_):
    """The log's triggers exist once its tables do."""
    if not databases or not set(triggers.GUARDED) <= set(connection.introspection.table_names()):
        return []
    missing = sorted(triggers.names() - triggers.present())
    if not missing or migrations_wait():
        return []
    return [
        checks.Error(
            f"The log can be changed: {', '.join(missing)} missing.",
            hint="Run manage.py migrate; it creates them again.",
            id="logbook.E001",
        )
    ]


def migrations_wait() -> bool:
    """True before a migrate: it creates the triggers, and must not be stopped for want of them."""
    executor = MigrationExecutor(connection)
    return bool(executor.migration_plan(executor.loader.graph.leaf_nodes()))


@checks.register(checks.Tags.files)
def photos_writable(app_configs, **_):
    """Photos can be written, and are not where static files are served from."""
    root = Path(settings.MEDIA_ROOT)
    if Path(settings.STATIC_ROOT) in [root, *root.parents]:
        return [checks.Error("MEDIA_ROOT lies in STATIC_ROOT.", hint="Photos are private.", id="logbook.E002")]
    try:
        root.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=root):
            return []
    except OSError as error:
        return [
            checks.Error(f"MEDIA_ROOT cannot be written: {error.strerror}.", id="logbook.E003"),
        ]
