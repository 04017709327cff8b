"""The unit a person has today, kept in the session, and the cautions that go with every standing. No view here."""

from __future__ import annotations

from inspections.models import Inspection

RECENT = 6


def number(request) -> str:
    """Today's unit, "" where none was picked."""
    return request.session.get("unit", "")


def remember(request, number: str) -> None:
    """Make this today's unit, and the first of the recent ones."""
    recent = [number, *(other for other in request.session.get("recent", []) if other != number)]
    request.session["unit"], request.session["recent"] = number, recent[:RECENT]


def recent(request) -> list[str]:
    """Units picked since signing in, then those of the person's last reports: newest first, each once."""
    picked = request.session.get("recent", [])
    reported = Inspection.objects.filter(person=request.user, unit__isnull=False).order_by("-seen")
    numbers = reported.values_list("unit__number", flat=True)[: RECENT * 5]
    return list(dict.fromkeys([*picked, *numbers]))[:RECENT]


def cautions(rules, findings=()) -> list[str]:
    """The ruleset's cautions for a driver: those of what these findings may be, then those that always stand.

    One that always stands belongs to no failure mode.
    """
    modes = [mode for finding in findings if finding.current_grade for mode in finding.current_grade.modes]
    codes = [code for mode in modes if mode in rules.modes for code in rules.modes[mode].cautions]
    special = {code for mode in rules.modes.values() for code in mode.cautions}
    codes += [code for code in rules.cautions if code not in special]
    return [rules.cautions[code].words for code in dict.fromkeys(codes) if rules.cautions[code].audience != "fitter"]
