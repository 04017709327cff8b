"""Couplings from a CSV file into the logbook."""

import sys
from contextlib import contextmanager
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand, CommandError
from django.db import IntegrityError, OperationalError
from django.utils import timezone

from fleet.importing import import_couplings


class Command(BaseCommand):
    help = (
        "Reads couplings from a CSV file: all good rows or none. Importing a file again changes nothing. "
        "Columns: source_ref, at, end_1, end_2, outcome, stage; place, parted and source may be missing."
    )

    def add_arguments(self, parser):
        parser.add_argument("file", help="the CSV file, UTF-8; - reads standard input")
        parser.add_argument("--dry-run", action="store_true", help="say what would happen, write nothing")
        parser.add_argument("--source", default="", help="the system it comes from, where there is no such column")
        parser.add_argument("--zone", type=zone, help="where times without an offset are local, like Europe/London")
        parser.add_argument("--progress", action="store_true", help="show progress even where it is not a terminal")

    def handle(self, *, file, dry_run, source, zone, progress, **options):
        self.draws = progress or self.stderr.isatty()
        try:
            with opened(file) as stream:
                done = import_couplings(
                    stream, now=timezone.now(), source=source, zone=zone, dry_run=dry_run, progress=self.show
                )
        except OSError as error:
            raise CommandError(f"{file} cannot be read: {error.strerror}. Nothing was written.") from error
        except (OperationalError, IntegrityError) as error:
            raise CommandError(f"The database refused: {error}. Nothing was written; run this again.") from error
        finally:
            self.end_progress()
        self.report(done)

    def report(self, done):
        """The counts, and every fault there is room for; exit code 1 where there is one."""
        for fault in done.faults:
            self.stderr.write(str(fault))
        if done.fault_count > len(done.faults):
            self.stderr.write(f"… and {done.fault_count - len(done.faults)} more.")
        self.stdout.write(
            f"{rows(done.read)} read: {done.new} new, {done.here} here already, "
            f"{done.updated} told when they parted, {done.bad} bad."
        )
        if done.bad:
            raise CommandError("Nothing was written: put the bad rows right, then import the whole file again.")
        self.stdout.write("All is written." if done.written else "Nothing was written.")

    shown = False

    def show(self, step, count):
        """How far it is, on one line that is drawn over."""
        if self.draws:
            self.shown = True
            self.stderr.write(f"\r{rows(count)} {step}   ", ending="")
            self.stderr.flush()

    def end_progress(self):
        """Leave the line of progress."""
        if self.shown:
            self.stderr.write("")


@contextmanager
def opened(name):
    """The file's bytes; those of standard input for "-"."""
    if name == "-":
        yield sys.stdin.buffer
        return
    with open(name, "rb") as stream:
        yield stream


def zone(name):
    """A time zone by its name."""
    try:
        return ZoneInfo(name)
    except (LookupError, OSError) as error:
        raise ValueError(name) from error


def rows(count):
    """ "1 row", "3,000 rows"."""
    return f"{count:,} row{'' if count == 1 else 's'}"
