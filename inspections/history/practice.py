"""Sections counted in SQL: where the effort goes, what waits, how good the reports, checks and tests are, weather.

The twelve months are those up to the cut-off; merged and withdrawn reports are left out.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from statistics import median, quantiles

from django.db.models import Avg, Count, F, Q

from inspections.history.record import midnight
from inspections.history.section import FEW, SHOWN, Section, counted, limits, percent, rounded, shown
from inspections.models import (
    CloseOut,
    Deferral,
    Finding,
    InspectedEnd,
    LogEntry,
    Observation,
    Photo,
    Restriction,
    TestResult,
)
from inspections.recurrence.rates import by_class
from inspections.rules.facts import CATEGORIES

COUNTED_OUT = (Finding.State.MERGED, Finding.State.WITHDRAWN)
YEAR = timedelta(days=365)


def year_before(cut_off: date) -> tuple[datetime, datetime]:
    """The twelve months that end with the local day `cut_off`: from, and up to."""
    until = midnight(cut_off + timedelta(days=1))
    return midnight(cut_off + timedelta(days=1) - YEAR), until


def year_of(cut_off: date):
    """Findings first seen in those twelve months."""
    since, until = year_before(cut_off)
    return Finding.objects.filter(first_seen__gte=since, first_seen__lt=until).exclude(state__in=COUNTED_OUT)


def effort(cut_off: date, rules) -> Section:
    """Findings of the year by part and worst category. One query."""
    found = year_of(cut_off).order_by().values_list("component", "worst").annotate(n=Count("pk"))
    by_part: dict[str, list[int]] = {}
    for component, worst, n in found:
        by_part.setdefault(component, [0] * len(CATEGORIES))[worst or 0] += n
    order = sorted(by_part.items(), key=lambda pair: (-sum(pair[1]), pair[0]))
    total, running, rows = sum(map(sum, by_part.values())), 0, []
    for code, counts in order:
        running += sum(counts)
        name = rules.components[code].name if code in rules.components else code
        rows.append((name, sum(counts), *reversed(counts), percent(running / total)))
    first = rows[0] if rows else None
    answer = (
        f"{first[0]} takes most: {first[1]} of {counted(total, 'finding')} in twelve months. The parts fitted most "
        "have the most faults; a count is not a risk."
        if first
        else "Nothing was found in twelve months."
    )
    heads = ("Part", "Findings", *(word.capitalize() for word in reversed(CATEGORIES)), "Running share, %")
    chart = {"kind": "bars", "rows": [[row[0], row[1]] for row in rows]} if total >= FEW else None
    return Section("effort", "Where does the effort go?", answer, heads, tuple(rows), "", chart)


def backlog(cut_off: date) -> Section:
    """What is open at the end of the day, how old, how much of it deferred. Two queries."""
    until = midnight(cut_off + timedelta(days=1))
    still = Q(closed__isnull=True) | Q(closed__gte=until)
    found = Finding.objects.filter(still, first_seen__lt=until).exclude(state__in=COUNTED_OUT)
    rows = list(found.order_by().values_list("pk", "worst", "first_seen"))
    given = list(Deferral.objects.last(until).filter(finding__in=found).values_list("finding", "until", "extends"))
    run_out = {pk for pk, ends, _ in given if ends < until}
    extended = sum(before is not None for *_, before in given)
    table = []
    for number, word in reversed(list(enumerate(CATEGORIES))):
        ages = sorted((until - seen).days for _, worst, seen in rows if (worst or 0) == number)
        late = sum(pk in run_out for pk, worst, _ in rows if (worst or 0) == number)
        table.append((word.capitalize(), len(ages), median(ages) if ages else None, ninth(ages), late))
    ages = sorted((until - seen).days for _, _, seen in rows)
    answer = (
        f"{counted(len(rows), 'finding')} open"
        + (
            f": half for over {shown(median(ages))} days, one in ten for over {shown(ninth(ages))}. "
            if len(rows) >= FEW
            else ". "
        )
        + f"{counted(len(given), 'deferral')}, {extended} extended, {len(run_out)} run out."
        if rows
        else "Nothing is open."
    )
    heads = ("Category", "Open", "Half older than, days", "A tenth older than, days", "Deferral run out")
    return Section("backlog", "How old is open work?", answer, heads, tuple(table))


def ninth(ages: list[int]) -> float | None:
    """The age that a tenth exceeds."""
    return rounded(quantiles(ages, n=10, method="inclusive")[-1], 0) if len(ages) > 1 else (ages[0] if ages else None)


def reporting(cut_off: date) -> Section:
    """How complete reports are and how fast they come and are looked at. Four queries."""
    year = year_of(cut_off)
    total = year.count()
    told = year.aggregate(unit=Count("pk", filter=Q(unit__isnull=True)), end=Count("pk", filter=Q(end__isnull=True)))
    first = Observation.objects.filter(finding__in=year, kind="first report")
    delay = first.aggregate(late=Avg(F("received") - F("seen")), n=Count("pk"))
    owners = first.filter(uuid__in=Photo.objects.values("owner")).count()
    looked = looks(year)
    half = rounded(median(looked), 0) if looked else None
    rows = (
        ("Reports", total, None),
        ("Unit not on the list", told["unit"], percent(told["unit"] / total) if total else None),
        ("End not known", told["end"], percent(told["end"] / total) if total else None),
        ("With a photo", owners, percent(owners / delay["n"]) if delay["n"] else None),
        ("Looked at by control", len(looked), percent(len(looked) / total) if total else None),
        ("Half looked at within, minutes", half, None),
        ("Received after it was seen, minutes on average", minutes(delay["late"]), None),
    )
    answer = (
        f"Of {counted(total, 'report')} in twelve months, {percent(told['end'] / total)} % name no end and "
        f"{percent(owners / delay['n']) if delay['n'] else 0} % carry a photo. Control looked at half within "
        f"{counted(int(half), 'minute')}."
        if total and half is not None
        else "No report was looked at in twelve months."
    )
    return Section("reporting", "How good is reporting?", answer, ("What", "Count", "%"), rows)


def looks(found) -> list[float]:
    """Minutes from the first report's arrival to control's look, one per finding looked at. Two queries."""
    came = {}
    rows = Observation.objects.filter(finding__in=found, kind="first report").order_by("-received")
    for ref, at in rows.values_list("finding__ref", "received"):
        came[f"finding:{ref}"] = at
    at_once = LogEntry.objects.filter(kind="looked at", subject__in=list(came)) if len(came) < 500 else None
    entries = LogEntry.objects.filter(kind="looked at") if at_once is None else at_once
    return [
        (at - came[subject]).total_seconds() / 60
        for subject, at in entries.values_list("subject", "happened")
        if subject in came and at >= came[subject]
    ]


def minutes(span: timedelta | None) -> float | None:
    return None if span is None else rounded(span.total_seconds() / 60, 0)


def overridden(cut_off: date) -> Section:
    """Grades that control raised, and what the fitter found then. Two queries."""
    raised = Observation.objects.filter(finding__in=year_of(cut_off), kind="raised")
    found = list(raised.order_by().values_list("finding", "finding__worst", "raised_to").distinct())
    outcomes = dict(
        CloseOut.objects.filter(finding__in=[row[0] for row in found], voided__isnull=True).values_list(
            "finding", "outcome"
        )
    )
    rows = tuple(
        (outcome, sum(outcomes.get(pk, "") == outcome for pk, *_ in found)) for outcome in CloseOut.Outcome.values
    )
    still = sum(pk not in outcomes for pk, *_ in found)
    rows += (("still open", still),)
    confirmed = len(found) - still - dict(rows)[CloseOut.Outcome.NOT_FOUND.value]
    answer = (
        f"{counted(len(found), 'grade was', 'grades were')} raised by a person in twelve months; the fault was "
        f"there in {confirmed} of {len(found) - still} closed since."
        if found
        else "No grade was raised by a person in twelve months."
    )
    return Section("raised", "Was a raised grade right?", answer, ("Outcome", "Findings"), rows)


def tests(cut_off: date) -> Section:
    """Closing tests: done, passed, and how near their limit. One query."""
    since, until = year_before(cut_off)
    done = TestResult.objects.filter(close_out__signed__gte=since, close_out__signed__lt=until)
    found: dict[str, list] = {}
    for name, value, low, high, verdict in done.values_list("name", "value", "low", "high", "verdict"):
        found.setdefault(name, []).append((value, low, high, verdict))
    rows = []
    for name, results in sorted(found.items(), key=lambda pair: -len(pair[1])):
        near = [float(value / high) for value, _, high, _ in results if value is not None and high]
        near += [float(low / value) for value, low, high, _ in results if value and low and not high]
        passed = sum(result[3] == TestResult.Verdict.PASS for result in results)
        rows.append((name, len(results), passed, percent(median(near)) if near else None))
    total, good = sum(row[1] for row in rows), sum(row[2] for row in rows)
    answer = (
        f"{counted(total, 'closing test')} signed in twelve months, {shown(good)} passed."
        if rows
        else "No closing test was signed in twelve months."
    )
    heads = ("Test", "Done", "Passed", "Half of the values use at least, % of the limit")
    return Section("tests", "Were closing tests done, and how near the limit?", answer, heads, tuple(rows[:SHOWN]))


def weather(cut_off: date) -> Section:
    """Faults by the weather of the look that found them, over all looks in that weather. Two queries."""
    since, until = year_before(cut_off)
    looked = InspectedEnd.objects.filter(inspection__seen__gte=since, inspection__seen__lt=until)
    looked = looked.exclude(inspection__weather="").order_by()
    ran = dict(looked.values_list("inspection__weather").annotate(n=Count("pk")))
    seen = Observation.objects.filter(kind="first report", finding__in=year_of(cut_off)).order_by()
    count = dict(seen.exclude(inspection__weather="").values_list("inspection__weather").annotate(n=Count("pk")))
    classes = sorted(ran)
    told = by_class([count.get(word, 0) for word in classes], [ran[word] for word in classes]) if classes else None
    rows = tuple(
        (
            word.capitalize(),
            count.get(word, 0),
            ran[word],
            rounded(ratio.ratio, 2),
            rounded(ratio.low, 2),
            rounded(ratio.high, 2),
        )
        for word, ratio in zip(classes, told.ratios if told else (), strict=True)
    )
    worst = max((row for row in rows if row[4] and row[4] > 1), key=lambda row: row[3] or 0, default=None)
    answer = (
        f"{worst[0]}: {worst[1]} faults in {shown(worst[2])} looks, {shown(worst[3])} times the other weather "
        f"({limits(worst[4], worst[5])})."
        if worst
        else "No weather brings more faults a look than the others."
        if sum(row[1] for row in rows) >= FEW
        else "Too little data: the weather is not said with enough looks."
    )
    heads = ("Weather", "Faults", "Looks", "Times the other weather", "From", "To")
    reading = "Out of looks at ends, those that found nothing among them, in twelve months."
    return Section("weather", "Is it the weather?", answer, heads, rows, reading)


def in_force(cut_off: date) -> Section:
    """Restrictions that stood at the end of the day, and ends that could not be the rescue end in the last month."""
    until = midnight(cut_off + timedelta(days=1))
    month = until - timedelta(days=30)
    stood = Restriction.objects.filter(since__lt=until).filter(Q(lifted__isnull=True) | Q(lifted__gte=month))
    now = [row for row in stood.values_list("end", "unit", "rescue", "lifted") if row[3] is None or row[3] >= until]
    unable = {row[0] for row in stood.values_list("end", "rescue") if row[0] and row[1] == "no"}
    unable |= set(
        Finding.objects.filter(end__isnull=False, current_grade__cells__rescue="no", first_seen__lt=until)
        .filter(Q(closed__isnull=True) | Q(closed__gte=month))
        .exclude(state__in=COUNTED_OUT)
        .values_list("end", flat=True)
    )
    rows = (("Restrictions in force", len(now)), ("Ends that could not be the rescue end, last 30 days", len(unable)))
    answer = (
        f"{counted(len(now), 'restriction')} in force. In the last 30 days {counted(len(unable), 'end')} could not "
        "be relied on for rescue for some of the time. Which trips that hurts is not recorded here."
    )
    return Section("limits", "What is limited, and could it have been rescued?", answer, ("What", "Count"), rows)
