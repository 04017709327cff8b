"""What the simulation holds in its hands, and the grading of findings whose rows are not written yet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from heapq import heappop, heappush
from random import Random

from fleet.models import Place, Unit
from fleet.railway import Railway
from inspections import grading
from inspections.demonstration.filing import Filing, Known, Life
from inspections.demonstration.ledger import Ledger
from inspections.demonstration.people import Cast
from inspections.demonstration.rates import Rates
from inspections.models import Finding, Observation, RuleSet, Visit


@dataclass
class World:
    """One run of the simulation. `until`: nothing is begun that would not be over by then.

    `returned` is called with the time and the finding where a repair will not hold; `report` with a time and what
    somebody comes across; `wear` is told of every repair.
    """

    railway: Railway
    cast: Cast
    rates: Rates
    ruleset: RuleSet
    rules: object
    until: datetime
    random: Random
    returned: Callable[[datetime, Finding], None] | None = None
    report: Callable[..., None] | None = None
    wear: object = None
    ledger: Ledger = field(default_factory=Ledger)
    visits: dict[tuple[int, int, datetime], Visit] = field(default_factory=dict)
    last_row: dict[tuple[int, str], Finding] = field(default_factory=dict)
    last_closed: dict[tuple[int, str], Finding] = field(default_factory=dict)
    agenda: list[tuple[datetime, int, Callable, tuple, dict]] = field(default_factory=list)
    number: int = 0

    def __post_init__(self):
        self.known = Known(self.railway, self.rules)
        self.filing = Filing(self.ledger, self.railway)

    def at(self, when: datetime, act: Callable, *args: object, **more: object) -> None:
        """Put an act on the agenda."""
        self.number += 1
        heappush(self.agenda, (when, self.number, act, args, more))

    def run(self, until: datetime | None = None) -> None:
        """Do what is due, in order of time; everything that is left when no `until` is given."""
        while self.agenda and (until is None or self.agenda[0][0] <= until):
            when, _, act, args, more = heappop(self.agenda)
            act(self, when, *args, **more)

    def visit(self, unit: Unit, depot: Place, since: datetime, until: datetime) -> Visit:
        """The visit of a unit to a depot that night: one, however many findings it is for."""
        key = unit.pk, depot.pk, since
        if key not in self.visits:
            road = str(self.random.randint(1, 6))
            visit = Visit(unit=unit, depot=depot, road=road, since=since, until=until, shift=Visit.Shift.NIGHT)
            self.visits[key] = self.ledger.add(visit)
        return self.visits[key]


def foreseen(world: World, end, observation: Observation) -> int:
    """The worst category one observation alone would get at this end."""
    finding = Finding(ref="", end=end)
    return grading.value_among(finding, [], {finding.pk: [observation]}, world.rules).worst


def grade(world: World, life: Life, cause: str, at: datetime, actor: int, *, always: bool = False) -> None:
    """Grade a finding among the others of its end, and keep the grade if it says anything new (or `always`)."""
    others = [other for other in world.known.open[life.row.end_id] if other is not life]
    seen = {other.row.pk: other.observations for other in [life, *others]}
    value = grading.value_among(life.row, [other.row for other in others], seen, world.rules)
    if not always and grading.alike(life.value, value):
        return
    row, cells = grading.rows(value, finding=life.row, row=world.ruleset, cause=cause, made=at)
    world.ledger.add(row)
    for cell in cells:
        cell.grade = row
        world.ledger.add(cell)
    world.ledger.write(**grading.graded_entry(life.row, row, actor))
    life.value = value
    life.become({"current_grade": row, "worst": row.worst})


def grade_siblings(world: World, life: Life, at: datetime, actor: int) -> None:
    """The others at its end, when a finding opens or closes."""
    for other in world.known.open[life.row.end_id]:
        if other is not life:
            grade(world, other, "sibling", at, actor)
