"""What the clock does once an hour."""

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from inspections import hourly


class Command(BaseCommand):
    help = (
        "To be run once an hour: grades what an earlier ruleset graded, seals the log of days that are over, and "
        "sends mail about Intolerable findings, deferrals that ran out and wrong-side faults. It may run twice."
    )

    def handle(self, **options):
        done = hourly.run(timezone.now())
        if done is None:
            self.stdout.write("Another run is at work, or was stopped less than half an hour ago. Nothing was done.")
            return
        for name, words in done.told.items():
            self.stdout.write(f"{name}: {words}")
        if done.failed:
            raise CommandError(f"Not done: {', '.join(done.failed)}. The error stream says why.", returncode=1)
