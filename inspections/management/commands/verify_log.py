"""Walk the whole log and say whether it is whole and what its seals say it was."""

from django.core.management.base import BaseCommand, CommandError

from inspections import log
from inspections.models import Seal


class Command(BaseCommand):
    help = "Checks the log's chain from first to last, and its seals; exit code 1 names the first bad entry."
    requires_system_checks = []

    def handle(self, **options):
        entries, head = log.head()
        broken = log.first_break() or log.first_broken_seal()
        if broken:
            raise CommandError(f"The log is broken at entry {broken.seq} of {entries}: {broken.why}.", returncode=1)
        seals = Seal.objects.count()
        self.stdout.write(f"{entries} entries, whole. The last one is {head}")
        self.stdout.write(f"{seals} {'day is' if seals == 1 else 'days are'} sealed, and each seal fits.")
