"""Freeze a month's review, if it is not, and write its paper."""

from pathlib import Path

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from inspections import reviews as paper
from inspections.history import reviews
from inspections.permissions import Refused


class Command(BaseCommand):
    help = "Makes the review of a month, once, and writes it as a PDF."

    def add_arguments(self, parser):
        parser.add_argument("--month", help="like 2026-10; the last month that is over if not given")
        parser.add_argument("--out", help="file to write; coupler-review-<month>.pdf if not given")

    def handle(self, *args, **options):
        now = timezone.now()
        month = self.month(options["month"]) if options["month"] else reviews.last_over(now)
        try:
            review = reviews.freeze(month, now=now)
        except Refused as refused:
            raise CommandError(str(refused)) from refused
        path = Path(options["out"] or f"coupler-review-{reviews.first_of(month):%Y-%m}.pdf")
        path.write_bytes(paper.pdf(review))
        self.stdout.write(f"{path}: {reviews.first_of(month):%B %Y}, counted to {review.cut_off}")

    def month(self, text: str) -> int:
        """The number of a month like 2026-10."""
        year, _, month = text.partition("-")
        if not (year.isdigit() and len(year) == 4 and month.isdigit() and 1 <= int(month) <= 12):
            raise CommandError(f"--month: {text} is no month like 2026-10.")
        return int(year) * 12 + int(month) - 1
