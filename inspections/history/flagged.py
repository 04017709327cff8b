"""Names that earlier reviews confirmed, judged on the days since: a list never proves itself."""

from __future__ import annotations

from datetime import date

from inspections.history.section import Asked, Section, counted, listed, rounded
from inspections.models import Review
from inspections.recurrence import rates


def first_named(before: date) -> dict[tuple[int, str], date]:
    """(end, component) → cut-off of the review that first named it; reviews up to and including that day."""
    found: dict[tuple[int, str], date] = {}
    for cut_off, named in Review.objects.filter(cut_off__lt=before).values_list("cut_off", "figures__confirmed"):
        for name in named or ():
            key = (name["end_id"], name["component"])
            found[key] = min(cut_off, found.get(key, cut_off))
    return found


def section(asked: Asked) -> Section:
    """Faults since each name was first on a review's list, over what was to be expected in those days."""
    record, judged = asked.record, asked.overview.ends
    at = {pk: n for n, pk in enumerate(asked.told.end_pks)}
    place = {code: n for n, code in enumerate(record.components)}
    rows, cases, worse = [], [], []
    for (end, component), day in sorted(first_named(asked.told.cut_off).items(), key=lambda pair: pair[1]):
        if end not in at or component not in place:
            continue
        since = judged.since(float((day - asked.told.first).days + 1))
        cell = at[end] * len(record.components) + place[component]
        n, e = int(since.n[cell]), float(since.e[cell])
        value, low, high = (float(x[0]) for x in rates.relative_rate([n], [e]))
        still = "still worse" if low > 1 else "not shown since"
        if low > 1:
            worse.append(record.ends[at[end]])
        rows.append(
            (
                record.ends[at[end]],
                asked.part(place[component]),
                day.isoformat(),
                n,
                rounded(e),
                rounded(value),
                rounded(low),
                rounded(high),
                still,
            )
        )
        cases.append(asked.case(at[end], place[component]))
    answer = (
        f"{counted(len(rows), 'name')} stood on earlier lists; {listed(worse)} still faulted more since."
        if worse
        else f"{counted(len(rows), 'name')} stood on earlier lists; none is shown to be worse in the days since."
        if rows
        else "No earlier review named an end."
    )
    heads = (
        "End",
        "Part",
        "First named",
        "Faults since",
        "Expected since",
        "Times the fleet",
        "From",
        "To",
        "Since then",
    )
    reading = "A high count made the list, so it would come down by chance alone: only later days can confirm a name."
    return Section(
        "flagged", "What did named ends do since?", answer, heads, tuple(rows), reading, None, tuple(cases)
    )
