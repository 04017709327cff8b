"""Live on the day: what stands open when somebody first looks at the demonstration."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, time, timedelta

from fleet.models import WeatherAlert
from fleet.railway import LOCAL, uuid_from
from inspections import bodies, closing, deferring, grading, labels, workflow
from inspections.demonstration.course import Encounter
from inspections.demonstration.doors import Day
from inspections.demonstration.past import body_of
from inspections.demonstration.results import passing
from inspections.demonstration.world import World
from inspections.models import CloseOut, Restriction
from inspections.rules.limits import Limits

NOT_TO_COUPLE = Limits(couple="not", rescue="no")


def live(world: World, password: str, later: list[Encounter], before: Callable[[Day], None]) -> None:
    """The last two and a half days and this morning; `later` are the looks that fall into them, `before` puts what
    came before today's work on the agenda."""
    day = Day(world.railway, world.cast, password, world.random)
    for met in later:
        author = world.random.choice(world.cast.drivers)
        body = body_of(world, met, author, ())
        day.at(met.received, lambda at, body=body: day.send(at, body))
    before(day)
    waiting(day)
    odd(day)
    looked_at(day)
    planned(day)
    worked_on(day)
    cannot_be_rescued(day)
    day.play()
    weather(day)


def end_of(day: Day, unit: int, letter: str):
    """The end of the n-th unit; a small fleet is gone round again."""
    units = day.railway.units
    return day.railway.by_letter[units[unit % len(units)].pk][letter]


def waiting(day: Day) -> None:
    """Three reports control has not looked at: one intolerable, one with its photo, one whose photo is missing."""
    one, two, three, _ = day.cast.drivers
    coupled = {"mate": str(end_of(day, 13, "B")), "stage": "locked", "place": "SKJ"}
    day.report(
        "lock", day.ago(minutes=25), one, end_of(day, 4, "A"), "hook", "hook-lamp", "R", **coupled, photo="lock"
    )
    seal = end_of(day, 20, "A")
    note = "Flap of rubber hanging out at the bottom, as long as a finger."
    day.report("seal", day.ago(minutes=50), two, seal, "air-upper", "seal-torn", photo="seal", note=note, place="THO")
    day.report("seal again", day.ago(minutes=34), three, seal, "air-upper", "seal-torn", of="seal", place="THO")
    day.report(
        *("cover", day.ago(minutes=70), three, end_of(day, 8, "B"), "cover", "cover-open"),
        photo="cover",
        arrives=False,
        place="SAL",
    )


def odd(day: Day) -> None:
    """What is kept as given: a unit not on the list, an end not known, a body that could not be filed."""
    *_, three, four = day.cast.drivers
    lost = end_of(day, 0, "A")
    day.report("unlisted", day.ago(hours=3), four, lost, "air-lower", "seal-hiss", "R", unit="517", place="PEN")
    unsure = end_of(day, 23, "A")
    day.report("unsure", day.ago(hours=2), three, unsure, "contacts", "pins-dirty", letter="?", place="WEN")
    day.look("unsure", day.ago(minutes=95), 1)
    when = day.ago(hours=5)
    twice = bodies.End("A", "U")
    body = bodies.Body(
        id=uuid_from(day.random),
        author=four.pk,
        unit=end_of(day, 2, "A").unit.number,
        sent=when,
        seen=when - timedelta(minutes=6),
        seen_offset_min=0,
        occasion="walk-round",
        place="WEN",
        weather="wet",
        note="Sent from two places on the form.",
        ends=(twice, twice),
        faults=(),
    )
    day.at(when, lambda at: day.send(at, body))


def looked_at(day: Day) -> None:
    """Two that control has acknowledged: one told, one raised and restricted. A third was an error."""
    one, two, *_ = day.cast.drivers
    control, other = day.cast.controllers
    wet = end_of(day, 26, "B")
    day.report("wet", day.ago(hours=8), one, wet, "contacts", "block-wet", photo="pins", place="SAL")
    day.look("wet", day.ago(hours=7, minutes=52))
    whom = {"whom": "Signaller", "how": "phone", "happened": day.ago(hours=7, minutes=50)}
    day.act("wet", day.ago(hours=7, minutes=48), workflow.tell, control, **whom)
    low = end_of(day, 30, "A")
    day.report("low", day.ago(hours=9), two, low, "shank", "shank-low", place="PEN")
    day.look("low", day.ago(hours=8, minutes=40), 1)
    day.act(
        *("low", day.ago(hours=8, minutes=37), workflow.raise_category, other),
        to=lambda finding: min(3, finding.worst + 1),
        why="Second call: it hangs lower than an hour ago.",
        uuid=uuid_from(day.random),
    )
    restrict(
        day, day.ago(hours=8, minutes=35), low, other, "Head hangs low: not to couple at this end.", label="0417"
    )
    day.report("error", day.ago(hours=14), two, end_of(day, 18, "B"), "cup", "guide-object", place="WEN")
    day.look("error", day.ago(hours=13, minutes=50))
    why = "Reported on the wrong unit; the driver has said so."
    day.act("error", day.ago(hours=13, minutes=45), workflow.withdraw, control, why=why)


def restrict(day: Day, when: datetime, end, by, why: str, label: str = "") -> None:
    """Control limits an end; where a label shows it, it hangs there ten minutes later."""
    uuid = uuid_from(day.random)
    day.at(
        when,
        lambda at: workflow.restrict(end=end, unit=None, limits=NOT_TO_COUPLE, why=why, by=by, now=at, uuid=uuid),
    )
    if label:
        day.at(when + timedelta(minutes=10), lambda at: hang(label, uuid, by, at))


def hang(number: str, restriction, by, at: datetime) -> None:
    row = Restriction.objects.select_related("end__unit").get(uuid=restriction)
    shows = "Do not couple at this end"
    labels.hang(number=number, end=row.end, unit=None, shows=shows, restriction=row, by=by, now=at)


def planned(day: Day) -> None:
    """Two faults of one end planned for one visit this morning, one more for tonight."""
    three, four = day.cast.drivers[2:]
    control, other = day.cast.controllers
    places, end = day.railway.places, end_of(day, 10, "B")
    day.report(
        "hard", day.ago(hours=21), three, end, "air-lower", "seal-hard", photo="seal", place="PEN", weather="dry"
    )
    day.report("lip", day.ago(hours=20, minutes=50), four, end, "cover", "cover-lip", place="PEN", weather="dry")
    morning = {"depot": places["BRK"], "since": day.railway.now + timedelta(hours=2), "shift": "early"}
    for name in ("hard", "lip"):
        day.look(name, day.ago(hours=20, minutes=30))
        day.act(name, day.ago(hours=20), workflow.plan, control, **morning, road="4")
    restrict(day, day.ago(hours=19.6), end, control, "Cover lip torn: single only until it is renewed.", label="0633")
    wait = {"why": "The new lip is on its way to the depot.", "interim": "Looked at before each departure."}
    day.act("lip", day.ago(hours=19), deferring.defer, control, until=day.railway.now + timedelta(days=2), **wait)
    day.report(
        "cold", day.ago(hours=30), three, end_of(day, 36, "A"), "hood", "heater-cold", place="ELM", weather="dry"
    )
    day.look("cold", day.ago(hours=29), 1)
    tonight = {"depot": places["ELM"], "since": day.railway.now + timedelta(hours=17), "shift": "night"}
    day.act("cold", day.ago(hours=28), workflow.plan, other, **tonight, road="2")
    heater = end_of(day, 36, "A")
    restrict(day, day.ago(hours=27.6), heater, other, "Heater dead: not to couple here in frost.", label="0702")
    wait = {"why": "No frost was expected.", "interim": "The weather is watched."}
    day.act("cold", day.ago(hours=27), deferring.defer, other, until=day.ago(hours=3), **wait)


def worked_on(day: Day) -> None:
    """In work; signed and waiting for the second person; closed in the night; released with limits yesterday."""
    fitter, other, checker, _ = day.cast.fitters
    took = {"in work": fitter, "bolts": other, "handle": fitter, "arm": other}
    stories = [
        ("in work", 16, end_of(day, 33, "B"), "handle", "release-dead", "ELM", 2.2),
        ("bolts", 19, end_of(day, 16, "A"), "face", "face-bolts", "BRK", 3.5),
        ("handle", 22, end_of(day, 40, "B"), "handle", "handle-out", "BRK", 6.0),
        ("arm", 44, end_of(day, 6, "A"), "cup", "guide-bent", "BRK", 27.0),
    ]
    for n, (name, hours, end, part, symptom, depot, taken) in enumerate(stories):
        day.report(name, day.ago(hours=hours), day.cast.drivers[n], end, part, symptom, place=depot, weather="dry")
        day.look(name, day.ago(hours=hours - 0.3), n % 2)
        visit = {"depot": day.railway.places[depot], "since": day.ago(hours=taken + 0.5), "shift": "night"}
        day.act(name, day.ago(hours=hours - 1), workflow.plan, day.cast.controllers[n % 2], **visit, road="1")
        day.act(name, day.ago(hours=taken), workflow.take, took[name])
    day.act("bolts", day.ago(hours=1), sign(day), other, outcome=CloseOut.Outcome.REPAIRED)
    day.act("handle", day.ago(hours=4.5), sign(day), fitter, outcome=CloseOut.Outcome.REPAIRED)
    day.act("handle", day.ago(hours=4), workflow.check, checker, password=day.password)
    day.act("arm", day.ago(hours=26), sign(day), other, outcome=CloseOut.Outcome.RELEASED)


def sign(day: Day):
    """A close-out of the first candidate mode, every test passed."""

    def close(finding, *, version, by, now, outcome):
        rules = grading.ruleset(now)
        mode = rules.modes[finding.current_grade.modes[0]]
        left = outcome == CloseOut.Outcome.RELEASED
        action = "Secured" if left else mode.actions[0]
        work = closing.Work(
            confirmed=True,
            cause="Struck or rough coupling" if left else "Wear or age",
            action=action,
            found=f"{mode.name}. {action}.",
            outcome=outcome,
            mode=mode.code,
            results=tuple(passing(rules.tests[code], day.random) for code in mode.tests),
            limits=Limits(couple="attended") if left else Limits(),
            limits_why="Guide arm on order: a fitter present at each coupling until it is fitted." if left else "",
        )
        workflow.close_out(finding, version=version, by=by, now=now, password=day.password, work=work)

    return close


def cannot_be_rescued(day: Day) -> None:
    """One unit, both ends not to couple or be relied on: it needs a plan before it leaves."""
    driver, control = day.cast.drivers[0], day.cast.controllers[0]
    for letter, hours in (("A", 12), ("B", 11)):
        end = end_of(day, 38, letter)
        name = f"worn {letter}"
        day.report(name, day.ago(hours=hours), driver, end, "hook", "hook-knock", "U", place="BRK", weather="dry")
        day.look(name, day.ago(hours=hours - 0.2))
        restrict(day, day.ago(hours=hours - 0.4), end, control, "Lock worn: not to couple or be relied on here.")


def weather(day: Day) -> None:
    """Frost at Saltmarsh and Thornhope from tonight, for three days."""
    tonight = datetime.combine(day.railway.now.astimezone(LOCAL).date(), time(18), tzinfo=LOCAL)
    WeatherAlert.objects.bulk_create(
        WeatherAlert(
            pk=pk, place=day.railway.places[code], weather="frost", since=tonight, until=tonight + timedelta(days=3)
        )
        for pk, code in enumerate(("SAL", "THO"), 1)
    )
