"""The facts the phone carries: what is in them, what is not, what they cost; and that standing comes out alike."""

import gzip
import json
import random
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import CouplerEnd, Unit, WeatherAlert
from inspections import carried, grading, intake, standing, workflow
from inspections.models import Finding
from inspections.rules.limits import DIALS, Limits
from tests.conftest import body

ENDS = """(facts) => {
  const whole = Rules.unpack(facts);
  const at = (unit, letter) => Rules.end({facts: whole, unit, letter, faults: [], weather: ""});
  return Object.fromEntries(Object.entries(whole.units).map(([number, unit]) =>
    [number, Object.fromEntries(Object.keys(unit.ends).map((letter) => [letter, at(number, letter)]))]));
}"""


def named(limits):
    return {dial: getattr(limits, dial) for dial in DIALS} | {
        "speed": limits.speed,
        "isolations": sorted(limits.isolations),
    }


def said(known):
    """The server's standing of an end as the phone's look-up gives it."""
    return {
        "weather": known.weather,
        "now": known.now,
        "situations": {
            code: {"category": at.category, "limits": named(at.limits), "words": list(at.words)}
            for code, at in known.situations.items()
        },
    }


def standings(now):
    ends = CouplerEnd.objects.filter(unit__isnull=False).select_related("unit", "pattern")
    return {(end.unit.number, end.letter): said(known) for end, known in with_end(ends, now)}


def with_end(ends, now):
    known = standing.of_ends(list(ends), now)
    return [(end, known[end.pk]) for end in ends]


def shorter(answer):
    return {name: answer[name] for name in ("weather", "now", "situations")}


def phone_says(rules_page, now):
    facts = carried.packed(carried.facts(now))
    return {(n, letter): end for n, ends in rules_page(ENDS, facts).items() for letter, end in ends.items()}


def test_every_end_stands_on_the_phone_as_on_the_server(busy, rules_page, now):
    theirs, ours = standings(now), phone_says(rules_page, now)
    assert {key: shorter(answer) for key, answer in ours.items()} == theirs
    # not a railway on which nothing is said
    words = [line for end in theirs.values() for at in end["situations"].values() for line in at["words"]]
    assert len(set(words)) >= 10
    assert {end["weather"] for end in theirs.values()} == {"dry", "wet", "frost"}
    assert {end["now"] for end in theirs.values()} == {"U", "C", "R"}
    conflict = grading.ruleset(now).conflicts["stay-or-split"].words
    assert conflict in theirs["202", "B"]["situations"]["C"]["words"]


def test_every_open_finding_has_its_grade_on_the_phone(busy, rules_page, now):
    graded = {
        ref: worst for answer in phone_says(rules_page, now).values() for ref, worst in answer["findings"].items()
    }
    assert graded == dict(Finding.objects.open().values_list("ref", "worst"))
    assert set(graded.values()) == {0, 1, 2, 3}


@pytest.mark.parametrize("seconds", [0, 31])
def test_what_is_unpacked_is_what_was_packed(busy, rules_page, now, seconds):
    busy.fault("301", "A", "face", "", seen=(now + timedelta(minutes=7)).isoformat())  # by a clock that is ahead
    facts = carried.facts(now + timedelta(seconds=seconds))
    assert facts["at"] == f"2026-11-24T06:00:{seconds:02}Z"
    assert rules_page("(facts) => Rules.unpack(facts)", carried.packed(facts)) == json.loads(json.dumps(facts))
    assert rules_page("(facts) => Rules.unpack(facts)", facts) == json.loads(json.dumps(facts))
    assert rules_page("() => Rules.unpack(undefined)") is None


def test_numbers_with_gaps_letters_and_noughts_unpack(railway, rules_page, now):
    kind = railway.types["2V"]
    for number in ("0099", "0100", "203", "205", "9", "10", "X7", "X8", "202B"):
        Unit.objects.create(number=number, type=kind)
    CouplerEnd.objects.filter(vehicle="401B").update(unit=None, letter="")
    facts = carried.facts(now)
    assert len(facts["units"]) == 13
    assert rules_page("(facts) => Rules.unpack(facts)", carried.packed(facts)) == json.loads(json.dumps(facts))


def test_an_empty_railway_has_facts(db, rules_page, now):
    facts = carried.facts(now)
    assert (facts["units"], facts["places"], facts["patterns"]) == ({}, [], {})
    assert rules_page("(facts) => Rules.unpack(facts)", carried.packed(facts)) == facts
    alone = {"facts": facts, "unit": "471", "letter": "?", "faults": [{"part": "air-upper", "symptom": "seal-torn"}]}
    answer = rules_page("(asked) => Rules.end(asked)", alone)
    assert answer["worst"] == 2
    assert "Do not couple at this end." in answer["situations"]["C"]["words"]


# ---- with what is being reported


def preview(cast, now, data):
    """What the server would say of it: worst, and the standing of every end."""
    found = intake.preview(raw=json.dumps(data).encode(), submitted_by=cast.driver, received=now)
    return found.worst, {known.end.letter: said(known) for known in found.ends}


def reported(facts, data):
    """The faults of a body as the phone's own script would put them to its look-up."""
    ends = facts["units"][data["unit"]]["ends"]
    seen_in = {end["end"]: end["situation"] for end in data["ends"]}
    for fault in data["faults"]:
        times = ends.get(fault["end"], {}).get("back", {}).get(fault["part"])
        told = {"seen-in": seen_in[fault["end"]]}
        told |= {"repeats": str(times)} if times else {}
        curved = [row for row in facts["places"] if row[0] == data.get("place") and row[2:3] == [1]]
        told |= {"curve": "yes"} if curved else {}
        yield {**fault, "facts": {**told, **fault.get("facts", {})}}


REPORTS = {
    "one": ([("A", "U")], [("A", "air-upper", "seal-torn")], {}),
    "hissing in the wet": ([("B", "R")], [("B", "air-upper", "seal-hiss")], {"weather": "wet"}),
    "two, end not known": (
        [("?", "C")],
        [("?", "contacts", "block-wet"), ("?", "cover", "cover-open")],
        {"place": "SAL"},
    ),
    "both ends, curve and frost": (
        [("A", "C"), ("B", "U")],
        [("A", "hook", "hook-marks"), ("B", "handle", "handle-stiff")],
        {"place": "THO"},
    ),
    "anything, and not known": (
        [("A", "R"), ("?", "U")],
        [("A", "other", ""), ("?", "air-lower", "seal-torn")],
        {"weather": "frost"},
    ),
}


def new_report(cast, unit, ends, faults, more):
    """A body with these ends and faults."""
    data = body(cast.driver, key="new", unit=unit, **more)
    data["ends"] = [{"end": letter, "situation": situation} for letter, situation in ends]
    rows = [dict(zip(("end", "part", "symptom"), row, strict=True)) for row in faults]
    data["faults"] = [{"id": f"{data['faults'][0]['id'][:-2]}{n:02}", **row} for n, row in enumerate(rows)]
    return data


@pytest.mark.parametrize("name", REPORTS)
def test_with_a_new_report_the_phone_says_what_the_server_would(cast, busy, rules_page, now, name):
    facts, other_weather = carried.facts(now), 0
    for unit in facts["units"]:
        data = new_report(cast, unit, *REPORTS[name])
        worst, theirs = preview(cast, now, data)
        asked = {"facts": facts, "unit": unit, "faults": list(reported(facts, data))}
        asked |= {word: data.get(word, "") for word in ("weather", "place")}
        ours = {letter: rules_page("(asked) => Rules.end(asked)", asked | {"letter": letter}) for letter in theirs}
        for letter, answer in ours.items():
            if answer["weather"] == theirs[letter]["weather"]:
                assert answer["situations"] == theirs[letter]["situations"], (unit, letter)
            else:
                # The server takes the report's place for where the unit is now; the phone keeps what is alerted
                # where it was: never the milder weather.
                assert data.get("place")
                assert (answer["weather"], theirs[letter]["weather"]) in {("frost", "dry"), ("wet", "dry")}
                other_weather += 1
        assert max(a["worst"] for a in ours.values() if a["worst"] is not None) == worst
    assert other_weather <= 3


def test_the_worse_of_both_ends_is_asked_for_with_a_question_mark(busy, rules_page, now):
    facts = carried.facts(now)
    ends = {
        x: rules_page("(a) => Rules.end(a)", {"facts": facts, "unit": "202", "letter": x}) for x in ("A", "B", "?")
    }
    for code, at in ends["?"]["situations"].items():
        pair = [ends[letter]["situations"][code] for letter in "AB"]
        assert at["category"] == max(each["category"] for each in pair)
        assert rules_page("(a, b) => Rules.join(a, b)", *(each["limits"] for each in pair)) == at["limits"]


def test_a_word_the_table_does_not_know_counts_as_the_worst(busy, rules_page, now):
    def worst_of(found):
        asked = {"facts": facts, "unit": "202", "letter": "A"}
        return rules_page("(asked) => Rules.end(asked)", asked)["findings"][found["ref"]]

    facts = carried.facts(now)
    (found,) = [row for row in facts["units"]["202"]["open"] if row.get("mode") == "grease-gone"]
    assert worst_of(found) == 1
    found["known"] |= {"modes": ["a mode of tomorrow"], "facts": {"seen-in": ["Z"], "a fact of tomorrow": ["yes"]}}
    assert worst_of(found) == 3


def test_words_of_limits_are_the_servers(rules_page):
    said_alone = rules_page("(limits, s) => Rules.words(limits, s)", {"couple": "not", "speed": 40}, "U")
    assert said_alone == ["Do not couple at this end.", "Not faster than 40 km/h."]
    assert rules_page("(limits, s) => Rules.words(limits, s)", {}, "C") == []


# ---- what is in them


def test_nothing_of_people_is_in_the_facts(cast, busy, now):
    Unit.objects.filter(number="201").update(home=busy.places["BRK"])
    text = json.dumps(carried.facts(now))
    for person in vars(cast).values():
        assert person.get_username() not in text
        assert person.get_full_name() not in text
    assert "Secret" not in text
    assert "fell off" not in text


def test_what_is_at_its_mildest_is_left_out(railway, now):
    assert carried.facts(now)["units"]["201"] == {
        "type": "2V",
        "ends": {"A": {"pattern": "P"}, "B": {"pattern": "P"}},
    }


def test_the_facts_of_one_unit_are_its_part_of_all(busy, now):
    whole, one = carried.facts(now), carried.facts(now, ["201"])
    assert one["units"] == {"201": whole["units"]["201"]}
    assert one["patterns"] == {"P": whole["patterns"]["P"]}
    assert {"ref", "seen", "end", "part", "symptom", "known"} <= set(one["units"]["201"]["open"][0])
    assert carried.facts(now, ["999"])["units"] == {}


def test_what_came_back_is_counted_as_intake_counts_it(cast, busy, now):
    back = {
        (n, x): end.get("back", {}) for n, u in carried.facts(now)["units"].items() for x, end in u["ends"].items()
    }
    assert back["201", "B"]["air-upper"] == back["201", "B"]["air-lower"] == 2
    assert back["202", "A"]["hook"] == 1
    assert "hook" not in back["401", "A"]
    for number, letter, part, symptom in [
        ("201", "B", "air-lower", "seal-torn"),
        ("202", "A", "cone", ""),
        ("401", "A", "hook", "hook-marks"),
        ("301", "A", "hook", "hook-marks"),
    ]:
        found = busy.fault(number, letter, part, symptom)
        repeats = found.observations.get().facts.get("repeats")
        assert repeats == (str(back[number, letter][part]) if part in back[number, letter] else None)


def test_an_end_that_moved_to_another_unit_takes_its_findings_along(busy, now):
    moved = busy.ends["201 A"]
    CouplerEnd.objects.filter(pk=busy.ends["301 B"].pk).update(unit=None, letter="")
    CouplerEnd.objects.filter(pk=moved.pk).update(unit=busy.units["301"], letter="B")
    open_there = carried.facts(now)["units"]["301"]["open"]
    assert {row["part"] for row in open_there if row["end"] == "B"} == {"air-upper", "air-lower", "hook"}


# ---- what they cost


def test_queries_do_not_grow_with_the_fleet(cast, busy, now):
    with CaptureQueriesContext(connection) as few:
        carried.facts(now)
    for n in range(501, 506):
        unit = Unit.objects.create(number=str(n), type=busy.types["2V"])
        for letter in "AB":
            CouplerEnd.objects.create(vehicle=f"{n}{letter}", pattern=busy.patterns["P"], unit=unit, letter=letter)
            busy.fault(str(n), letter, "air-upper", "seal-torn")
    with CaptureQueriesContext(connection) as many:
        carried.facts(now)
    assert len(few) == len(many) <= 30


def test_packed_facts_of_a_large_fleet_are_small(railway, cast, report, now, capsys):
    """Two hundred units with a hundred open findings of every kind: half of what 6 kB must carry."""
    kind = railway.types["2V"]
    Unit.objects.bulk_create(Unit(number=str(n), type=kind) for n in range(501, 697))
    units = {unit.number: unit for unit in Unit.objects.all()}
    CouplerEnd.objects.bulk_create(
        CouplerEnd(vehicle=f"{n}{x}", pattern=railway.patterns["P"], unit=units[str(n)], letter=x)
        for n in range(501, 697)
        for x in "AB"
    )
    rules, chance = grading.ruleset(now), random.Random(1)
    choices = [(part.code, s.code) for part in rules.parts.values() for s in rules.symptoms_of(part.code)]
    for _ in range(100):
        part, symptom = chance.choice(choices)
        seen = now - timedelta(minutes=chance.randrange(60, 20_000))
        where = {
            "unit": str(chance.randrange(501, 697)),
            "end": chance.choice("AB"),
            "situation": chance.choice("UCR"),
        }
        report(cast.driver, part=part, symptom=symptom, seen=seen.isoformat(), **where)
    facts = carried.facts(now)
    sizes = [len(gzip.compress(json.dumps(each).encode(), 6)) for each in (facts, carried.packed(facts))]
    with capsys.disabled():
        print(f"\n{len(facts['units'])} units, 100 open findings: {sizes[0]} bytes, packed {sizes[1]}")
    assert sizes[1] <= 3600
    assert sizes[1] < sizes[0] * 0.8


def test_the_key_changes_with_what_happens_and_with_the_clock_alone(cast, railway, report, now):
    start = now.replace(minute=2)
    key = carried.etag(start)
    assert carried.etag(start + timedelta(minutes=5)) == key
    assert carried.etag(start + timedelta(minutes=9)) != key
    seen = {key}
    report(cast.driver)
    seen.add(carried.etag(start))
    workflow.restrict(
        end=railway.ends["201 A"], unit=None, limits=Limits(speed=40), why="x", by=cast.controller, now=now
    )
    seen.add(carried.etag(start))
    WeatherAlert.objects.create(place=railway.places["THO"], weather="frost", since=now - timedelta(hours=1))
    seen.add(carried.etag(start))
    assert len(seen) == 4


def test_the_key_is_cheap(busy, now, django_assert_max_num_queries):
    with django_assert_max_num_queries(4):
        carried.etag(now)
