"""What keeps coming back, first cut: counts and what they are out of, no statistics. Every sum is made in SQL.

Counts of small numbers are chance: below FEW events only the list is shown, no rate. Findings that were merged or
withdrawn do not count. The year ends with the last whole day (the cut-off), local time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from django.db.models import Case, Count, F, IntegerField, OuterRef, Q, QuerySet, Subquery, Value, When
from django.utils import timezone

from fleet.models import CouplingSide
from inspections import words
from inspections.models import Finding
from inspections.rules.facts import CATEGORIES

FEW = 5
TOP = 20
LISTED = 50
AGES = ((1, "Up to a day"), (7, "1 to 7 days"), (28, "7 to 28 days"))
OLDEST = "Over 28 days"


@dataclass(frozen=True, slots=True)
class Year:
    """Twelve months up to and including `last`, as local days and as moments."""

    first: date
    last: date
    since: datetime
    until: datetime

    @property
    def words(self) -> str:
        """ "24 November 2025 to 23 November 2026"."""
        return f"{self.first.day} {self.first:%B %Y} to {self.last.day} {self.last:%B %Y}"


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the page and its file. `heads` and `rows` are what the file holds, in order."""

    name: str
    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[object, ...], ...]

    @property
    def labelled(self) -> list[list[tuple[str, object]]]:
        """Rows of (head, cell), for a page that stacks them."""
        return [list(zip(self.heads, row, strict=True)) for row in self.rows]


def year_before(now: datetime) -> Year:
    """The twelve months that end with yesterday, local time; 29 February becomes 1 March."""
    today = timezone.localdate(now)
    try:
        first = today.replace(year=today.year - 1)
    except ValueError:
        first = date(today.year - 1, 3, 1)
    return Year(first, today - timedelta(days=1), midnight(first), midnight(today))


def midnight(day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=timezone.get_current_timezone())


def counted(year: Year) -> QuerySet[Finding]:
    """Findings first seen in the year that count."""
    gone = (Finding.State.MERGED, Finding.State.WITHDRAWN)
    return Finding.objects.filter(first_seen__gte=year.since, first_seen__lt=year.until).exclude(state__in=gone)


def open_by_age(now: datetime) -> Table:
    """Open findings by worst category and time since first seen. One query."""
    age = Case(
        *(When(first_seen__gte=now - timedelta(days=days), then=Value(n)) for n, (days, _) in enumerate(AGES)),
        default=Value(len(AGES)),
        output_field=IntegerField(),
    )
    found = Finding.objects.open().annotate(age=age).order_by().values_list("worst", "age").annotate(n=Count("pk"))
    counts = {(worst, age): n for worst, age, n in found}
    ages = range(len(AGES) + 1)
    rows = [
        (
            word.capitalize(),
            *(counts.get((number, a), 0) for a in ages),
            sum(counts.get((number, a), 0) for a in ages),
        )
        for number, word in reversed(list(enumerate(CATEGORIES)))
    ]
    heads = ("Category", *(label for _, label in AGES), OLDEST, "All")
    return Table("open", "Open findings by category and age", heads, tuple(rows))


def by_part(year: Year, rules) -> Table:
    """Findings of the year by component, most first. One query."""
    found = counted(year).order_by().values("component").annotate(n=Count("pk")).order_by("-n", "component")
    found = [(row["component"], row["n"]) for row in found]
    total = sum(n for _, n in found)
    running, rows = 0, []
    for code, n in found:
        running += n
        rows.append((component(rules, code), n, total, f"{100 * running / total:.0f} %"))
    return Table("parts", "Findings by part", ("Part", "Findings", "Of", "Running share"), tuple(rows))


def component(rules, code: str) -> str:
    """A component's name; as given where the ruleset has none."""
    return rules.components[code].name if code in rules.components else code


def ends(year: Year) -> list[dict]:
    """End and component with the most findings of the year, with the couplings of that end. One query."""
    sides = (
        CouplingSide.objects.filter(end=OuterRef("end"), at__gte=year.since, at__lt=year.until)
        .order_by()
        .values("end")
        .annotate(n=Count("pk"))
        .values("n")
    )
    found = counted(year).filter(end__isnull=False).order_by()
    found = found.values("end", "component", number=F("end__unit__number"), letter=F("end__letter"))
    found = found.annotate(n=Count("pk"), repeats=Count("pk", filter=Q(repeat_of__isnull=False)))
    found = found.annotate(couplings=Subquery(sides, output_field=IntegerField()))
    return list(found.order_by("-n", "number", "letter", "component")[:TOP])


def rate(n: int, couplings: int | None) -> str:
    """Findings per 1,000 couplings, in words; no rate below FEW events or without a coupling."""
    if n < FEW:
        return f"no rate: fewer than {FEW}"
    return f"{1000 * n / couplings:.1f}" if couplings else "no coupling recorded"


def by_end(year: Year, rules) -> Table:
    """The same as a table, with numerator and denominator."""
    rows = [
        (
            f"{row['number'] or 'not in a unit'} {row['letter']}".strip(),
            component(rules, row["component"]),
            row["n"],
            row["repeats"],
            row["couplings"] or 0,
            rate(row["n"], row["couplings"]),
        )
        for row in ends(year)
    ]
    heads = ("End", "Part", "Findings", "Repeats", "Couplings", "Per 1,000 couplings")
    return Table("ends", "Findings by end and part", heads, tuple(rows))


def repeats(year: Year) -> QuerySet[Finding]:
    """Findings of the year that came back in the repeat window, newest first."""
    return (
        counted(year).filter(repeat_of__isnull=False).for_list().select_related("repeat_of").order_by("-first_seen")
    )


def repeats_table(year: Year, rules) -> Table:
    """Every repeat of the year, with the close-out it came back after."""
    rows = tuple(
        (
            finding.spoken_ref,
            words.unit(finding),
            finding.end_words,
            component(rules, finding.component),
            words.fault(rules, finding),
            timezone.localtime(finding.first_seen).date().isoformat(),
            finding.repeat_of.spoken_ref,
            (finding.first_seen - finding.repeat_of.closed).days,
        )
        for finding in repeats(year)
    )
    heads = ("Reference", "Unit", "End", "Part", "Fault", "First seen", "Came back after", "Days after it was closed")
    return Table("repeats", "Repeats", heads, rows)


def closed_in(year: Year) -> int:
    """Findings closed in the year: what the repeats are out of. One query."""
    return Finding.objects.filter(state="closed", closed__gte=year.since, closed__lt=year.until).count()


def cases(year: Year, end: int, part: str) -> QuerySet[Finding]:
    """The findings behind one row of `ends`."""
    return counted(year).filter(end=end, component=part).for_list().order_by("-first_seen")


def tables(now: datetime, rules) -> dict[str, object]:
    """Name → function that makes the table: what may be asked for as a file."""
    year = year_before(now)
    return {
        "open": lambda: open_by_age(now),
        "parts": lambda: by_part(year, rules),
        "ends": lambda: by_end(year, rules),
        "repeats": lambda: repeats_table(year, rules),
    }


def harmless(cell: object) -> object:
    """A cell no spreadsheet takes for a formula: text that could start one gets a quote before it."""
    if isinstance(cell, str) and cell.lstrip(" ")[:1] in ("=", "+", "-", "@", "\t", "\r", "\n"):
        return f"'{cell}"
    return cell


def file_rows(table: Table, year: Year) -> Sequence[Sequence[object]]:
    """The lines of the file: heads, rows with harmless cells; each ends with the days they count."""
    days = ("Counted from", "to and including") if table.name != "open" else ("Counted on",)
    span = (year.first.isoformat(), year.last.isoformat()) if table.name != "open" else (date_after(year),)
    return [(*table.heads, *days), *((*(harmless(cell) for cell in row), *span) for row in table.rows)]


def date_after(year: Year) -> str:
    """The day the page is read: the one after the cut-off."""
    return (year.last + timedelta(days=1)).isoformat()
