"""Check a ruleset, store it as a candidate, and work out what it would change."""

from pathlib import Path

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from inspections import rulesets, what_if
from inspections.grading import RulesetError
from inspections.management.progress import Progress
from inspections.models import RuleSet
from inspections.permissions import Refused
from inspections.rules.facts import CATEGORIES

UNTOUCHED = "The ruleset in force is untouched."
LONGEST = 3660


class Command(BaseCommand):
    help = "Checks a ruleset, stores it as a candidate, and works out what it would change. It puts nothing in force."

    def add_arguments(self, parser):
        parser.add_argument("ruleset", help="a TOML file, or the first 12 letters of a candidate that is stored")
        parser.add_argument("--days", type=int, default=what_if.YEAR, help="how far back closed findings count (365)")
        parser.add_argument("--reason", default="", help="why, kept with the candidate")
        parser.add_argument("--progress", action="store_true", help="show progress even where it is not a terminal")

    def handle(self, *, ruleset, days, reason, progress, **options):
        if not 1 <= days <= LONGEST:
            raise CommandError(f"--days is {days}; it must be 1 to {LONGEST}.")
        now = timezone.now()
        watch = Progress(self.stderr, "Comparing", wanted=progress)
        try:
            row = self.candidate(ruleset, reason, now)
            row = rulesets.try_out(row, by=None, now=now, days=days, progress=watch)
        except RulesetError as error:
            raise CommandError(f"{error}. {UNTOUCHED}") from error
        except Refused as refused:
            raise CommandError(f"{refused} {UNTOUCHED}") from refused
        self.summary(row)

    def candidate(self, named, reason, now):
        """The stored candidate of this name, or the one in this file."""
        path = Path(named)
        if not path.exists() and len(named) == rulesets.SHORT:
            row = RuleSet.objects.filter(sha256__startswith=named).first()
            if row:
                return row
        try:
            raw = path.read_bytes()
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or "no such file"
            raise CommandError(f"{named}: {why}; and no stored candidate has this name.") from error
        return rulesets.bring(rulesets.text_of(raw), by=None, reason=reason[:300], now=now)

    def summary(self, row):
        """What was found, as text."""
        found = row.what_if
        say = self.stdout.write
        say(f"Ruleset {rulesets.short(row)} is stored as a candidate; it is not in force.")
        for group, words in ((what_if.OPEN, "Open findings"), (what_if.PAST, f"Closed, of {found['days']} days")):
            tally = found[group]
            say(f"{words}: {tally['findings']}")
            for kind, count in tally["changes"].items():
                examples = ", ".join(tally["examples"].get(kind, []))
                say(f"  {what_if.CHANGES[kind]}: {count}" + (f" ({examples})" if examples else ""))
            for before, after, count in tally["steps"]:
                if before != after:
                    say(f"  Worst category from {CATEGORIES[before]} to {CATEGORIES[after]}: {count}")
            for dial, (tighter, looser) in tally["dials"].items():
                if tighter or looser:
                    say(f"  {dial.capitalize()}: tighter {tighter}, looser {looser}")
