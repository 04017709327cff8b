"""The case sheet of one finding: all that one reader may see of it. Reads, writes nothing.

Facts, grades and standing are for every role; names, notes and photos for their author, control, fitters and
managers (`permissions.may_see_words`). The number of queries does not depend on how much there is to see.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.contrib.auth.models import User
from django.db.models import Q, QuerySet

from fleet.models import Place
from inspections import assistance, deferring, grading, happened, in_force, occurrences, standing, words
from inspections.models import Finding, Grade, Observation, Photo
from inspections.permissions import may, may_see_words
from inspections.rules.facts import CATEGORIES, SITUATION_WORDS, SITUATIONS

NEIGHBOURS = 20


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo of an observation: `state` is "stored", "waiting" (still on the phone) or "refused"; `alt` in words."""

    uuid: UUID
    state: str
    alt: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Seen:
    """One observation in words. `by`, `note` and `pictures` are empty for whoever may not see them."""

    kind: str
    fault: str
    quality: str
    at: datetime
    received: datetime
    late: bool
    place: str
    weather: str
    doubtful: str
    facts: tuple[tuple[str, str], ...]
    by: str
    note: str
    pictures: tuple[Picture, ...]
    hidden: bool


@dataclass(frozen=True, slots=True)
class Reasons:
    """Why a situation is graded so, for the weather classes in which the reasons are the same."""

    weather: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class GradeRow:
    """One situation of a grade: the category word per weather class, and the reasons."""

    situation: str
    categories: tuple[tuple[str, str], ...]
    reasons: tuple[Reasons, ...]


@dataclass(frozen=True, slots=True)
class Near:
    """Another finding of the same end."""

    line: words.Line
    same_part: bool


@dataclass(frozen=True, slots=True)
class Case:
    """One finding as one reader sees it."""

    finding: Finding
    line: words.Line
    heading: str
    named: bool
    limits: tuple[str, ...]
    standing: dict | None
    cautions: tuple[str, ...]
    seen: tuple[Seen, ...]
    grade: tuple[GradeRow, ...]
    may_be: tuple[str, ...]
    tell: tuple[str, ...]
    near: tuple[Near, ...]
    repeat: str
    history: tuple[words.Happening, ...]
    signed: tuple[tuple[str, str], ...]
    here: tuple[in_force.Item, ...]
    need: assistance.Need | None
    occurrence: tuple[str, ...]
    decided: occurrences.Decision | None
    moved: datetime | None


def fetch() -> QuerySet[Finding]:
    """Findings with all that the sheet reads of their row."""
    return Finding.objects.for_list().select_related(
        "unit", "end__pattern", "end__unit", "coupler", "visit__depot", "current_grade__ruleset",
        "repeat_of", "merged_into",
    ).prefetch_related("current_grade__cells")  # fmt: skip


def case(finding: Finding, *, reader: User, now: datetime) -> Case:
    """The case sheet. `finding` comes from `fetch()`."""
    rules = grading.ruleset(now)
    named = may(reader, "see words")
    observations = observed(finding)
    near = neighbours(finding)
    own, *lines = deferring.lines([finding, *near], rules, now)
    entries = happened.history(finding)
    places = dict(Place.objects.depots().values_list("code", "name"))
    group = in_force.on_unit(finding.unit, reader, now) if finding.unit_id and finding.is_open else None
    known = standing_of(finding, group, now)
    return Case(
        finding=finding,
        line=own,
        heading=words.heading(rules, finding),
        named=named,
        limits=limits_of(known, finding),
        standing=standing_words(known, rules),
        cautions=cautions(finding, rules, "driver" if not named else "fitter"),
        seen=seen(finding, observations, rules, reader),
        grade=grade_rows(finding.current_grade),
        may_be=tuple(
            words.mode(rules, code) for code in (finding.current_grade.modes if finding.current_grade else [])
        ),
        tell=to_tell(finding, rules),
        near=tuple(Near(line, line.finding.component == finding.component) for line in lines),
        repeat=repeat_words(finding, near, rules),
        history=tuple(
            words.happening(entry, places=places, reader=reader, named=named) for entry in reversed(entries)
        ),
        signed=happened.signed(happened.close_out_of(finding), rules, now, reader=reader, named=named),
        here=tuple(i for i in group.items if i.ref == finding.ref and i.kind != "finding") if group else (),
        need=group.need if group else None,
        occurrence=occurrences.may_be(finding, rules),
        decided=occurrences.decided(finding),
        moved=max((entry.happened for entry in entries if entry.kind == "moved"), default=None),
    )


def standing_of(finding: Finding, group: in_force.Group | None, now: datetime) -> standing.EndStanding | None:
    """What its end may do now; None where the end is not known or the finding is no longer open."""
    if finding.end_id is None or not finding.is_open:
        return None
    there = [known for known in group.standings if known.end.pk == finding.end_id] if group else []
    return there[0] if there else standing.of_ends([finding.end], now)[finding.end_id]


def observed(finding: Finding) -> list[Observation]:
    """Its observations and those of what was merged into it, oldest first."""
    rows = Observation.objects.filter(Q(finding=finding) | Q(finding__merged_into=finding))
    return list(rows.select_related("by", "inspection__place").order_by("pk"))


def seen(finding: Finding, observations: Sequence[Observation], rules, reader: User) -> tuple[Seen, ...]:
    """Observations in words, newest first. One query for their photos."""
    pictures = pictures_of(finding, observations, rules)
    return tuple(one_look(row, pictures[row.uuid], rules, reader) for row in reversed(observations))


def one_look(row: Observation, pictures: Iterable[Picture], rules, reader: User) -> Seen:
    """One observation as the reader may see it."""
    open_to_reader = may_see_words(reader, row)
    inspection = row.inspection
    place = (inspection.place.name if inspection.place else inspection.place_given) if inspection else ""
    weather = rules.weather_words.get(inspection.weather) if inspection else None
    return Seen(
        kind=row.kind.capitalize(),
        fault=words.mode(rules, row.mode) if row.mode else words.symptom(rules, row.symptom),
        quality=row.quality,
        at=row.seen,
        received=row.received,
        late=row.received - row.seen > words.LATE,
        place=place,
        weather=weather.name if weather else "",
        doubtful=inspection.doubtful if inspection else "",
        facts=tuple(fact_words(rules, code, value) for code, value in row.facts.items()),
        by=("you" if row.by_id == reader.pk else words.name(row.by)) if open_to_reader else "",
        note=(row.note or (inspection.note if inspection else "")) if open_to_reader else "",
        pictures=tuple(pictures) if open_to_reader else (),
        hidden=not open_to_reader,
    )


def fact_words(rules, code: str, value: object) -> tuple[str, str]:
    """(question, answer) in the ruleset's words; as given where it does not know them."""
    fact = rules.facts.get(code)
    if fact is None:
        return code, str(value)
    labels = dict(zip(fact.words, fact.labels, strict=False))
    return fact.question, labels.get(str(value), f"{value} {fact.unit}".strip())


def pictures_of(finding: Finding, observations: Sequence[Observation], rules) -> dict[UUID, list[Picture]]:
    """Observation uuid → its photos: those here, and those named by it that have not arrived."""
    rows = list(Photo.objects.of_owners(row.uuid for row in observations).exclude(state=Photo.State.ERASED))
    arrived = {photo.uuid for photo in rows}
    found: dict[UUID, list[Picture]] = {row.uuid: [] for row in observations}
    about = f"{words.part(rules, finding)}, {finding.end_words} of {words.unit(finding)}"
    for photo in rows:
        found[photo.owner].append(Picture(photo.uuid, photo.state, f"Photo: {about}", photo.why))
    for row in observations:
        symptom = words.symptom(rules, row.symptom)
        found[row.uuid] = [
            Picture(p.uuid, p.state, f"{p.alt}, reported as: {symptom}" if symptom else p.alt, p.why)
            for p in found[row.uuid]
        ]
        named = [UUID(photo) for photo in row.photos]
        found[row.uuid] += [Picture(uuid, Photo.State.WAITING, "") for uuid in named if uuid not in arrived]
    return found


def grade_rows(grade: Grade | None) -> tuple[GradeRow, ...]:
    """The stored grade, situation by situation, under the ruleset it was made with. One query for its cells."""
    if grade is None:
        return ()
    rules = grading.parsed(grade.ruleset.text)
    cells = {(cell.situation, cell.weather): cell for cell in grade.cells.all()}
    return tuple(
        GradeRow(
            situation=SITUATION_WORDS[situation].capitalize(),
            categories=tuple(
                (rules.weather_words[weather].name, CATEGORIES[cells[situation, weather].category])
                for weather in rules.weathers
            ),
            reasons=tuple(reasons(grade, situation, rules)),
        )
        for situation in SITUATIONS
    )


def reasons(grade: Grade, situation: str, rules) -> list[Reasons]:
    """The sentences of a situation, told once for the weather classes that share them."""
    shared: dict[tuple[str, ...], list[str]] = {}
    for weather in rules.weathers:
        headline, *rest = grading.explanation(grade, situation, weather)
        shared.setdefault(tuple(rest), []).append(rules.weather_words[weather].name)
    return [Reasons(words.listed(names), sentences) for sentences, names in shared.items()]


def limits_of(known: standing.EndStanding | None, finding: Finding) -> tuple[str, ...]:
    """This finding's own limits in the situation its end is in now."""
    if known is None:
        return ()
    return tuple(w for s in known.current.sources if s.kind == "finding" and s.name == finding.ref for w in s.words)


def standing_words(known: standing.EndStanding | None, rules) -> dict | None:
    """What `_standing.html` takes; None where the end is not known or the finding is no longer open."""
    if known is None:
        return None
    end = known.end
    which = f"the {end.letter} end of {end.unit.number}" if end.unit_id else f"the end of {end}"
    return {
        "title": f"What {which} may still do",
        "situations": [
            {"words": at.situation_words.capitalize(), "limits": at.words, "now": at is known.current}
            for at in (known.current, *known.others)
        ],
        "known_at": known.at,
        "weather": rules.weather_words[known.weather].name,
    }


def cautions(finding: Finding, rules, audience: str) -> tuple[str, ...]:
    """The ruleset's cautions for a driver or a fitter: of what this may be, and those that always stand."""
    modes = rules.modes.values()
    special = {code for mode in modes for code in mode.cautions}
    may_be = finding.current_grade.modes if finding.current_grade else ()
    asked = {code for mode in may_be if mode in rules.modes for code in rules.modes[mode].cautions}
    shown = [c for code, c in rules.cautions.items() if code in asked or code not in special]
    return tuple(c.words for c in shown if c.audience in ("all", audience))


def to_tell(finding: Finding, rules) -> tuple[str, ...]:
    """Whom the ruleset wants told: for the category, and for every mode it may be."""
    if finding.current_grade is None:
        return ()
    asked = list(rules.delegation[finding.worst].tell) if finding.worst in rules.delegation else []
    asked += [whom for code in finding.current_grade.modes if code in rules.modes for whom in rules.modes[code].tell]
    return tuple(dict.fromkeys(asked))


def neighbours(finding: Finding) -> list[Finding]:
    """Open and recent findings of the same end, newest first; of the unit where the end is not known."""
    same = Finding.objects.for_list().exclude(pk=finding.pk).exclude(state=Finding.State.MERGED)
    if finding.end_id:
        same = same.filter(end=finding.end_id)
    elif finding.unit_id:
        same = same.filter(unit=finding.unit_id, end__isnull=True)
    else:
        return []
    return list(same.order_by("-first_seen")[:NEIGHBOURS])


def repeat_words(finding: Finding, near: Iterable[Finding], rules) -> str:
    """ "2nd in 28 days on this part", and which close-out it came back after; "" for a first one."""
    window = timedelta(days=rules.repeat_days)
    earlier = [
        other
        for other in near
        if other.component == finding.component and timedelta(0) <= finding.first_seen - other.first_seen <= window
    ]
    said = []
    if earlier and finding.end_id:
        said.append(f"{words.ordinal(len(earlier) + 1)} in {rules.repeat_days} days on this part of this end.")
    if finding.repeat_of_id:
        back = words.age(finding.repeat_of.closed, finding.first_seen)
        said.append(f"Came back {back} after {finding.repeat_of} was closed.")
    return " ".join(said)
