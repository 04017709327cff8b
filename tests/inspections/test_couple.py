"""What is known of two ends, put to coupling's rules; and the phone's answer to the same question."""

import json
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from functools import partial
from itertools import product

import pytest
from django.conf import settings
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import CouplerEnd, Place, WeatherAlert
from inspections import carried, couple, grading, labels, standing, workflow
from inspections.models import Isolation, Label
from inspections.rules.coupling import LEVELS, told
from inspections.rules.limits import Limits
from tests.phone.conftest import busy  # noqa: F401 - a fixture
from tests.phone.conftest import couple as coupled

pytestmark = pytest.mark.django_db
LEVEL_TRACK = {"apart": Decimal(5), "curve": 0, "gradient": Decimal(0)}


def asked(one="201 A", other="301 B", **more):
    return couple.Asked(one=tuple(one.split()), other=tuple(other.split()), **(LEVEL_TRACK | more))


def find(now, *ends, named=False, **more):
    return couple.find(asked(*ends, **more), now, named=named)


def rules_of(found):
    return {reason.rule for reason in found.answer.reasons}


# ---- facts become an answer


def test_two_sound_ends_join_in_full(railway, now):
    found = find(now)
    assert (found.answer.level, found.answer.once_checked) == ("full", "full")
    assert found.answer.words == ("Joins in full.",)
    assert [side.name for side in found.sides] == ["201 A", "301 B"]
    assert found.sides[0].pattern.code == "P"
    assert not found.train


def test_patterns_that_join_less(railway, now):
    found = find(now, "201 A", "401 B")
    assert found.answer.level == "air"
    assert found.answer.agree == ("control",)


def test_both_pipes_shut_stand(cast, railway, now):
    for kind in ("mrp-cock", "bp-cock"):
        Isolation.objects.create(end=railway.ends["201 A"], kind=kind, by=cast.fitter, since=now)
    assert "train.stand" in rules_of(find(now))


def test_what_nobody_looked_at_is_asked_for_first(railway, now):
    found = find(now, apart=None, curve=None, gradient=None)
    assert (found.answer.level, found.answer.once_checked) == ("no", "full")
    assert {"heights.unknown", "curve.unknown", "gradient.unknown"} <= rules_of(found)
    assert len(found.answer.first) == 3


def test_the_place_tells_its_curve_and_gradient_unless_somebody_looked(railway, now):
    place = railway.places["THO"]
    place.gradient_per_mille = Decimal("12.5")
    there = find(now, place=place, curve=None, gradient=None)
    assert (there.where.curve, there.where.gradient) == (160, Decimal("12.5"))
    assert "curve.tight" in rules_of(there)
    looked = find(now, place=place, curve=0, gradient=Decimal(0))
    assert (looked.where.curve, looked.where.gradient) == (0, 0)
    assert "curve.tight" not in rules_of(looked)


@pytest.mark.parametrize(
    ("apart", "rule", "level"), [("75", "heights.near", "full"), ("110", "heights.over", "no"), ("40", None, "full")]
)
def test_heights_apart(railway, now, apart, rule, level):
    found = find(now, apart=Decimal(apart))
    assert found.answer.level == level
    assert rule is None or rule in rules_of(found)


def test_an_end_that_must_not_be_coupled_and_where_that_comes_from(cast, railway, report, now):
    receipt = report(cast.driver, part="hook", symptom="lock-marks-out", situation="C")
    found = find(now)
    assert found.answer.level == "no"
    (why,) = [one for one in found.answer.reasons if one.rule == "couple.not"]
    spoken = f"{receipt.refs[0][:4]} {receipt.refs[0][4:]}"
    assert (why.about, why.source) == ("201 A", f"report {spoken}")


def test_reasons_of_people_are_for_whoever_may_see_them(cast, railway, now):
    workflow.restrict(
        end=railway.ends["301 B"],
        unit=None,
        limits=Limits(couple="attended"),
        why="Secret",
        by=cast.controller,
        now=now,
    )
    for named, source in ((True, "restriction by control: Secret"), (False, "restriction by control")):
        (why,) = [one for one in find(now, named=named).answer.reasons if one.rule == "couple.attended"]
        assert (why.about, why.source) == ("301 B", source)


def test_the_rest_of_the_unit_moves_but_its_other_end_does_not_couple_here(cast, railway, now):
    workflow.restrict(
        end=railway.ends["201 B"],
        unit=None,
        limits=Limits(couple="not", speed=40),
        why="x",
        by=cast.controller,
        now=now,
    )
    found = find(now)
    assert found.answer.level == "full"
    assert (found.answer.train.couple, found.answer.train.speed) == ("normal", 40)
    assert found.train == ("Not over 40 km/h.",) or any("40" in said for said in found.train)
    workflow.restrict(
        end=railway.ends["201 B"], unit=None, limits=Limits(move="stand"), why="y", by=cast.controller, now=now
    )
    stands = [one for one in find(now).answer.reasons if one.rule == "stand.one"]
    assert [(one.about, one.source) for one in stands] == [("201 A", "restriction by control")]


def test_labels_at_the_end_and_in_the_cabs_count_but_not_those_of_the_other_end(cast, railway, now):
    by = {"by": cast.controller, "now": now, "shows": "x", "restriction": None}
    labels.hang(number="17", end=railway.ends["201 A"], unit=None, **by)
    labels.hang(number="18", end=railway.ends["201 B"], unit=None, **by)
    labels.hang(number="19", end=None, unit=railway.units["301"], **by)
    found = find(now)
    assert [side.labels for side in found.sides] == [("17",), ("19",)]
    labels.take_down(Label.objects.get(number="17"), by=cast.controller, now=now + timedelta(minutes=1))
    assert find(now + timedelta(minutes=1)).sides[0].labels == ()


def test_an_isolation_takes_from_the_joint(cast, railway, now):
    Isolation.objects.create(end=railway.ends["201 A"], kind="mrp-cock", by=cast.fitter, since=now)
    found = find(now)
    assert found.answer.level == "mechanical"
    assert any(
        one.source.startswith("isolation: ") for one in found.answer.reasons if one.rule == "isolation.mrp-cock"
    )


def test_the_worst_weather_of_both_units_the_place_and_who_asks_counts_at_both(cast, railway, report, now):
    assert find(now).weather == "dry"
    assert find(now, weather="wet").weather == "wet"
    assert find(now, weather="no such class").weather == "dry"
    place = railway.places["SAL"]
    WeatherAlert.objects.create(place=place, weather="frost", since=now)
    assert find(now).weather == "dry"
    assert find(now, place=place, weather="wet").weather == "frost or snow"
    report(cast.driver, unit="301", end="B", part="hood", symptom="heater-cold", weather="frost")
    found = find(now)
    assert found.weather == "frost or snow"
    # a fault that matters in frost only, at the end whose own weather is dry
    report(cast.driver, unit="202", end="A", part="hood", symptom="heater-cold")
    assert find(now, "202 A", "201 B").answer.level == "full"
    assert find(now, "202 A", "301 A", weather="frost").answer.level == "no"
    assert find(now, "202 A", "301 A").answer.level == "no", "it meets a unit that stands in frost"


def test_a_unit_not_on_the_list_is_no_and_said_so(railway, now):
    found = find(now, "201 A", "471 A")
    assert found.answer.level == found.answer.once_checked == "no"
    assert found.sides[1].end is None
    assert "Not on our list" in found.sides[1].notes[0]
    assert find(now, "471 A", "472 B").answer.level == "no"


def test_one_unit_cannot_couple_with_itself(railway, now):
    assert "same.unit" in rules_of(find(now, "201 A", "201 B"))
    assert find(now, "201 A", "201 A").answer.level == "no"


def test_what_is_coupled_already_is_said(railway, now):
    coupled(railway, "201 A", "202 B", now - timedelta(hours=1), place="BRK")
    found = find(now, "201 B", "202 B")
    assert "other end is recorded as coupled" in found.sides[0].notes[0]
    assert "This end is recorded as coupled now" in found.sides[1].notes[0]


PLACES = [
    {}, {"place": "THO"}, {"place": "SKJ", "weather": "frost"},
    {"place": "SAL", "weather": "wet", "apart": "60.5"}, {"apart": "5", "curve": "0", "gradient": "12"},
]  # fmt: skip
NAMES = [f"{unit} {letter}" for unit in ("201", "202", "301", "401") for letter in "AB"]
PAIRS = [*product(NAMES, NAMES), ("201 A", "471 B"), ("471 A", "201 B"), ("471 A", "472 A")]


def question(number, pair):
    """The pair's question as the phone takes it and as the server does."""
    where = {"place": "", "apart": "", "curve": "", "gradient": "", "weather": ""} | PLACES[number % len(PLACES)]
    texts = {"one": pair[0].split(), "other": pair[1].split(), **where}
    numbers = {key: Decimal(where[key]) if where[key] else None for key in ("apart", "curve", "gradient")}
    place = Place.objects.filter(code=where["place"]).first()
    return texts, asked(*pair, **numbers, place=place, weather=where["weather"])


@pytest.fixture
def labelled(busy, cast, now):  # noqa: F811
    """Labels on the busy railway, and a gradient recorded."""
    hang = partial(labels.hang, shows="x", restriction=None, by=cast.controller, now=now)
    hang(number="31", end=busy.ends["301 B"], unit=None)
    hang(number="9", end=None, unit=busy.units["202"])
    Place.objects.filter(code="SAL").update(gradient_per_mille=Decimal("33.0"), curve_radius_m=0)
    return busy


@pytest.fixture
def calm(railway, cast, report, now):
    """Most may couple: a label, isolations, one end attended, one that is slow, frost at one place."""
    by = {"by": cast.controller, "now": now}
    labels.hang(number="17", end=railway.ends["301 B"], unit=None, shows="x", restriction=None, **by)
    labels.isolate(kind="electric-head", end=railway.ends["401 A"], unit=None, where="there", key="", **by)
    labels.isolate(kind="mrp-cock", end=railway.ends["202 A"], unit=None, where="there", key="", **by)
    limits = {"202 B": Limits(couple="attended"), "201 B": Limits(speed=40, rescue="no")}
    for end, limit in limits.items():
        workflow.restrict(end=railway.ends[end], unit=None, limits=limit, why="x", **by)
    WeatherAlert.objects.create(place=railway.places["SKJ"], weather="frost", since=now)
    Place.objects.filter(code="SAL").update(gradient_per_mille=Decimal("33.0"), curve_radius_m=0)
    report(cast.driver, unit="301", end="A", part="handle", symptom="handle-stiff")
    return railway


@pytest.fixture
def phone(chromium, db):
    """ask(facts, questions): the phone's answers, on one page."""
    page = chromium.new_page()
    for name in ("rules", "couple", "ask"):
        page.add_script_tag(content=(settings.BASE_DIR / f"static/js/{name}.js").read_text(encoding="utf-8"))
    load = "(text) => { const table = JSON.parse(text); Rules.load(table); Couple.load(table); }"
    page.evaluate(load, json.dumps(grading.published()))

    def ask(facts, questions):
        call = """(text) => {
          const [packed, asked] = JSON.parse(text), facts = Rules.unpack(packed);
          const said = asked.map((one) => Ask.answer(facts, one));
          return JSON.stringify(said.map(({ answer, weather }) => ({ answer, weather })));
        }"""
        return json.loads(page.evaluate(call, json.dumps([facts, questions])))

    yield ask
    page.close()


WORLDS = {
    "calm": {
        "pair.P Q", "couple.attended", "label.fitted", "isolation.electric-head", "isolation.mrp-cock", "rescue.no",
        "category.undesirable", "weather.frost", "curve.tight", "gradient.steep", "heights.near", "heights.unknown",
    },
    "labelled": {"couple.not", "category.intolerable", "isolation.bp-cock", "label.fitted", "stand.one"},
}  # fmt: skip


@pytest.mark.parametrize("world", WORLDS)
def test_the_phone_says_the_same_of_every_pair(request, world, phone, now, monkeypatch):
    request.getfixturevalue(world)
    # The phone knows that people set something, not which of them or why.
    kept = couple.source_name
    monkeypatch.setattr(
        couple,
        "source_name",
        lambda source, named: kept(source, named) if source.kind == "finding" else "what people set",
    )
    questions = [question(number, pair) for number, pair in enumerate(PAIRS)]
    ours = phone(carried.packed(carried.facts(now)), [texts for texts, _ in questions])
    theirs = [couple.find(one, now, named=True) for _, one in questions]
    names = {code: words.name for code, words in grading.ruleset(now).weather_words.items()}
    for (texts, _), mine, found in zip(questions, ours, theirs, strict=True):
        assert mine["answer"] == json.loads(json.dumps(told(found.answer))), texts
        assert names[mine["weather"]] == found.weather, texts
    assert len(questions) > 60
    said = {reason.rule for found in theirs for reason in found.answer.reasons}
    assert WORLDS[world] <= said, said
    if world == "calm":
        assert {found.answer.level for found in theirs} >= {"full", "air", "mechanical", "no"}


@pytest.mark.parametrize("world", WORLDS)
def test_it_does_not_matter_which_is_named_first(request, world, now):
    request.getfixturevalue(world)
    for number, pair in enumerate(PAIRS[:64]):
        _, one = question(number, pair)
        back = replace(one, one=one.other, other=one.one)
        assert couple.find(one, now, named=True).answer == couple.find(back, now, named=True).answer, pair


def test_more_trouble_never_loosens(calm, cast, now):
    before = {pair: find(now, *pair).answer for pair in PAIRS[:64]}
    workflow.restrict(
        end=calm.ends["201 A"], unit=None, limits=Limits(couple="attended"), why="x", by=cast.controller, now=now
    )
    WeatherAlert.objects.create(place=calm.places["BRK"], weather="frost", since=now)
    Isolation.objects.create(end=calm.ends["301 B"], kind="electric-head", by=cast.fitter, since=now)
    for pair, then in before.items():
        after = find(now, *pair, place=calm.places["BRK"]).answer
        assert LEVELS.index(after.level) >= LEVELS.index(then.level), pair
        assert set(then.agree) <= set(after.agree) or after.once_checked == "no", pair


def test_facts_from_before_labels_were_carried_join_nothing(railway, phone, now):
    facts = carried.facts(now)
    for pattern in facts["patterns"].values():
        del pattern["contacts"]
    texts, _ = question(4, ("201 A", "301 B"))
    (one,) = phone(facts, [texts])
    assert one["answer"]["level"] == one["answer"]["once_checked"] == "no"


def test_queries_do_not_grow(cast, railway, report, now):
    find(now)  # the ruleset is read once

    def count():
        with CaptureQueriesContext(
            connection,
        ) as queries:
            find(now, place=railway.places["THO"], named=True)
        return len(queries)

    before = count()
    for n in range(6):
        report(
            cast.driver, unit="201", part="air-lower", symptom="seal-hiss", seen=f"2026-11-24T05:{30 + n}:00+00:00"
        )
        report(cast.driver, unit="301", end="B")
    assert count() <= before + 2, "grade cells are read where there is a finding"
    busier = count()
    for _ in range(6):
        report(cast.driver, unit="201", part="handle", symptom="handle-stiff")
    assert count() == busier
    assert busier < 40


def test_standing_in_a_class_that_holds_at_least(railway, now):
    ends = list(CouplerEnd.objects.filter(unit__number="201").select_related("unit", "pattern"))
    assert {end.weather for end in standing.of_ends(ends, now, at_least="wet").values()} == {"wet"}
    assert {end.weather for end in standing.of_ends(ends, now, at_least="hail").values()} == {"dry"}
