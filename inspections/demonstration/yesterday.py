"""The days before, through the doors: a report on the wrong end put right, a fleet action begun, months reviewed."""

from __future__ import annotations

from datetime import timedelta

from fleet.railway import LOCAL, uuid_from
from inspections import fleet_actions, moving, workflow
from inspections.demonstration.doors import Day
from inspections.demonstration.today import end_of, sign
from inspections.demonstration.truths import BAD_SEALS
from inspections.history import reviews
from inspections.models import CloseOut

REVIEWED = 2  # months, the last ones that are over


def happened(day: Day) -> None:
    """Put all of it on the agenda."""
    wrong_end(day)
    act_on_seals(day)
    review(day)


def wrong_end(day: Day) -> None:
    """The driver said B and meant A; control moves it, a fitter repairs it in the night."""
    given, meant = end_of(day, 28, "B"), end_of(day, 28, "A")
    control, fitter = day.cast.controllers[1], day.cast.fitters[1]
    day.report("turned", day.ago(hours=52), day.cast.drivers[0], given, "cover", "cover-slow", place="PEN")
    day.look("turned", day.ago(hours=51.8), 1)
    day.act(
        *("turned", day.ago(hours=51.5), moving.move, control),
        unit=meant.unit,
        end=meant,
        part="cover",
        why="The driver rang: it is the end towards Pennick.",
        uuid=uuid_from(day.random),
    )
    visit = {"depot": day.railway.places["BRK"], "since": day.ago(hours=31), "shift": "night"}
    day.act("turned", day.ago(hours=51), workflow.plan, control, **visit, road="3")
    day.act("turned", day.ago(hours=30), workflow.take, fitter)
    day.act("turned", day.ago(hours=28.5), sign(day), fitter, outcome=CloseOut.Outcome.REPAIRED)


def act_on_seals(day: Day) -> None:
    """A manager starts on the ends that stand out; nothing is done yet."""
    names = [str(end) for end in day.railway.ends]
    on = [name for name in names if name in BAD_SEALS] or names[:2]
    due = day.railway.now.astimezone(LOCAL).date() + timedelta(days=24)
    day.at(
        day.ago(hours=21),
        lambda at: fleet_actions.start(
            what="Faces measured and dressed, both seals renewed",
            why="Several times the fleet's rate of seal faults, in each of the last reviews.",
            component="air-connection",
            on=", ".join(on),
            due=due,
            by=day.cast.managers[0],
            now=at,
        ),
    )


def review(day: Day) -> None:
    """The last months are reviewed, one after the other."""
    last, by = reviews.last_over(day.railway.now), day.cast.managers[0]
    for n in range(REVIEWED):
        month = last - REVIEWED + 1 + n
        day.at(day.ago(hours=20, minutes=-5 * n), lambda at, month=month: reviews.freeze(month, now=at, by=by))
