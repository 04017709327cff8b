"""What an end may do now: derived, joined, in a fixed number of queries."""

from datetime import timedelta

import pytest

from fleet.models import Coupling, CouplingSide, WeatherAlert
from inspections import standing, workflow
from inspections.models import Finding
from inspections.rules.limits import Limits, tighter_or_equal
from tests.conftest import uuid_of


def of(end, at):
    return standing.of_ends([end], at)[end.pk]


def couple(railway, one, other, at, place="SKJ", parted=None):
    coupling = Coupling.objects.create(
        uuid=uuid_of("coupling", at),
        at=at,
        parted=parted,
        place=railway.places[place],
        source="test",
        source_ref=str(at),
        received=at,
    )
    for end in (one, other):
        CouplingSide.objects.create(coupling=coupling, end=railway.ends[end], at=at)


def test_nothing_known_is_no_limit(railway, now):
    here = of(railway.ends["201 A"], now)
    assert (here.now, here.weather, here.current.limits, here.current.sources) == ("U", "dry", Limits(), ())


def test_a_finding_limits_its_end_and_not_the_other(cast, railway, report, now):
    report(cast.driver, symptom="seal-torn")
    a, b = of(railway.ends["201 A"], now), of(railway.ends["201 B"], now)
    assert a.situations["C"].limits.couple == "not"
    assert a.situations["C"].sources[0].name == Finding.objects.get().ref
    assert b.situations["C"].limits == Limits()


def test_end_not_known_counts_at_both(cast, railway, report, now):
    report(cast.driver, end="?")
    for letter in "AB":
        assert of(railway.ends[f"201 {letter}"], now).situations["C"].limits.couple == "not"


def test_a_closed_finding_limits_nothing(cast, railway, report, now):
    report(cast.driver)
    Finding.objects.update(state="closed", closed=now)
    assert of(railway.ends["201 A"], now).situations["C"].limits == Limits()


def test_a_restriction_joins_in_every_situation_until_it_is_lifted(cast, railway, report, now):
    report(cast.driver)
    end = railway.ends["201 A"]
    before = of(end, now)
    made = workflow.restrict(
        end=end, unit=None, limits=Limits(move="to depot"), why="until seen", by=cast.controller, now=now
    )
    after = of(end, now)
    for situation in "UCR":
        assert after.situations[situation].limits.move == "to depot"
        assert tighter_or_equal(after.situations[situation].limits, before.situations[situation].limits)
    workflow.lift(made, by=cast.controller, now=now + timedelta(minutes=1), why="examined")
    assert of(end, now + timedelta(minutes=1)).situations["U"].limits == before.situations["U"].limits


def test_a_restriction_on_the_unit_is_on_both_ends(cast, railway, now):
    workflow.restrict(
        end=None, unit=railway.units["201"], limits=Limits(passengers="no"), why="x", by=cast.controller, now=now
    )
    assert {of(railway.ends[f"201 {letter}"], now).current.limits.passengers for letter in "AB"} == {"no"}
    assert standing.of_units([railway.units["201"]], now)[railway.units["201"].pk].limits.passengers == "no"


def test_situation_now_is_the_latest_of_look_and_coupling(cast, railway, report, now):
    end = railway.ends["201 A"]
    report(cast.driver, situation="C")
    assert of(end, now).now == "C"
    couple(railway, "201 A", "301 B", now + timedelta(minutes=10))
    assert of(end, now + timedelta(hours=1)).now == "R"
    Coupling.objects.update(parted=now + timedelta(hours=2))
    assert of(end, now + timedelta(hours=1)).now == "R"
    assert of(end, now + timedelta(hours=3)).now == "U"


@pytest.mark.parametrize(("hours", "weather"), [(-1, "dry"), (1, "frost"), (9, "dry")])
def test_weather_is_what_is_alerted_where_the_unit_is(railway, now, hours, weather):
    couple(railway, "201 A", "301 B", now - timedelta(hours=3), place="SAL", parted=now - timedelta(hours=2))
    WeatherAlert.objects.create(
        place=railway.places["SAL"], weather="frost", since=now, until=now + timedelta(hours=8)
    )
    assert of(railway.ends["201 A"], now + timedelta(hours=hours)).weather == weather
    assert of(railway.ends["202 A"], now + timedelta(hours=hours)).weather == "dry"


@pytest.mark.parametrize(("hours", "weather"), [(11, "wet"), (13, "dry")])
def test_weather_seen_by_a_report_lasts_twelve_hours(cast, railway, report, now, hours, weather):
    report(cast.driver, seen=now.isoformat(), weather="wet")
    assert of(railway.ends["201 B"], now + timedelta(hours=hours)).weather == weather


def test_frost_chooses_another_cell(cast, railway, report, now):
    report(cast.driver, part="air-upper", symptom="seal-torn")
    couple(railway, "201 A", "301 B", now, place="SAL", parted=now)
    dry = of(railway.ends["201 A"], now)
    WeatherAlert.objects.create(place=railway.places["SAL"], weather="frost", since=now)
    frost = of(railway.ends["201 A"], now)
    assert (dry.weather, frost.weather) == ("dry", "frost")
    assert all(tighter_or_equal(frost.situations[s].limits, dry.situations[s].limits) for s in "UCR")


def test_same_number_of_queries_for_one_end_and_for_all(cast, railway, report, now, django_assert_num_queries):
    for number in ("201", "202", "301", "401"):
        for end in "AB":
            report(cast.driver, unit=number, end=end)
            report(cast.driver, unit=number, end=end, part="hook", symptom="")
    couple(railway, "201 A", "301 B", now)
    ends = list(type(railway.ends["201 A"]).objects.select_related("unit", "pattern"))
    with django_assert_num_queries(10):
        standing.of_ends(ends[:1], now)
    with django_assert_num_queries(10):
        standing.of_ends(ends, now)


def test_reading_writes_nothing(cast, railway, report, now, django_assert_num_queries):
    report(cast.driver)
    couple(railway, "201 A", "301 B", now)
    with django_assert_num_queries(12) as captured:
        standing.of_units(list(railway.units.values()), now)
    assert all(query["sql"].lstrip().upper().startswith("SELECT") for query in captured)


def test_a_weather_class_the_grade_does_not_know_loosens_nothing(cast, railway, report, now, monkeypatch):
    report(cast.driver)
    end = railway.ends["201 A"]
    before = of(end, now)
    monkeypatch.setattr(standing, "weather_of", lambda ends, *_: {end.pk: "flood" for end in ends})
    after = of(end, now)
    for situation in "UCR":
        assert tighter_or_equal(after.situations[situation].limits, before.situations[situation].limits)
    assert after.situations["C"].limits.couple == "not"
