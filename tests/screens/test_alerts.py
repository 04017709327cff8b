"""Weather alerts and hoods: entered, ended, called off, refused in words; what stands exposed, who confirmed it."""

from datetime import UTC, datetime, timedelta
from threading import Barrier, Thread

import pytest
from django.db import connection, connections
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet.models import CouplerPattern, WeatherAlert
from inspections import alerts, grading, hoods, labels, log, standing
from inspections.models import Isolation, LogEntry
from inspections.permissions import Refused
from tests.screens.desk import ESCAPED, HOSTILE, copies, finding_of

pytestmark = pytest.mark.django_db
PAGE, HOODS = "/alerts/", "/alerts/hoods/"


def enter(cast, railway, now, *codes, weather="frost", since=None, until=None, by=None):
    return alerts.enter(
        places=[railway.places[code] for code in codes or ("SAL",)],
        weather=weather,
        since=since or now,
        until=until,
        by=by or cast.controller,
        now=now,
    )


def page_of(client, address=PAGE):
    answer = client.get(address)
    assert answer.status_code == 200
    return answer.content.decode()


# ---- entering and ending


def test_an_alert_at_two_places_is_logged_for_each(cast, railway, now):
    until = now + timedelta(hours=9)
    made = enter(cast, railway, now, "SAL", "THO", until=until)
    assert [(a.place.code, a.weather, a.until) for a in made] == [("SAL", "frost", until), ("THO", "frost", until)]
    entries = LogEntry.objects.filter(kind="weather alerted").order_by("seq")
    assert [entry.subject for entry in entries] == ["place:SAL", "place:THO"]
    assert entries[0].actor == cast.controller
    assert entries[0].data["weather"] == "frost"


def test_standing_reacts_at_once(cast, railway, report, now):
    report(cast.driver, part="hood", symptom="heater-cold", place="SAL", seen="2026-11-24T05:48:00+00:00")
    end = railway.ends["201 A"]

    def couple(at):
        return standing.of_ends([end], at)[end.pk].situations["U"].limits.couple

    assert couple(now) == "normal"
    (alert,) = enter(cast, railway, now)
    assert couple(now) == "not"
    alerts.end(alert, by=cast.controller, now=now + timedelta(hours=1))
    assert couple(now + timedelta(hours=1)) == "normal"
    assert couple(now + timedelta(minutes=30)) == "not", "as it was"


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"weather": "hail"}, "know no weather class"),
        ({"weather": "dry"}, "know no weather class"),
        ({"until": timedelta(0)}, "end before it began"),
        ({"until": timedelta(hours=-1)}, "end before it began"),
        ({"since": timedelta(days=-8)}, "more than seven days ago"),
        ({"since": timedelta(days=15)}, "more than 14 days"),
        ({"by": "manager"}, "Your role"),
        ({"by": "driver"}, "Your role"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_words(cast, railway, now, change, sentence):
    told = {key: now + value if isinstance(value, timedelta) else value for key, value in change.items()}
    told |= {"by": getattr(cast, told["by"])} if "by" in told else {}
    with pytest.raises(Refused, match=sentence):
        enter(cast, railway, now, **told)
    with pytest.raises(Refused, match="at least one place"):
        alerts.enter(places=[], weather="wet", since=now, until=None, by=cast.controller, now=now)
    assert not WeatherAlert.objects.exists()
    assert not LogEntry.objects.exists()


OVERLAPS = [
    (0, None, 5, None, True), (0, 4, 4, 8, False), (0, 4, 3, 8, True), (4, 8, 0, 4, False), (4, 8, 0, 5, True),
    (4, 8, 5, 6, True), (5, 6, 4, 8, True), (4, None, 0, None, True), (4, None, 0, 4, False),
]  # fmt: skip


@pytest.mark.parametrize(("since", "until", "then_since", "then_until", "clash"), OVERLAPS)
def test_the_same_weather_never_overlaps_at_one_place(
    cast, railway, now, since, until, then_since, then_until, clash
):
    def hours(number):
        return None if number is None else now + timedelta(hours=number)

    enter(cast, railway, now, since=hours(since), until=hours(until))
    then = {"since": hours(then_since), "until": hours(then_until)}
    enter(cast, railway, now, "THO", **then)
    enter(cast, railway, now, weather="wet", **then)
    if not clash:
        enter(cast, railway, now, **then)
        return
    with pytest.raises(Refused, match="Frost or snow is alerted at Saltmarsh already"):
        enter(cast, railway, now, "ELM", "SAL", **then)
    assert not WeatherAlert.objects.filter(place=railway.places["ELM"]).exists(), "all or none"


def test_the_same_again_changes_nothing(cast, railway, now):
    first = enter(cast, railway, now, "SAL", "THO")
    entries = LogEntry.objects.count()
    assert {a.pk for a in enter(cast, railway, now, "THO", "SAL")} == {a.pk for a in first}
    assert LogEntry.objects.count() == entries


def test_an_alert_is_ended_once(cast, railway, now):
    (alert,) = enter(cast, railway, now)
    ended = alerts.end(alert, by=cast.other_controller, now=now + timedelta(hours=2))
    assert ended.until == now + timedelta(hours=2)
    with pytest.raises(Refused, match="ended 08:00 today already"):
        alerts.end(alert, by=cast.controller, now=now + timedelta(hours=3))
    with pytest.raises(Refused, match="Your role"):
        alerts.end(alert, by=cast.fitter, now=now)
    assert [e.kind for e in LogEntry.objects.order_by("seq")] == ["weather alerted", "weather alert ended"]


def test_one_that_has_not_begun_is_called_off_and_stays_in_the_log(cast, railway, now):
    (alert,) = enter(cast, railway, now, since=now + timedelta(hours=5))
    assert alerts.end(alert, by=cast.controller, now=now) is None
    assert not WeatherAlert.objects.exists()
    last = LogEntry.objects.order_by("-seq").first()
    assert (last.kind, last.data["weather"]) == ("weather alert called off", "frost")
    with pytest.raises(Refused, match="called off already"):
        alerts.end(alert, by=cast.controller, now=now)


def test_two_controllers_at_once_enter_one(transactional_db, cast, railway, now):
    start, outcomes = Barrier(2), []

    def go(by, minute):
        start.wait()
        try:
            enter(cast, railway, now, since=now + timedelta(minutes=minute), by=by)
            outcomes.append("entered")
        except Refused:
            outcomes.append("refused")
        finally:
            connections.close_all()

    threads = [Thread(target=go, args=pair) for pair in ((cast.controller, 1), (cast.other_controller, 2))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(outcomes) == ["entered", "refused"]
    assert log.first_break() is None


# ---- the page


def posted(**changes):
    return {"places": ["SAL"], "weather": "frost", "since": "", "until": "", **changes}


def test_nothing_alerted_says_so(cast, railway, client_of):
    page = page_of(client_of(cast.controller))
    assert "No weather is alerted. Checked at " in page
    assert page.count('class="primary"') == 1
    assert "Dry" not in page


def test_control_enters_and_ends_an_alert(cast, railway, client_of):
    client = client_of(cast.controller)
    answer = client.post(PAGE, posted(places=["SAL", "THO"]), follow=True)
    page = answer.content.decode()
    assert "Frost or snow is alerted at Saltmarsh and Thornhope. Tell whom it concerns." in page
    assert "<h3>Frost or snow: Saltmarsh</h3>" in page
    alert = WeatherAlert.objects.get(place=railway.places["SAL"])
    page = client.post(f"/alerts/{alert.pk}/end/", follow=True).content.decode()
    assert "The alert at Saltmarsh is ended." in page
    page = client.post(f"/alerts/{alert.pk}/end/", follow=True).content.decode()
    assert "already." in page
    assert client.post("/alerts/99999/end/").status_code == 404


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"places": []}, "Choose at least one place"),
        ({"places": ["XXX"]}, "Choose places from the list"),
        ({"weather": "hail"}, "Choose one of the classes shown"),
        ({"weather": ""}, "Choose the weather"),
        ({"since": "soon"}, "Enter a date and time"),
        ({"since": "2026-03-29T01:30"}, "the clocks go forward over it"),
        ({"until": "2020-01-01T10:00"}, "end before it began"),
    ],
)
def test_a_refused_entry_names_its_field_and_keeps_what_was_typed(cast, railway, client_of, changes, sentence):
    answer = client_of(cast.controller).post(PAGE, posted(**changes))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert sentence in page
    assert "<title>Problem: " in page
    assert not WeatherAlert.objects.exists()


def test_a_time_that_comes_twice_makes_the_longer_alert(cast, railway, client_of, monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: datetime(2026, 10, 24, 12, tzinfo=UTC))
    client = client_of(cast.controller)
    client.force_login(cast.controller)
    client.post(PAGE, posted(since="2026-10-25T01:30", until="2026-10-25T01:30"))
    (alert,) = WeatherAlert.objects.all()
    assert alert.since == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert alert.until == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)


def test_one_to_come_stands_apart(cast, railway, client_of):
    now = timezone.now()
    enter(cast, railway, now, since=now + timedelta(hours=5))
    client = client_of(cast.controller)
    page = page_of(client)
    assert "<h2>To come</h2>" in page
    assert "Call it off" in page
    page = client.post(f"/alerts/{WeatherAlert.objects.get().pk}/end/", follow=True).content.decode()
    assert "is called off" in page


@pytest.mark.parametrize(
    ("who", "get", "post"),
    [("controller", 200, 302), ("manager", 200, 403), ("driver", 403, 403), ("fitter", 403, 403)],
)
def test_who_may_read_and_enter(cast, railway, client_of, who, get, post):
    client = client_of(getattr(cast, who))
    assert client.get(PAGE).status_code == get
    assert client.post(PAGE, posted()).status_code == post
    assert WeatherAlert.objects.exists() is (post == 302)


# ---- hoods


@pytest.fixture
def exposed(cast, railway, report, now):
    """A cover that stays open at Saltmarsh, where frost is alerted."""
    finding = finding_of(report(cast.driver, part="cover", symptom="cover-open", place="SAL"))
    enter(cast, railway, now)
    return finding


def ends(now):
    return [(str(one.end), one.confirmed is not None) for one in hoods.exposed(now)]


def test_an_uncoupled_end_with_a_cover_fault_is_asked_for_a_hood(cast, exposed, now):
    (one,) = hoods.exposed(now)
    assert (str(one.end), one.place.code, one.by_pattern) == ("201 A", "SAL", False)
    assert [line.finding for line in one.lines] == [exposed]


@pytest.mark.parametrize(
    ("part", "symptom", "asked"),
    [("hood", "heater-cold", True), ("contacts", "pin-bent", True), ("air-upper", "seal-torn", False)],
)
def test_which_faults_expose_an_end(cast, railway, report, now, part, symptom, asked):
    report(cast.driver, part=part, symptom=symptom, place="SAL")
    enter(cast, railway, now)
    assert bool(hoods.exposed(now)) is asked


def test_elsewhere_coupled_or_over_it_is_not_asked(cast, railway, report, exposed, now):
    assert ends(now)
    report(cast.driver, part="cover", symptom="cover-open", unit="202", place="ELM")
    report(cast.driver, part="cover", symptom="cover-open", unit="301", place="SAL", situation="R")
    assert [end for end, _ in ends(now)] == ["201 A"]
    alerts.end(WeatherAlert.objects.get(), by=cast.controller, now=now + timedelta(hours=1))
    assert ends(now + timedelta(hours=1)) == []


def test_it_is_asked_before_the_weather_comes(cast, railway, report, now):
    report(cast.driver, part="cover", symptom="cover-open", place="SAL")
    enter(cast, railway, now, since=now + timedelta(hours=11))
    assert [end for end, _ in ends(now)] == ["201 A"]
    WeatherAlert.objects.update(since=now + timedelta(hours=13))
    assert ends(now) == []


def test_an_end_that_is_not_known_asks_for_both(cast, railway, report, now):
    report(cast.driver, part="cover", symptom="cover-open", end="?", place="SAL")
    enter(cast, railway, now)
    assert [end for end, _ in ends(now)] == ["201 A", "201 B"]


def test_contacts_that_nothing_covers_are_exposed_by_their_pattern(cast, railway, report, now):
    report(cast.driver, place="SAL")
    enter(cast, railway, now)
    assert hoods.exposed(now) == []
    pattern = CouplerPattern.objects.get(code="P")
    pattern.parts = [part for part in pattern.parts if part["slot"] != "cover"]
    pattern.save()
    found = hoods.exposed(now)
    assert [str(one.end) for one in found] == ["201 A", "201 B"]
    assert all(one.by_pattern and not one.lines for one in found)


def test_a_hood_is_confirmed_once_and_taken_off(cast, exposed, client_of, now):
    client = client_of(cast.fitter)
    WeatherAlert.objects.update(until=None)
    pk = exposed.end_id
    page = client.post(f"{HOODS}{pk}/confirm/", {"done": "Hood on, by the driver"}, follow=True).content.decode()
    assert "201 A: the hood is confirmed." in page
    assert "<h2>Confirmed</h2>" in page
    assert "No hood is missing" in page
    row = Isolation.objects.get()
    assert (row.kind, row.end_id, row.by, row.where) == (hoods.HOOD, pk, cast.fitter, "Hood on, by the driver")
    assert LogEntry.objects.order_by("-seq").first().kind == "isolated"
    page = client.post(f"{HOODS}{pk}/confirm/", {"done": "again"}, follow=True).content.decode()
    assert "it is confirmed already" in page
    assert Isolation.objects.count() == 1
    labels.restore(row, by=cast.fitter, now=timezone.now())
    assert "<h2>Confirmed</h2>" not in page_of(client, HOODS)


def test_an_isolation_of_the_whole_unit_confirms_too(cast, railway, exposed, now):
    labels.isolate(
        kind=hoods.HOOD, end=None, unit=railway.units["201"], where="both hoods", key="", by=cast.fitter, now=now
    )
    assert ends(now) == [("201 A", True)]


def test_a_confirmation_without_words_is_refused(cast, exposed, client_of):
    answer = client_of(cast.controller).post(f"{HOODS}{exposed.end_id}/confirm/", {"done": " "})
    assert answer.status_code == 422
    assert "Say what was done, and by whom" in answer.content.decode()
    assert not Isolation.objects.exists()


def test_hoods_not_confirmed_stand_on_both_pages(cast, exposed, client_of):
    client = client_of(cast.controller)
    assert "1 of 1 exposed end without a hood confirmed" in page_of(client)
    page = page_of(client, HOODS)
    assert "<h3>201, A end: Saltmarsh</h3>" in page
    assert exposed.spoken_ref in page
    assert page.count('class="primary"') == 1
    assert page_of(client_of(cast.fitter), HOODS).count('class="primary"') == 1
    assert "Confirm it" not in page_of(client_of(cast.manager), HOODS)


def test_what_was_typed_is_shown_as_text(cast, railway, exposed, client_of):
    client = client_of(cast.fitter)
    client.post(f"{HOODS}{exposed.end_id}/confirm/", {"done": HOSTILE})
    page = page_of(client, HOODS)
    assert ESCAPED in page
    assert HOSTILE not in page


@pytest.mark.parametrize("address", [PAGE, HOODS])
def test_the_number_of_queries_does_not_grow(cast, railway, exposed, client_of, address, now):
    client = client_of(cast.controller)
    page_of(client, address)
    counts = []
    for more in (4, 195):
        copies(exposed, more)
        with CaptureQueriesContext(connection) as found:
            page_of(client, address)
        counts.append(len(found))
        type(exposed).objects.exclude(pk=exposed.pk).delete()
    assert counts[0] == counts[1]
    print(f"queries: {address} {counts[0]}")


def test_the_shipped_ruleset_knows_hoods_and_what_keeps_weather_out(cast):
    rules = grading.ruleset()
    assert hoods.HOOD in rules.isolations
    assert hoods.WEATHER_PART in {component.function for component in rules.components.values()}
