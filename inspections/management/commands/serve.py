"""Serve the logbook on this machine: checked, migrated, with its static files, by waitress."""

import signal
import sys

import waitress
from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.contrib.staticfiles.storage import staticfiles_storage
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.core.wsgi import get_wsgi_application
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

# A page may bring four photos of 12 MB; whatever is larger is cut off before it fills the disk.
LARGEST_REQUEST = 64_000_000
FORWARDED = {"x-forwarded-for", "x-forwarded-host", "x-forwarded-proto"}


class Command(BaseCommand):
    help = "Serves the logbook with waitress. Stop it with Ctrl-C."

    def add_arguments(self, parser):
        parser.add_argument("--host", default="127.0.0.1", help="address to listen on (127.0.0.1)")
        parser.add_argument("--port", type=int, default=8000, help="port to listen on (8000)")
        parser.add_argument("--threads", type=int, default=8, help="requests answered at once (8)")

    def handle(self, *, host, port, threads, **options):
        self.check(databases=["default"])
        if pending_migrations():
            raise CommandError("The database is not up to date. Run: manage.py migrate")
        collect_static(self.stdout)
        server = listen(host, port, threads)
        signal.signal(signal.SIGTERM, stop)
        self.stdout.write(f"The logbook is at http://{host}:{port}/ (Ctrl-C stops it)")
        self.stdout.flush()
        try:
            server.run()
        finally:
            server.close()
        self.stdout.write("Stopped.")


def listen(host, port, threads):
    """A waitress server on this address; CommandError in words where it cannot listen there."""
    proxy = settings.TRUSTED_PROXY
    trust = {"trusted_proxy": proxy, "trusted_proxy_headers": FORWARDED, "trusted_proxy_count": 1} if proxy else {}
    try:
        return waitress.create_server(
            get_wsgi_application(),  # made only now: WhiteNoise looks at the collected files once, here
            host=host,
            port=port,
            threads=threads,
            ident="",
            max_request_body_size=LARGEST_REQUEST,
            clear_untrusted_proxy_headers=True,
            **trust,
        )
    except OSError as error:
        raise CommandError(f"Cannot listen on {host}:{port}: {error.strerror}. Choose another --port.") from error


def stop(*_):
    """A polite kill ends the server as Ctrl-C does."""
    sys.exit(0)


def pending_migrations():
    """True when a migration has not been applied."""
    executor = MigrationExecutor(connection)
    return bool(executor.migration_plan(executor.loader.graph.leaf_nodes()))


def collect_static(out):
    """Collect static files where the manifest is missing or older than one of them."""
    if settings.DEBUG:
        return
    manifest = settings.STATIC_ROOT / staticfiles_storage.manifest_name
    if manifest.exists() and manifest.stat().st_mtime >= newest_static():
        return
    out.write("Collecting static files …")
    out.flush()
    call_command("collectstatic", interactive=False, verbosity=0)


def newest_static():
    """When a static file was last changed, in seconds of the epoch."""
    files = (file for finder in get_finders() for file in finder.list(()))
    return max(storage.get_modified_time(name).timestamp() for name, storage in files)
