"""What the phone carries for reporting and reading without signal: facts of units, no names, notes or reasons.

    {"v": 1, "at": time, "rules": digest of the ruleset, whose table goes with them,
     "places":     [["THO", "Thornhope", 1, "frost", "160", "2.5"], …]  1 = a curve is recorded; the weather alerted;
                   radius of the curve in m, gradient per mille
     "patterns":   {"P": {"drawing": "P", "parts": [["face", "1 Front plate"], …], "contacts": 72,
                          "contacts_dead": "no", "pipes": {"air-upper": "MRP"}}}
     "units":      {"201": {"type": "2V", "ends": {"A": end, "B": end}, "open": [finding, …]}}}

    end      pattern; now: the situation; weather: the class alerted or seen; set: what people set or let run out,
             in every situation; set_in: {situation: limits} where it differs; back: {part: how often a fault there
             would have come back}
    finding  ref, seen, end ("A", "B", "?"), part, symptom, mode where one is confirmed, known: see `publish.known`

Left out: an empty value, `now` where it is "U", `weather` where it is the mildest, a dial at its loosest.
The phone's look-up (`static/js/rules.js`) makes of them what `standing` makes of the rows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from django.db.models import F, OuterRef, Q, Subquery

from fleet.models import CouplerEnd, CouplerPattern, Coupling, CouplingSide, Place, Unit, WeatherAlert
from inspections import couple, grading, standing
from inspections.forms.questions import parts
from inspections.models import Finding, LogEntry
from inspections.reports import face
from inspections.rules.facts import SITUATIONS
from inspections.rules.limits import DIALS, Limits, join_all

CLOCK = timedelta(minutes=10)  # what the clock alone changes (alerts, deferrals) is carried this late at most


def facts(now: datetime, units: Collection[str] | None = None) -> dict[str, object]:
    """The facts of these units (of all), in a fixed number of queries."""
    rules = grading.ruleset(now)
    fleet = Unit.objects.select_related("type").order_by("number")
    rows = list(fleet if units is None else fleet.filter(number__in=units))
    ends = list(CouplerEnd.objects.filter(unit__in=rows).select_related("unit", "pattern").order_by("unit", "letter"))
    known = standing.of_ends(ends, now)
    back = came_back(ends, now, rules)
    hung, shut = couple.labels_at(ends, now), couple.shut_at(ends, now)
    shown = defaultdict(dict)
    for end in ends:
        told_of = end_facts(known[end.pk], back[end.pk], rules)
        shown[end.unit_id][end.letter] = told_of | told({"labels": hung[end.pk], "shut": shut[end.pk]})
    opened = open_findings(ends, rows, rules)
    return {
        "v": 1,
        "at": f"{now.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "rules": rules.sha256,
        "places": place_facts(now, rules),
        "patterns": {pattern.code: pattern_facts(pattern, rules) for pattern in {end.pattern for end in ends}},
        "units": {
            row.number: told({"type": row.type.code, "open": opened[row.pk]}) | {"ends": shown[row.pk]}
            for row in rows
        },
    }


def etag(now: datetime) -> str:
    """A key that changes when the facts may have: by the log, the ruleset, a coupling, an alert, or the clock.

    Four quick queries. The facts themselves say what time they are of.
    """
    alerts = WeatherAlert.objects.at(now).order_by("pk").values_list("pk", flat=True)
    heads = [
        LogEntry.objects.order_by("-seq").values_list("seq", flat=True).first(),
        Coupling.objects.order_by("-pk").values_list("pk", flat=True).first(),
        int(now.timestamp() // CLOCK.total_seconds()),
    ]
    return "-".join(map(str, [grading.in_force(now).sha256[:12], *heads, *alerts]))


def stamp(at: datetime) -> str:
    """A time to the minute: every finding carries one."""
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%MZ}"


def told(values: Mapping[str, object]) -> dict[str, object]:
    """The values that say something."""
    return {name: value for name, value in values.items() if value}


def place_facts(now: datetime, rules) -> list[list[object]]:
    """[code, name, 1 where a curve is recorded, weather alerted, radius, gradient]; empty ends left out."""
    alerts = defaultdict(set)
    for place, weather in WeatherAlert.objects.at(now).values_list("place", "weather"):
        alerts[place].add(weather)
    rows = []
    for place in Place.objects.all():
        alerted = max(alerts[place.pk] & set(rules.weathers), key=rules.weathers.index, default="")
        row = [place.code, place.name, int(bool(place.curve_radius_m)), alerted]
        row += [figure(place.curve_radius_m), figure(place.gradient_per_mille)]
        while not row[-1]:
            row.pop()
        rows.append(row)
    return rows


def figure(number: Decimal | int | None) -> str:
    """A number as text, so that 0 is told from what is not known."""
    return "" if number is None else couple.plain(Decimal(number))


def pattern_facts(pattern: CouplerPattern, rules) -> dict[str, object]:
    drawing = pattern.drawing if pattern.drawing in face.DRAWINGS else "P"
    return {
        "drawing": drawing,
        "parts": parts(rules, drawing, set(pattern.slots)),
        "contacts": pattern.contacts,
        "contacts_dead": pattern.contacts_dead,
        "pipes": pattern.pipes,
    }


def end_facts(known: standing.EndStanding, back: Mapping[str, int], rules) -> dict[str, object]:
    """One end: what its findings say is left to the phone's own look-up."""
    set_in = {s: told(plain(set_by_people(known.situations[s]))) for s in SITUATIONS}
    same = len({str(limits) for limits in set_in.values()}) == 1
    return told(
        {
            "pattern": known.end.pattern.code,
            "now": "" if known.now == "U" else known.now,
            "weather": "" if known.weather == rules.weathers[0] else known.weather,
            "set": set_in["U"] if same else {},
            "set_in": {} if same else told(set_in),
            "back": {part.code: back[part.component] for part in rules.parts.values() if part.component in back},
        }
    )


def set_by_people(at: standing.InSituation) -> Limits:
    """The join of every limit in a situation that does not come from a grade."""
    return join_all(source.limits for source in at.sources if source.kind != "finding")


def plain(limits: Limits) -> dict[str, object]:
    """Limits by dial, "" or None where nothing is limited."""
    dials = {dial: getattr(limits, dial) for dial in DIALS}
    tight = {dial: value if value != DIALS[dial][0] else "" for dial, value in dials.items()}
    return tight | {"speed": limits.speed, "isolations": sorted(limits.isolations)}


def open_findings(ends: Iterable[CouplerEnd], units: Iterable[Unit], rules) -> dict[int, list[dict[str, object]]]:
    """Unit id → its open findings, the worst first, each at the unit where its end is now. Three queries."""
    here = Q(end__in=[end.pk for end in ends]) | Q(end__isnull=True, unit__in=[unit.pk for unit in units])
    rows = list(Finding.objects.open().filter(here).select_related("end__pattern").worst_first())
    known = grading.known_of(rows, rules)
    found = defaultdict(list)
    for row in rows:
        found[row.end.unit_id if row.end_id else row.unit_id].append(finding_facts(row, known[row.pk]))
    return found


def finding_facts(row: Finding, known: Mapping[str, object]) -> dict[str, object]:
    return {
        "ref": row.ref,
        "seen": stamp(row.first_seen),
        "end": row.end.letter if row.end_id else "?",
        "part": row.slot,
        "symptom": row.symptom,
        **({"mode": row.mode} if row.mode else {}),
        "known": known,
    }


def came_back(ends: Iterable[CouplerEnd], at: datetime, rules) -> dict[int, dict[str, int]]:
    """End id → component → how often a fault reported at `at` would have come back: 1, or 2 for more often.

    One query: the last close-out of a component counts while it is in its repeat window, see `intake.repeat_of`.
    """
    beyond = CouplingSide.objects.filter(end=OuterRef("end"), at__lte=at).order_by("-at").values("at")
    last = rules.repeat_couplings
    closed = Finding.objects.filter(
        end__in=[end.pk for end in ends], state=Finding.State.CLOSED, closed__lte=at
    ).annotate(beyond=Subquery(beyond[last : last + 1]))
    recent = Q(closed__gte=at - timedelta(days=rules.repeat_days)) | Q(closed__gte=F("beyond"))
    found: dict[int, dict[str, int]] = {end.pk: {} for end in ends}
    in_window = closed.filter(recent | Q(beyond__isnull=True)).order_by("closed")
    for end, component, before in in_window.values_list("end", "component", "repeat_of"):
        found[end][component] = 2 if before else 1
    return found


def packed(whole: Mapping[str, object]) -> dict[str, object]:
    """The facts for a slow link: the same but for `units`, which `Rules.unpack` makes again of columns.

    runs: [first number, how many in a row, type, pattern of the A end, of the B end]. Per end in that order, between
    commas: now; weather; back, each as its place in parts, plus their number for "more often". set: [end, set,
    set_in]. on: [end, labels, shut]. open: [unit, ref, minutes before `at`, end, part, symptom, known, mode].
    """
    units = whole["units"]
    ends = [end for unit in units.values() for end in unit["ends"].values()]
    parts = sorted({part for end in ends for part in end.get("back", {})})
    columns = {
        "runs": runs(units),
        "now": ",".join(end.get("now", "") for end in ends),
        "weather": ",".join(end.get("weather", "") for end in ends),
        "parts": parts,
        "back": ",".join(back_signs(end.get("back", {}), parts) for end in ends),
        "set": [
            [place, end.get("set", {}), end.get("set_in", {})]
            for place, end in enumerate(ends)
            if "set" in end or "set_in" in end
        ],
        "on": [
            [place, end.get("labels", []), end.get("shut", [])]
            for place, end in enumerate(ends)
            if "labels" in end or "shut" in end
        ],
        "open": [
            packed_finding(place, found, whole["at"])
            for place, unit in enumerate(units.values())
            for found in unit.get("open", ())
        ],
    }
    return {**whole, "units": columns}


def back_signs(back: Mapping[str, int], parts: list[str]) -> str:
    return " ".join(str(parts.index(part) + (times - 1) * len(parts)) for part, times in back.items())


def runs(units: Mapping[str, Mapping]) -> list[list[object]]:
    """Units with numbers in a row and the same make, as one."""
    found: list[list[object]] = []
    for number, unit in units.items():
        make = [unit["type"], *(unit["ends"].get(letter, {}).get("pattern", "") for letter in "AB")]
        last = found[-1] if found else None
        if last and last[2:] == make and last[0].isdecimal() and number == str(int(last[0]) + last[1]):
            last[1] += 1
        else:
            found.append([number, 1, *make])
    return found


def packed_finding(place: int, found: Mapping, at: str) -> list[object]:
    age = datetime.fromisoformat(at) - datetime.fromisoformat(found["seen"])
    about = [found["end"], found["part"], found["symptom"], told(found["known"])]
    return [place, found["ref"], age // timedelta(minutes=1), *about, *([found["mode"]] if "mode" in found else [])]
