"""Ends that stand exposed where bad weather is alerted: each is asked for a hood, and somebody confirms it.

Confirmed is an end whose contacts are isolated or hooded: an isolation as any other (`labels.isolate`). Reads only.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import F, Q, TextField
from django.db.models.functions import Cast

from fleet.models import CouplerEnd, CouplerPattern, WeatherAlert
from inspections import grading, standing, words
from inspections.models import Finding, GradeCell, Isolation

HOOD = "contacts-or-hood"  # the isolation of the shipped ruleset that protects an uncoupled end
WEATHER_PART = "W"  # the function of what keeps weather out: covers, heaters, drains
COMING = timedelta(hours=12)  # hoods are asked for before it begins


@dataclass(frozen=True, slots=True)
class Exposed:
    """An uncoupled end at an alerted place: the alerts, the findings that expose it, or that its pattern does.

    `confirmed` is the isolation that protects it, or None.
    """

    end: CouplerEnd
    alerts: tuple[WeatherAlert, ...]
    lines: tuple[words.Line, ...]
    by_pattern: bool
    confirmed: Isolation | None

    @property
    def place(self):
        return self.alerts[0].place


def alerts_now(now: datetime) -> dict[int, list[WeatherAlert]]:
    """Place (id) → alerts that are in force, or begin within hours, of a class the rules know. One query."""
    rules = grading.ruleset(now)
    rows = WeatherAlert.objects.filter(Q(until=None) | Q(until__gt=now), since__lte=now + COMING)
    found = defaultdict(list)
    for alert in rows.filter(weather__in=rules.weathers[1:]).select_related("place").order_by("since", "pk"):
        found[alert.place_id].append(alert)
    return found


def exposed(now: datetime) -> list[Exposed]:
    """Every exposed end, those not confirmed first. A fixed number of queries; two where nothing is alerted."""
    alerts = alerts_now(now)
    if not alerts:
        return []
    rules = grading.ruleset(now)
    findings = exposing(alerts, rules)
    bare = bare_patterns(rules)
    ends = CouplerEnd.objects.filter(unit__isnull=False).select_related("unit", "pattern")
    by_unit = {finding.unit_id for finding in findings if not finding.end_id}
    wanted = Q(pk__in={finding.end_id for finding in findings}) | Q(unit__in=by_unit) | Q(pattern__in=bare)
    ends = list(ends.filter(wanted))
    where = standing.last_known(ends, now) if ends else {}
    there = [end for end in ends if where[end.pk].place in alerts and where[end.pk].situation != "R"]
    shut = protected(there, now)
    lines = lines_by_end(there, findings, rules, now)
    found = [
        Exposed(end, tuple(alerts[where[end.pk].place]), lines[end.pk], end.pattern_id in bare, shut.get(end.pk))
        for end in there
    ]
    return sorted(found, key=lambda one: (bool(one.confirmed), one.place.name, one.end.unit.number, one.end.letter))


def exposing(alerts: Mapping[int, list[WeatherAlert]], rules) -> list[Finding]:
    """Open findings that may let weather in, or for which the rules ask for a hood in this weather. One query."""
    weathers = {alert.weather for rows in alerts.values() for alert in rows}
    lets_in = Q(pk__in=[])
    for code, mode in rules.modes.items():
        if rules.components[mode.component].function == WEATHER_PART:
            lets_in |= Q(may_be__contains=f'"{code}"')
    cells = GradeCell.objects.filter(situation="U", weather__in=weathers, grade=F("grade__finding__current_grade"))
    asked = cells.annotate(told=Cast("isolations", TextField())).filter(told__contains=f'"{HOOD}"')
    rows = Finding.objects.open().filter(unit__isnull=False)
    rows = rows.annotate(may_be=Cast("current_grade__modes", TextField()))
    return list(rows.filter(lets_in | Q(current_grade__in=asked.values("grade"))).for_list().worst_first())


def bare_patterns(rules) -> set[int]:
    """Patterns (ids) with contacts and nothing over them. One query."""

    def functions(pattern):
        parts = [rules.parts[slot] for slot in pattern.slots if slot in rules.parts]
        return {rules.components[part.component].function for part in parts}

    rows = CouplerPattern.objects.filter(contacts__gt=0)
    return {row.pk for row in rows if WEATHER_PART not in functions(row)}


def protected(ends, now: datetime) -> dict[int, Isolation]:
    """End (id) → the isolation that protects it. One query."""
    rows = Isolation.objects.in_force(now).filter(kind=HOOD).select_related("by")
    return {pk: row for row, pks in standing.on_ends(rows, ends) for pk in pks}


def lines_by_end(ends, findings, rules, now: datetime) -> dict[int, tuple[words.Line, ...]]:
    """End (id) → what exposes it, as lines; a finding whose end is not known stands at both. No query."""
    lines = words.lines(findings, rules, now)
    return {
        end.pk: tuple(
            line
            for line in lines
            if (line.finding.end_id or end.pk) == end.pk and line.finding.unit_id == end.unit_id
        )
        for end in ends
    }
