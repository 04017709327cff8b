"""Lists say until when a fault is left; overdue is only what nothing lets wait."""

from datetime import timedelta

import pytest

from fleet.models import Coupling, CouplingSide
from inspections import deferring, grading, handover, labels, words, workflow
from inspections.models import Deferral, Finding
from inspections.rules.limits import Limits
from tests.conftest import uuid_of

pytestmark = pytest.mark.django_db
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
RELEASE = {"part": "handle", "symptom": "release-dead"}
LEFT = "Deferred to 06:00 on 29 November"


@pytest.fixture
def finding(cast, report, now):
    """A dead release, acknowledged: by its grade to be examined within a day from now."""
    row = Finding.objects.get(ref=report(cast.driver, **RELEASE).refs[0])
    workflow.look(row, version=1, by=cast.controller, now=now)
    allowed = timedelta(hours=float(fresh(row).current_grade.hours))
    Finding.objects.filter(pk=row.pk).update(first_seen=now + DAY - allowed)
    return fresh(row)


def fresh(row):
    return Finding.objects.for_list().get(pk=row.pk)


@pytest.fixture
def happen(cast, railway, finding, now):
    """Something of the table below happens."""

    def left(until=now + 5 * DAY, **more):
        said = {"since": now, "agreed": now, "agreed_by": cast.controller, "category": 1, **more}
        return Deferral.objects.create(finding=finding, why="x", by=cast.controller, until=until, **said)

    def coupled():
        row = Coupling.objects.create(
            uuid=uuid_of("met"), at=now + HOUR, parted=now + HOUR, source="t", source_ref="1", received=now + HOUR
        )
        CouplingSide.objects.create(coupling=row, end=railway.ends["201 A"], at=row.at)

    def raised():
        return workflow.raise_category(
            finding, version=fresh(finding).version, by=cast.controller, now=now, to=2, why="stuck"
        )

    def extended(row):
        return left(now + 5 * DAY, extends=row)

    def merged():
        other = Finding.objects.get(pk=finding.pk)
        other.pk, other.ref = None, "00000099"
        other.save()
        workflow.merge(other, into=finding, version=other.version, by=cast.controller, now=now)

    acts = {
        "left": left,
        "left for a day": lambda: left(now + DAY),
        "left until it is coupled": lambda: left(events=["next-coupling"]),
        "waits for the engineer": lambda: left(agreed=None, agreed_by=None),
        "ended": lambda: left(ended=now, ended_by=cast.controller),
        "extended": lambda: extended(left(now + HOUR)),
        "coupled": coupled,
        "raised": raised,
        "merged": merged,
    }
    return lambda *names: [acts[name]() for name in names]


# What happened, and what a list says two days later: left to wait or not.
CASES = [
    ([], False),
    (["left"], True),
    (["left for a day"], False),
    (["left until it is coupled"], True),
    (["left until it is coupled", "coupled"], False),
    (["left", "coupled"], True),
    (["waits for the engineer"], False),
    (["waits for the engineer", "left"], True),
    (["ended"], False),
    (["ended", "left"], True),
    (["extended"], True),
    (["left", "raised"], False),
    (["left", "left for a day"], False),
    (["left", "merged"], True),
]


@pytest.mark.parametrize(("what", "waits"), CASES, ids=[", ".join(what) for what, _ in CASES])
def test_a_list_says_deferred_while_it_is(finding, happen, now, what, waits):
    happen(*what)
    later = now + 2 * DAY
    line = deferring.lines([fresh(finding)], grading.ruleset(later), later)[0]
    if waits:
        assert (line.deadline.words, line.deadline.over) == (LEFT, False)
    else:
        assert line.deadline.words.startswith("Overdue: examine by")
        assert line.deadline.over


def test_two_that_let_it_wait_count_to_the_sooner(finding, happen, now):
    happen("left", "left for a day")
    assert deferring.lets_wait([finding], now + HOUR) == {finding.pk: now + DAY}


def test_where_a_label_keeps_it_apart_the_milder_reading_counts(cast, railway, report, now):
    """Uncoupled and labelled it is left for what it is uncoupled; coupled all the same, it is no longer covered."""
    row = Finding.objects.get(ref=report(cast.driver).refs[0])
    workflow.look(row, version=1, by=cast.controller, now=now)
    place = {"end": railway.ends["201 A"], "unit": None}
    limit = workflow.restrict(**place, limits=Limits(couple="not"), why="x", by=cast.controller, now=now)
    labels.hang(number="1", shows="x", restriction=limit, by=cast.fitter, now=now, **place)
    category = deferring.delegation.readings([fresh(row)], now, ())[row.pk].category
    Deferral.objects.create(
        finding=row, category=category, why="x", by=cast.controller, since=now, until=now + DAY, agreed=now
    )
    assert list(deferring.lets_wait([fresh(row)], now + HOUR)) == [row.pk]
    met = Coupling.objects.create(uuid=uuid_of(1), at=now + HOUR, source="t", source_ref="1", received=now)
    CouplingSide.objects.create(coupling=met, end=railway.ends["201 A"], at=met.at)
    assert deferring.lets_wait([fresh(row)], now + 2 * HOUR) == {}


def test_handover_lists_as_due_only_what_may_not_wait(finding, happen, now):
    def due():
        return [line.finding for line in handover.due(grading.ruleset(now), now + 20 * HOUR).rows]

    assert due() == [finding]
    happen("left")
    assert due() == []
    assert handover.due(grading.ruleset(now), now + 20 * HOUR).more == 0
    happen("left for a day")
    assert due() == []
    assert handover.ending(grading.ruleset(now), now + 20 * HOUR).rows


def test_pages_say_it(cast, client_of, finding, happen, now):
    until = now.replace(year=2099)  # the pages read the clock
    Deferral.objects.create(
        finding=finding, category=1, why="x", by=cast.controller, since=now, until=until, agreed=now
    )
    said = f"Deferred to {words.moment(until, now)}"
    for who, page in [
        (cast.controller, "/findings/new/?show=open"),
        (cast.controller, f"/findings/{finding.ref}/"),
        (cast.driver, "/units/201/"),
        (cast.fitter, "/work/"),
    ]:
        page = client_of(who).get(page).content.decode()
        assert said in page
        assert "Overdue" not in page


def test_one_query_where_nothing_is_deferred(finding, django_assert_num_queries, now):
    with django_assert_num_queries(1):
        assert deferring.lets_wait([finding], now) == {}
