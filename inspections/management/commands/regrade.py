"""Grade anew, under the ruleset in force, what still carries the grade of an earlier one."""

from django.core.management.base import BaseCommand
from django.utils import timezone

from inspections import regrading
from inspections.management.progress import Progress


class Command(BaseCommand):
    help = "Grades open findings under the ruleset in force: those that still carry an earlier one's grade."

    def add_arguments(self, parser):
        parser.add_argument("--all", action="store_true", help="every open finding, whichever ruleset graded it")
        parser.add_argument("--progress", action="store_true", help="show progress even where it is not a terminal")

    def handle(self, *, progress, **options):
        done = regrading.regrade_open(
            now=timezone.now(),
            actor=None,
            everything=options["all"],
            progress=Progress(self.stderr, "Regrading", wanted=progress),
        )
        self.stdout.write(
            f"{done.graded} graded, {done.changed} with another worst category, {done.waiting} still wait."
        )
