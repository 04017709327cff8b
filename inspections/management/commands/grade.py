"""Observations as JSON lines on standard input, grades as JSON lines on standard output; nothing is stored."""

import json
import os
import sys

from django.core.management.base import BaseCommand
from django.utils import timezone

from inspections import graded_lines, grading


class Command(BaseCommand):
    help = "Reads observations as JSON lines and writes their grades as JSON lines, under the ruleset in force."

    def handle(self, **options):
        rules = grading.ruleset(timezone.now())
        bad = 0
        try:
            for number, found in graded_lines.graded(lines(sys.stdin), rules):
                if isinstance(found, graded_lines.BadLine):
                    bad += 1
                    self.stderr.write(f"line {number}: {found}")
                else:
                    self.stdout.write(json.dumps(found, ensure_ascii=False, separators=(",", ":")))
        except BrokenPipeError:  # whoever read the answers has gone: nothing more to say, not even at exit
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            sys.exit(1)
        if bad:
            sys.exit(1)


def lines(stream):
    """The lines of a stream as they come; bytes that are not UTF-8 stay visible as replacement characters."""
    if hasattr(stream, "reconfigure"):
        stream.reconfigure(encoding="utf-8", errors="replace")
    return stream
