"""What is watched after a close-out, by the ruleset's window, as intake names a repeat; what came back."""

from datetime import timedelta
from uuid import uuid4

import pytest

from fleet.models import Coupling, CouplingSide
from inspections import grading, intake, watching
from inspections.models import Finding
from tests.screens.desk import finding_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def closed(cast, report, now):
    """A finding that was closed so many days ago."""

    def make(days, **more):
        at = now - timedelta(days=days)
        finding = finding_of(report(cast.driver, received=at, seen=(at - timedelta(hours=1)).isoformat(), **more))
        Finding.objects.filter(pk=finding.pk).update(state="closed", closed=at)
        return Finding.objects.select_related("unit", "end").get(pk=finding.pk)

    return make


def couple(end, now, count, days):
    """So many couplings of an end, the last of them so many days ago."""
    for n in range(count):
        at = now - timedelta(days=days, minutes=n)
        coupling = Coupling.objects.create(uuid=uuid4(), at=at, stage="full", outcome="coupled", source="x",
                                           source_ref=str(uuid4()), received=at)  # fmt: skip
        CouplingSide.objects.create(coupling=coupling, end=end, at=at)


# closed so many days ago, couplings since, watched?
WINDOW = [
    (0, 0, True),
    (28, 0, True),
    (28, 40, True),
    (29, 0, True),
    (29, 10, True),
    (29, 11, False),
    (300, 10, True),
    (300, 11, False),
]


@pytest.mark.parametrize(("days", "couplings", "watched"), WINDOW)
def test_the_window_is_days_and_couplings_whichever_ends_later(cast, report, closed, now, days, couplings, watched):
    finding = closed(days)
    couple(finding.end, now, couplings, days=0)
    couple(finding.end, now, 20, days=days + 1)
    found = watching.of_ends([finding.end_id], now)[finding.end_id]
    assert [one.finding for one in found] == ([finding] if watched else [])
    assert (watching.of_finding(finding, now) is not None) is watched
    assert (intake.repeat_of(finding.end, finding.component, now) == finding) is watched, "one window for both"


def test_only_the_last_repair_of_a_part_is_watched(closed, now):
    first, other = closed(9), closed(8, part="handle", symptom="release-dead")
    last = closed(2)
    found = watching.of_ends([first.end_id], now)[first.end_id]
    assert [one.finding for one in found] == [last, other]
    assert watching.of_finding(first, now) is None


def test_it_says_until_when_and_how_many_couplings(closed, now):
    finding = closed(2)
    couple(finding.end, now, 3, days=1)
    one = watching.of_finding(finding, now)
    assert one.words == (
        "5 Upper air seal: watched since 22 November, for 28 days and 10 couplings, whichever is later. 3 so far."
    )
    assert (one.until, one.couplings, one.wanted) == (finding.closed + timedelta(days=28), 3, 10)


def test_of_many_ends_three_queries(closed, railway, now, django_assert_num_queries):
    for unit in ("201", "202", "301"):
        closed(3, unit=unit)
    rules = grading.ruleset()
    with django_assert_num_queries(3):
        found = watching.of_ends([end.pk for end in railway.ends.values()], now, rules)
    assert sum(len(rows) for rows in found.values()) == 3


def test_what_came_back_says_so_to_driver_control_and_the_units_page(cast, closed, report, client_of, now):
    old = closed(9)
    page = client_of(cast.driver).get("/units/201/").content.decode()
    assert "Watched after repair, A end" in page
    assert old.spoken_ref in page
    receipt = report(cast.driver)
    new = finding_of(receipt)
    assert new.repeat_of == old
    said = "It came back 8 days after work on it was closed."
    assert watching.came_back(new) == said
    page = client_of(cast.driver).get(f"/reports/{receipt.id}/").content.decode()
    assert f"{said} The logbook has it." in page
    again = report(cast.other_driver, kind="still there", of=new.ref)
    assert said not in client_of(cast.other_driver).get(f"/reports/{again.id}/").content.decode()
    page = client_of(cast.controller).get("/findings/new/").content.decode()
    assert "Came back after a repair." in page


def test_a_closed_finding_says_that_it_is_watched(cast, closed, client_of):
    finding = closed(1)
    page = client_of(cast.fitter).get(f"/findings/{finding.ref}/").content.decode()
    assert "If it comes back by then, it counts as a repeat." in page
