"""Fleet actions: started, done end by end, ended; whether they worked is what the figures say."""

from datetime import timedelta

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet.models import Coupler
from inspections import fleet_actions, log
from inspections.models import Finding, FleetAction, FleetActionItem, LogEntry
from inspections.permissions import Refused
from tests.screens.test_recurring import busy, day_back, seal  # noqa: F401 (fixtures)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def no_figures_of_other_tests():
    cache.clear()
    yield
    cache.clear()


def typed(**changes):
    due = (timezone.localdate() + timedelta(days=30)).isoformat()
    return {"what": "Renew the seals", "why": "Four in a year", "component": "air-connection", "on": "202 B, 201 a",
            "due": due} | changes  # fmt: skip


def test_a_manager_starts_one_on_ends_named_as_people_write_them(cast, railway, client_of):
    answer = client_of(cast.manager).post("/actions/new/", typed(), follow=True)
    assert "The action is started." in answer.content.decode()
    action = FleetAction.objects.get()
    assert {str(item.end) for item in action.items.all()} == {"202 B", "201 A"}
    assert LogEntry.objects.filter(subject=f"fleet-action:{action.pk}", kind="fleet action started").count() == 1
    assert log.first_break() is None


def test_a_second_press_starts_none(cast, railway, client_of):
    client = client_of(cast.manager)
    for _ in range(2):
        client.post("/actions/new/", typed())
    assert FleetAction.objects.count() == 1
    client.post("/actions/new/", typed(on="202 A"))
    assert FleetAction.objects.count() == 2


def test_a_coupler_is_named_by_its_serial(cast, railway, client_of):
    pattern = railway.ends["202 B"].pattern
    coupler = Coupler.objects.create(serial="P-0147", pattern=pattern)
    client_of(cast.manager).post("/actions/new/", typed(on="p-0147\n202 B"))
    assert {str(item.end or item.coupler) for item in FleetActionItem.objects.all()} == {str(coupler), "202 B"}


WRONG = [({"on": "999 A"}, "“999 A” is no end"), ({"on": " , "}, "Name at least one end"), ({"what": ""}, "Say what"),
         ({"why": " "}, "Say why"), ({"component": "wheels"}, "choose one"), ({"due": "soon"}, "no date"),
         ({"on": "<script>"}, "&lt;script&gt;")]  # fmt: skip


@pytest.mark.parametrize(("changes", "said"), WRONG)
def test_what_is_wrong_is_named_and_nothing_is_started(cast, railway, client_of, changes, said):
    answer = client_of(cast.manager).post("/actions/new/", typed(**changes))
    assert answer.status_code == 422
    assert said.lower() in answer.content.decode().lower()
    assert not FleetAction.objects.exists()


@pytest.fixture
def action(cast, railway, now):
    return fleet_actions.start(
        what="Renew the seals", why="x", component="air-connection", on="202 B, 201 A",
        due=now.date() + timedelta(days=30), by=cast.manager, now=now - timedelta(days=200),
    )  # fmt: skip


def test_a_fitter_says_where_it_is_done_once(action, cast, client_of):
    item = action.items.first()
    client = client_of(cast.fitter)
    assert "recorded as done" in client.post(f"/actions/items/{item.pk}/done/", follow=True).content.decode()
    assert "recorded as done already" in client.post(f"/actions/items/{item.pk}/done/", follow=True).content.decode()
    assert LogEntry.objects.filter(kind="fleet action done").count() == 1


def test_after_its_end_nothing_is_done_on_it(action, cast, client_of):
    client = client_of(cast.manager)
    assert client.post(f"/actions/{action.pk}/end/", {"why": ""}).status_code == 422
    client.post(f"/actions/{action.pk}/end/", {"why": "Stopped: no rings left"})
    again = client.post(f"/actions/{action.pk}/end/", {"why": "Twice"}, follow=True)
    assert "ended already" in again.content.decode()
    action.refresh_from_db()
    assert action.ended_why == "Stopped: no rings left"
    with pytest.raises(Refused):
        fleet_actions.do(action.items.first(), by=cast.fitter, now=timezone.now())


@pytest.mark.parametrize("who", ["driver", "fitter", "controller"])
def test_others_start_and_end_none(action, cast, who, now):
    person = getattr(cast, who)
    with pytest.raises(Refused):
        fleet_actions.start(what="x", why="x", component="x", on="202 B", due=now.date(), by=person, now=now)
    with pytest.raises(Refused):
        fleet_actions.end(action, why="x", by=person, now=now)


def test_whether_it_worked_is_an_exact_test_with_its_warning(busy, cast, railway, client_of):  # noqa: F811
    """Done 170 days ago at 202 B; of its monthly faults, those after are taken away."""
    done = day_back(170)
    action = fleet_actions.start(
        what="Renew the seals", why="x", component="air-connection", on="202 B", due=timezone.localdate(),
        by=cast.manager, now=done,
    )  # fmt: skip
    fleet_actions.do(action.items.get(), by=cast.fitter, now=done)
    Finding.objects.filter(end=railway.ends["202 B"], first_seen__gt=done).update(state="withdrawn")
    page = client_of(cast.manager).get(f"/actions/{action.pk}/").content.decode()
    assert "faults before, 0 after, at 1 end: 0 times the rate before" in page
    assert "beyond chance" in page
    assert "would have come down anyway" in page
    assert "0 after" in client_of(cast.controller).get("/actions/").content.decode()


def test_the_list_asks_as_often_for_many(action, cast, railway, client_of, now):

    client = client_of(cast.manager)
    client.get("/actions/")
    counts = []
    for more in (1, 20):
        for n in range(more):
            FleetAction.objects.create(
                what=f"x {more} {n}",
                why="y",
                component="air-connection",
                by=cast.manager,
                started=now,
                due=now.date(),
            )
        with CaptureQueriesContext(connection) as found:
            client.get("/actions/")
        counts.append(len(found))
    assert counts[0] == counts[1]
