"""All figures on recurring faults at a day, as JSON: the same as the page's and the monthly review's."""

import json
from datetime import date

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from inspections.history import figures


class Command(BaseCommand):
    help = "Prints all figures on recurring faults up to and including a day, as JSON."

    def add_arguments(self, parser):
        parser.add_argument("--day", help="local day like 2026-10-31; the last whole day if not given")

    def handle(self, *args, **options):
        last = figures.cut_off_before(timezone.now())
        try:
            day = date.fromisoformat(options["day"]) if options["day"] else last
        except ValueError as wrong:
            raise CommandError(f"--day: {options['day']} is no day like 2026-10-31.") from wrong
        if day > last:
            raise CommandError(f"--day: {day} is not over yet.")
        json.dump(figures.figures(day), self.stdout, ensure_ascii=False, indent=1, allow_nan=False)
        self.stdout.write("")
