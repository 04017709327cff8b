"""The years behind the day: who met what at which coupling, and what became of it."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import partial

from fleet.railway import Change, uuid_from
from inspections import bodies, report_rows
from inspections.demonstration import acts
from inspections.demonstration.actions import modify_locks
from inspections.demonstration.chain import bend_pins
from inspections.demonstration.course import Encounter, course, encounters
from inspections.demonstration.filing import Life, offset_minutes
from inspections.demonstration.seals import SealLife
from inspections.demonstration.wear import NEW_SEAL, Wear
from inspections.demonstration.world import World, foreseen, grade, grade_siblings
from inspections.models import Finding, Inspection, Observation

NOTES = (
    "",
    "",
    "",
    "",
    "Seen by torch.",
    "Was not there this morning.",
    "Looks fresh.",
    "Raining hard.",
    "Second time I see it.",
)


def live_through(world: World) -> list[Encounter]:
    """Play the past up to `world.until` into the ledger; returns the looks that come after it, in order of time."""
    world.returned, world.report, world.wear = partial(returned, world), report, Wear(world)
    world.wear.set_going()
    for change in world.railway.changes:
        world.at(change.at, befall, change)
    bend_pins(world)
    modify_locks(world)
    later = []
    for met in sorted(encounters(world.railway, world.rates, world.random)):
        if met.received <= world.until:
            world.at(met.received, report if met.part else look_round, met)
        elif not met.part and met.received <= world.railway.now:
            later.append(met)
    world.run()
    world.wear.write()
    return later


def befall(world: World, at: datetime, change: Change) -> None:
    """A unit gets its new number, or two units exchange driving vehicles; control enters it."""
    before = {str(end): end.vehicle for end in change.ends}
    world.railway.change(change)
    world.filing.name_ends()
    world.ledger.write(
        subject=f"unit:{change.ends[0].unit.number}",
        kind="renumbered" if change.number else "vehicles exchanged",
        actor=world.cast.controllers[0].pk,
        happened=at,
        written=at,
        before=before,
        after={str(end): end.vehicle for end in change.ends},
    )


def look_round(world: World, at: datetime, met: Encounter) -> None:
    """Looked, nothing found."""
    file(world, met, *who(world, met), ())


def who(world: World, met: Encounter):
    """(author, sent by, channel) of a report."""
    author = world.random.choice(world.cast.fitters if met.by_fitter else world.cast.drivers)
    if not met.by_fitter and world.random.random() < world.rates.typed:
        return author, world.random.choice(world.cast.controllers), "typed"
    return author, author, "phone" if world.random.random() < 0.85 else "page"


def body_of(world: World, met: Encounter, author, faults: tuple[bodies.Fault, ...]) -> bodies.Body:
    """What the phone sends: the end met, and now and then the other end, looked at too."""
    here = bodies.End(
        end=met.end.letter,
        situation=met.situation,
        clean=not faults,
        mate=str(met.mate) if met.mate else "",
        stage=met.stage,
    )
    ends = [here]
    if world.random.random() < 0.4:
        ends.append(bodies.End(end="B" if met.end.letter == "A" else "A", situation="U", clean=True))
    occasion = {"U": "walk-round", "C": "coupling", "R": "running"}[met.situation]
    return bodies.Body(
        id=uuid_from(world.random),
        author=author.pk,
        unit=met.end.unit.number,
        sent=met.received - timedelta(seconds=4),
        seen=met.seen,
        seen_offset_min=offset_minutes(met.seen),
        occasion="depot" if met.by_fitter else occasion,
        place=met.place,
        weather=world.rates.weather(met.seen, world.rules.weathers, world.random),
        note="",
        ends=tuple(sorted(ends, key=lambda end: end.end)),
        faults=faults,
    )


def file(world: World, met: Encounter, author, by, channel: str, faults, after=None) -> Inspection:
    """File a report; `after` does what follows from its faults before the sender is told."""
    body = body_of(world, met, author, faults)
    unit = met.end.unit
    inspection = world.filing.file(body, author=author, by=by, unit=unit, channel=channel, received=met.received)
    if after:
        after(inspection)
    inspection.standing_told = world.known.told(unit, body, met.received)
    return inspection


def fault_of(world: World, met: Encounter, symptom: str, kind: str = "first report", of: str = "") -> bodies.Fault:
    """The fault as the driver answers for it; a question in three is skipped."""
    asks = [world.rules.facts[code] for code in world.rules.symptoms[symptom].asks]
    facts = {f.code: world.random.choice(f.words) for f in asks if f.kind == "words" and world.random.random() < 0.67}
    facts["seen-in"] = met.situation
    return bodies.Fault(
        id=uuid_from(world.random),
        end=met.end.letter,
        part=met.part,
        symptom=symptom,
        kind=kind,
        of=of,
        note=world.random.choice(NOTES),
        facts=facts,
    )


def report(
    world: World,
    at: datetime,
    met: Encounter,
    double_of: Life | None = None,
    worn: SealLife | None = None,
    planted: bool = False,
) -> None:
    """A fault is reported; not where its component is known to be at fault, nor where it would not end in time."""
    if worn and worn.removed is not None:
        return
    symptom = met.symptom or world.rates.symptom(world.rules, met.part, world.random)
    fault = fault_of(world, met, symptom)
    component = report_rows.component_of(fault, world.rules)
    here = [life for life in world.known.open[met.end.pk] if life.row.component == component]
    if here and not double_of:
        if worn:  # whoever looks tomorrow will see that it is worn
            world.at(at + timedelta(days=1), world.wear.worn, worn)
        return
    trial = Observation(slot=fault.part, symptom=symptom, facts=fault.facts, kind="first report")
    runs = course(foreseen(world, met.end, trial), at, met.by_fitter, world.random)
    if runs.checked > world.until:
        return
    author, by, channel = who(world, met)
    planted = planted or worn is not None
    error = world.random.random() < world.rates.withdrawn and not planted
    life = Life(row=None, course=runs, error=error, worn=worn, planted=planted)
    file(world, met, author, by, channel, (fault,), partial(open_finding, world, life, met, fault, component))
    if double_of:
        world.at(max(at, double_of.course.looked) + timedelta(minutes=3), acts.merge, life, double_of)
        return
    world.at(runs.looked, acts.look, life)
    foresee_company(world, at, met, life, symptom)


def foresee_company(world: World, at: datetime, met: Encounter, life: Life, symptom: str) -> None:
    """Others may come by: a second driver who reports it as new, or one who finds it still there."""
    if met.by_fitter or life.error:
        return
    draw, waits = world.random.random(), life.course.waits
    if draw < world.rates.doubled and waits > timedelta(hours=3):
        seen = at + timedelta(minutes=world.random.randint(2, 30))
        again = Encounter(seen + timedelta(minutes=3), 0, seen, met.end, "U", met.part, symptom, place=met.place)
        world.at(again.received, report, again, life)
    elif draw > 1 - world.rates.still_there and waits > timedelta(days=1):
        seen = life.course.looked + waits * world.random.uniform(0.3, 0.8)
        seen = seen.replace(second=0, microsecond=0)
        again = Encounter(seen + timedelta(minutes=4), 0, seen, met.end, "U", met.part, symptom, place=met.place)
        world.at(again.received, still_there, again, life)


def open_finding(world: World, life: Life, met: Encounter, fault, component: str, inspection: Inspection) -> None:
    """The rows of a new finding, its first observation and its first grade."""
    place = met.end.pk, component
    before, number = world.last_row.get(place), len(world.ledger.rows[Finding]) + 1
    life.row = world.ledger.add(
        report_rows.finding_row(
            inspection,
            fault,
            met.end,
            number=number,
            coupler=world.railway.coupler_at(met.end, met.seen),
            component=component,
            before=before if before and before.first_seen < met.seen else None,
            repeat=repeated(world, place, met),
        )
    )
    world.last_row[place] = life.row
    world.known.open[met.end.pk].append(life)
    observe(world, life, inspection, fault, first=True)
    grade_siblings(world, life, met.received, inspection.person_id)


def observe(world: World, life: Life, inspection: Inspection, fault: bodies.Fault, *, first: bool) -> None:
    """One more observation of a finding, and what the rules say now."""
    at = inspection.submission.received
    if not first:
        life.become({"version": life.row.version + 1})
    observation = report_rows.observation_row(inspection, fault, life.row, first, at)
    life.observations.append(world.ledger.add(observation))
    world.ledger.write(**report_rows.observed_entry(observation, inspection, fault))
    grade(world, life, "intake", at, inspection.person_id, always=True)


def repeated(world: World, place: tuple[int, str], met: Encounter) -> Finding | None:
    """The closed finding this one repeats, by the ruleset's window."""
    last = world.last_closed.get(place)
    if last is None or last.closed > met.seen:
        return None
    if met.seen - last.closed <= timedelta(days=world.rules.repeat_days):
        return last
    since = world.railway.couplings_between(met.end, last.closed, met.seen)
    return last if since <= world.rules.repeat_couplings else None


def still_there(world: World, at: datetime, met: Encounter, life: Life) -> None:
    """Another driver sees a known fault again, and says so."""
    if not life.row.is_open:
        return
    fault = fault_of(world, met, met.symptom, "still there", life.row.ref)

    def seen_again(inspection):
        observe(world, life, inspection, fault, first=False)
        grade_siblings(world, life, at, inspection.person_id)

    file(world, met, *who(world, met), (fault,), seen_again)


def returned(world: World, at: datetime, row: Finding) -> None:
    """A repair that does not hold: the same symptom again within three weeks."""
    day = (at + timedelta(days=world.random.randint(2, 20))).replace(hour=0, minute=0, second=0, microsecond=0)
    seen = day + timedelta(minutes=world.random.randint(6 * 60, 20 * 60))
    symptom = NEW_SEAL.get(row.symptom, row.symptom)
    met = Encounter(seen + timedelta(minutes=5), 0, seen, row.end, "U", row.slot, symptom, place=row.unit.home.code)
    if met.received <= world.until:
        world.at(met.received, report, met)
