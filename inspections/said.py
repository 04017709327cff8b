"""What was said of many findings, read as columns: equal facts are equal values, so that they are graded once.

`Said` is the observations of one finding, oldest first, as a value that can be a key of a cache; `fault` makes of it
what the rules take.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence

from fleet.models import CouplerPattern
from inspections import grading
from inspections.models import Finding, Observation
from inspections.rules import facts

Said = tuple[tuple, ...]
COLUMNS = ("finding_id", "slot", "symptom", "mode", "kind", "quality", "raised_to", "facts")


def said_of(pks: Iterable[int]) -> dict[int, Said]:
    """Finding id → what was said of it and of what was merged into it, oldest first. Two queries."""
    target = {pk: pk for pk in pks}
    target.update(Finding.objects.filter(merged_into__in=list(target)).values_list("pk", "merged_into"))
    rows = Observation.objects.filter(finding__in=list(target)).order_by("pk").values_list(*COLUMNS)
    found = defaultdict(list)
    for finding, *said, told in rows:
        found[target[finding]].append((*said, tuple(sorted((code, str(value)) for code, value in told.items()))))
    return {pk: tuple(found[pk]) for pk in target if target[pk] == pk}


def fault(said: Said) -> facts.Fault:
    """The finding as the rules see it."""
    return facts.Fault(
        key="",
        observations=tuple(
            facts.Observation(
                part=slot,
                symptom=symptom,
                mode=mode,
                kind=kind,
                quality=quality,
                facts={code: grading.fact_value(value) for code, value in told},
                raised_to=raised_to,
            )
            for slot, symptom, mode, kind, quality, raised_to, told in said
        ),
    )


def patterns() -> dict[int | None, facts.Pattern]:
    """Pattern id → what it tells the rules; None, for an end that is not known, tells nothing. One query."""
    known = {
        row.pk: facts.Pattern(contacts_dead=row.contacts_dead, pipes=row.pipes)
        for row in CouplerPattern.objects.all()
    }
    return {None: facts.Pattern(), **known}


def place(pk: int, end: int | None, unit: int | None) -> tuple[str, int]:
    """Findings of one place stand beside each other: of an end; of a unit where the end is not known; else alone."""
    if end:
        return "end", end
    return ("unit", unit) if unit else ("alone", pk)


def in_batches(pks: Sequence[int], size: int, progress: Callable[[int, int], None]) -> Iterable[Sequence[int]]:
    """The ids in batches, telling (done, all) after each."""
    progress(0, len(pks))
    for start in range(0, len(pks), size):
        yield pks[start : start + size]
        progress(min(start + size, len(pks)), len(pks))


def silent(done: int, all_: int) -> None:
    """Progress nobody watches."""
