"""Walk the whole log and say whether it is whole."""

from django.core.management.base import BaseCommand, CommandError

from inspections import log


class Command(BaseCommand):
    help = "Checks the log's chain from the first entry to the last; exit code 1 names the first bad entry."
    requires_system_checks = []

    def handle(self, **options):
        entries, head = log.head()
        broken = log.first_break()
        if broken:
            raise CommandError(f"The log is broken at entry {broken.seq} of {entries}: {broken.why}.", returncode=1)
        self.stdout.write(f"{entries} entries, whole. The last one is {head}")
