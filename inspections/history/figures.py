"""All figures on recurring faults at a day: made once, kept by what they were made from, shown everywhere.

Page, monthly review, files and JSON read the same value; nothing is worked out twice.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

from django.core.cache import cache
from django.db.models import Max
from django.utils import timezone

from fleet.models import Coupling, FleetEvent, PartFitting
from inspections import grading
from inspections.history import cases, changing, flagged, holding, practice, standing_out
from inspections.history.record import midnight, told
from inspections.history.section import FEW, Asked, Section, counted, said, shown
from inspections.models import FleetActionItem, LogEntry, Review, RuleSet
from inspections.recurrence.overview import FAMILIES, METHOD, overview

KEPT_FOR = 24 * 3600  # seconds


def cut_off_before(now: datetime) -> date:
    """The last whole local day."""
    return timezone.localdate(now) - timedelta(days=1)


def key(cut_off: date) -> str:
    """What the figures of a day are made from: another key, other figures. Seven small queries."""
    last = [
        LogEntry.objects.aggregate(n=Max("seq"))["n"],
        Coupling.objects.aggregate(n=Max("pk"))["n"],
        PartFitting.objects.aggregate(n=Max("pk"))["n"],
        FleetEvent.objects.aggregate(n=Max("pk"))["n"],
        FleetActionItem.objects.filter(done__isnull=False).count(),
        Review.objects.filter(cut_off__lt=cut_off).count(),
    ]
    until = midnight(cut_off + timedelta(days=1))
    rules = (
        RuleSet.objects.filter(in_force_from__lte=until)
        .order_by("-in_force_from", "-pk")
        .values_list("sha256", flat=True)
        .first()
    )
    return f"figures:{METHOD}:{cut_off}:{':'.join(str(n or 0) for n in last)}:{(rules or '')[:12]}"


def figures(cut_off: date) -> dict:
    """The figures up to and including a local day, as JSON would hold them."""
    wanted = key(cut_off)
    kept = cache.get(wanted)
    if kept is None:
        kept = {"key": wanted, **made(cut_off)}
        cache.set(wanted, kept, KEPT_FOR)
    return kept


def made(cut_off: date) -> dict:
    """The figures, worked out."""
    record = told(cut_off)
    asked = Asked(record, overview(record.record), grading.ruleset(midnight(cut_off + timedelta(days=1))))
    sections = [*recurring(asked), *counted_sections(cut_off, asked.rules)]
    return {
        "method": METHOD,
        "first": record.first.isoformat(),
        "cut_off": cut_off.isoformat(),
        "days": record.record.days,
        "faults": int(asked.overview.ends.expected.n.sum()),
        "couplings": len(record.record.couplings.time),
        "window": [asked.rules.repeat_days, asked.rules.repeat_couplings],
        "summary": summary(asked, {section.name: section for section in sections}),
        "confirmed": confirmed(asked),
        "burst": burst(asked),
        "families": [
            [name, text, sum(n.family == name for n in asked.overview.names)] for name, text in FAMILIES.items()
        ],
        "sections": [section.plain() for section in sections],
        "missing": list(MISSING),
    }


def recurring(asked: Asked) -> list[Section]:
    """The sections that come of the record."""
    return [
        standing_out.ends(asked),
        flagged.section(asked),
        standing_out.couplers(asked),
        changing.trends(asked),
        changing.modifications(asked),
        changing.seasons(asked),
        changing.places(asked),
        holding.repairs(asked),
        holding.depots(asked),
        holding.not_found(asked),
        holding.parts(asked),
        holding.batches(asked),
        holding.spares(asked),
        standing_out.mates(asked),
        standing_out.types(asked),
    ]


def counted_sections(cut_off: date, rules) -> list[Section]:
    """The sections counted in SQL."""
    return [
        practice.weather(cut_off),
        practice.effort(cut_off, rules),
        practice.backlog(cut_off),
        practice.in_force(cut_off),
        practice.reporting(cut_off),
        practice.overridden(cut_off),
        practice.tests(cut_off),
        cases.repeats(cut_off, rules),
    ]


# Questions of the trade that no record here answers, and which record is missing.
MISSING = (
    ("Which trips do restrictions hurt?", "The trips planned for each unit are not recorded here."),
    ("What was the service effect, minutes and cancellations?", "Delay is not recorded here."),
    ("Which parts hold jobs up?", "Requests for parts and their delivery are not recorded here."),
)


def summary(asked: Asked, sections: dict[str, Section]) -> list[str]:
    """Three sentences: what stands out, whether it changes, what pays or comes back."""
    total = int(asked.overview.ends.expected.n.sum())
    if total < FEW:
        return [f"Too little data up to {said(asked.told.cut_off)}: {counted(total, 'fault')}. No rates are shown."]
    out = asked.overview.names
    first = sections["ends"].answer if any(n.family == "ends" for n in out) else places_first(out, sections)
    second = sections["trends"].answer
    third = next(
        (sections[name].answer for name, family in (("repairs", "repairs"), ("parts", "parts")) if has(out, family)),
        sections["repairs"].answer,
    )
    return [first, second, third]


def has(names, family: str) -> bool:
    return any(name.family == family for name in names)


def places_first(names, sections: dict[str, Section]) -> str:
    """Where no end stands out: the place that does, else that none does."""
    return sections["places"].answer if has(names, "places") else sections["ends"].answer


def confirmed(asked: Asked) -> list[dict]:
    """The confirmed ends, to be frozen monthly and judged on later days."""
    judged, parts = asked.overview.ends, len(asked.record.components)
    found = []
    for cell in judged.confirmed.nonzero()[0]:
        end, component = divmod(int(cell), parts)
        found.append(
            {
                "end": asked.record.ends[end],
                "end_id": asked.told.end_pks[end],
                "component": asked.record.components[component],
                "part": asked.part(component),
            }
        )
    return found


def burst(asked: Asked) -> str:
    """Whether the fleet's months scatter more than chance, in words."""
    told_so = asked.overview.burst
    if told_so.shared:
        return (
            f"The months scatter {shown(round(told_so.phi, 1))} times as much as chance: look for a shared cause, a "
            "cold spell or a batch, before naming ends."
        )
    return ""
