"""The demonstration railway: made once, then served."""

from datetime import UTC, datetime, timedelta

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from inspections import hourly
from inspections.demonstration import making
from inspections.demonstration.digest import digest
from inspections.demonstration.people import STAFF, keep_password, kept_password, new_password, password_file

DEFAULTS = making.Size()


class Command(BaseCommand):
    help = (
        "Makes the invented Ostrel Valley Railway in an empty database and serves it; the next time it only serves. "
        "The railway's day is fixed, so that every screen can be checked; --now moves it."
    )
    requires_system_checks = []

    def add_arguments(self, parser):
        parser.add_argument("--seed", type=int, help=f"another railway ({DEFAULTS.seed})")
        parser.add_argument(
            "--now", type=moment, help=f"the railway's present, ISO 8601 ({DEFAULTS.now:%Y-%m-%dT%H:%MZ})"
        )
        parser.add_argument("--units", type=at_least(3), help=f"units, at least 3 ({DEFAULTS.units})")
        parser.add_argument("--years", type=at_least(1), help=f"years of history, at least 1 ({DEFAULTS.years})")
        parser.add_argument("--rebuild", action="store_true", help="take the demonstration away and make it anew")
        parser.add_argument("--no-serve", action="store_true", help="print a digest of the data instead of serving")
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000)

    def handle(self, *, rebuild, no_serve, host, port, **options):
        asked = {name: options[name] for name in ("seed", "now", "units", "years") if options[name] is not None}
        try:
            self.provide(making.Size(**asked), asked, rebuild)
        except making.NotOurs as error:
            raise CommandError(
                f"Nothing was changed: {error}. The demonstration needs a database of its own."
            ) from error
        self.say_who_can_sign_in()
        if no_serve:
            self.stdout.write(f"digest {digest()}")
        else:
            hourly.run(timezone.now())  # nobody has set a clock for a demonstration
            call_command("serve", host=host, port=port, stdout=self.stdout)

    def provide(self, size, asked, rebuild):
        """See that there is a demonstration."""
        here = making.found()
        if here and rebuild:
            making.clear()
            here = ""
        if here == "unfinished":
            raise CommandError("The demonstration here was not finished. Run this again with --rebuild.")
        call_command("migrate", verbosity=0, interactive=False)
        if here:
            self.say_what_is_here(asked)
            return
        self.stdout.write(f"Making {size.units} units and {in_years(size.years)} of history …")
        self.stdout.flush()
        password = new_password()
        making.fill(size, password)
        keep_password(password)
        self.say_what_is_here({})

    def say_what_is_here(self, asked):
        """What the railway is made from; what was asked and cannot be had without making it anew."""
        made = making.made()
        now = made["now"]
        self.stdout.write(
            f"Ostrel Valley Railway, invented: {made['units']} units, {in_years(made['years'])}, seed {made['seed']}."
        )
        if abs(datetime.now(UTC) - now) > timedelta(days=1):
            self.stdout.write(f"Its present is {now:%d %B %Y, %H:%M} UTC. --rebuild --now TIME moves it.")
        other = [name for name, value in asked.items() if made[name] != value]
        if other:
            self.stdout.write(f"It is not made anew for another {', '.join(other)} without --rebuild.")

    def say_who_can_sign_in(self):
        """The sign-in names and the one password."""
        for role, number in STAFF.items():
            self.stdout.write(f"  {role}1 … {role}{number}")
        password = kept_password()
        if password:
            self.stdout.write(f"Password of all of them: {password}   (kept in {password_file()})")
        else:
            self.stdout.write(f"The password is not in {password_file()} any more; --rebuild makes another.")
        self.stdout.flush()


def in_years(number):
    """ "1 year", "3 years"."""
    return f"{number} year{'' if number == 1 else 's'}"


def moment(text):
    """An ISO 8601 time, UTC where it does not say, to the minute."""
    time = datetime.fromisoformat(text)
    return (time if time.tzinfo else time.replace(tzinfo=UTC)).astimezone(UTC).replace(second=0, microsecond=0)


def at_least(least):
    """A reader of whole numbers from `least` up."""

    def number(text):
        value = int(text)
        if value < least:
            raise ValueError(text)
        return value

    return number
