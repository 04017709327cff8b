"""Looks at mates: who is asked, by what, who answers; late couplings; cycles end."""

from datetime import timedelta
from uuid import uuid4

import pytest
from django.db import transaction

from fleet.models import Coupling, CouplingSide
from inspections import asked, grading, mates
from inspections.models import Finding, LogEntry, MateLook
from inspections.rules.facts import SITUATIONS
from tests.screens.desk import finding_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def couple(railway, now):
    """Couple two ends `ago` before now: couple("201 A", "202 B", hours=3); it gives the coupling."""

    def make(first, second, *, parted=None, stage="full", received=None, **ago):
        at = now - timedelta(**ago)
        coupling = Coupling.objects.create(
            uuid=uuid4(),
            at=at,
            parted=parted,
            place=railway.places["SKJ"],
            stage=stage,
            outcome="could not couple" if stage in ("none", "contact") else "coupled",
            source="test",
            source_ref=str(uuid4()),
            received=received or at,
        )
        for name in (first, second):
            CouplingSide.objects.create(coupling=coupling, end=railway.ends[name], at=at)
        return coupling

    return make


@pytest.fixture
def look(report, now):
    """Somebody looks at an end `ago` before now and finds nothing."""

    def make(who, end, *, situation="U", received=None, **ago):
        number, letter = end.split()
        seen = now - timedelta(**ago)
        ends = [{"end": letter, "situation": situation, "clean": True}]
        return report(who, unit=number, seen=seen.isoformat(), ends=ends, faults=[], received=received or now)

    return make


def damaged(cast, report, now, end="201 A", symptom="pin-bent", part="contacts", **more):
    number, letter = end.split()
    return finding_of(report(cast.driver, unit=number, end=letter, part=part, symptom=symptom, **more))


def waiting_for():
    """The ends asked for and not answered."""
    return sorted(str(row.end) for row in MateLook.objects.open())


def ask_again(railway, now, *ends):
    return mates.ask_again([railway.ends[end].pk for end in ends], now)


def test_each_end_met_is_asked_for_once(cast, railway, report, couple, now):
    couple("201 A", "202 B", hours=5)
    last = couple("201 A", "202 B", hours=3)
    couple("201 A", "301 A", hours=4)
    couple("201 B", "401 A", hours=2)
    finding = damaged(cast, report, now)
    assert waiting_for() == ["202 B", "301 A"]
    assert MateLook.objects.get(end=railway.ends["202 B"]).coupling == last
    entry = LogEntry.objects.get(kind="mates asked for")
    assert (entry.subject, sorted(entry.data["ends"])) == (f"finding:{finding.ref}", ["202 B", "301 A"])
    report(cast.other_driver, kind="still there", of=finding.ref, part="contacts", symptom="pin-bent")
    assert MateLook.objects.count() == 2


@pytest.mark.parametrize(
    ("part", "symptom", "asks"),
    [("contacts", "pin-bent", True), ("air-upper", "seal-torn", True), ("cables", "cable-hanging", False)],
)
def test_only_damage_that_spreads_asks(cast, report, couple, now, part, symptom, asks):
    couple("201 A", "202 B", hours=3)
    damaged(cast, report, now, part=part, symptom=symptom)
    assert bool(waiting_for()) is asks


def test_ends_that_never_touched_are_left_out(cast, report, couple, now):
    couple("201 A", "202 B", stage="none", hours=3)
    couple("201 A", "301 A", stage="contact", hours=3)
    damaged(cast, report, now)
    assert waiting_for() == ["301 A"]


def test_not_before_the_last_known_good(cast, report, couple, look, now):
    couple("201 A", "202 B", hours=9, parted=now - timedelta(hours=8))
    look(cast.driver, "201 A", hours=7)
    couple("201 A", "301 A", hours=3)
    damaged(cast, report, now)
    assert waiting_for() == ["301 A"]


def test_a_look_at_a_coupled_end_is_no_known_good(cast, report, couple, look, now):
    couple("201 A", "202 B", hours=9)
    look(cast.driver, "201 A", situation="R", hours=7)
    damaged(cast, report, now)
    assert waiting_for() == ["202 B"]


def test_a_coupling_that_lasted_past_the_known_good_counts(cast, report, couple, look, now):
    couple("201 A", "202 B", hours=9, parted=now - timedelta(hours=2))
    look(cast.driver, "201 A", hours=7)
    damaged(cast, report, now)
    assert waiting_for() == ["202 B"]


def test_a_later_look_answers_and_an_earlier_does_not(cast, report, couple, look, now):
    couple("201 A", "202 B", hours=3)
    damaged(cast, report, now)
    look(cast.other_driver, "202 B", hours=4)
    look(cast.other_driver, "202 A", hours=1)
    assert waiting_for() == ["202 B"]
    look(cast.other_driver, "202 B", hours=1)
    assert waiting_for() == []


def test_of_a_coupled_end_nobody_sees_the_face(cast, report, couple, look, now):
    couple("201 A", "202 B", hours=3)
    damaged(cast, report, now)
    look(cast.other_driver, "202 B", situation="R", hours=1)
    assert waiting_for() == ["202 B"]


def test_a_fast_clock_does_not_answer_for_the_future(cast, report, couple, look, now):
    couple("201 A", "202 B", minutes=-30)
    damaged(cast, report, now, received=now + timedelta(hours=1))
    look(cast.other_driver, "202 B", minutes=-50, received=now + timedelta(minutes=10))
    assert waiting_for() == ["202 B"]


def test_a_rough_coupling_asks_for_both_ends(cast, report, couple, look, now):
    couple("201 A", "202 B", hours=2)
    damaged(cast, report, now, part="cone", symptom="guide-bent", facts={"rough": "yes"})
    assert waiting_for() == ["201 A", "202 B"]
    look(cast.other_driver, "201 A", situation="R", minutes=30)
    assert waiting_for() == ["201 A", "202 B"]
    look(cast.other_driver, "201 A", minutes=20)
    assert waiting_for() == ["202 B"]


def test_units_that_met_hard_ask_for_both_ends(cast, report, couple, now):
    couple("201 A", "202 B", hours=2)
    damaged(cast, report, now, part="other", symptom="other-rough")
    assert waiting_for() == ["201 A", "202 B"]


def test_a_coupling_that_arrives_late_asks_once(cast, railway, report, couple, now):
    damaged(cast, report, now)
    assert waiting_for() == []
    couple("201 A", "202 B", hours=6, received=now + timedelta(hours=1))
    assert mates.ends_told_since(now) == {railway.ends["201 A"].pk, railway.ends["202 B"].pk}
    later = now + timedelta(hours=1)
    assert ask_again(railway, later, "202 B", "201 A") == 1
    assert waiting_for() == ["202 B"]
    before = list(MateLook.objects.values()), LogEntry.objects.count()
    assert ask_again(railway, later, "202 B", "201 A") == 0
    assert (list(MateLook.objects.values()), LogEntry.objects.count()) == before


def test_a_late_coupling_whose_mate_was_looked_at_since_is_answered_at_once(cast, railway, report, couple, look, now):
    damaged(cast, report, now)
    look(cast.other_driver, "202 B", hours=2)
    couple("201 A", "202 B", hours=6)
    assert ask_again(railway, now, "201 A") == 1
    assert waiting_for() == []
    (asked_for,) = asked.chain(Finding.objects.get()).steps[0]
    assert asked_for.nothing


def test_a_late_coupling_moves_what_must_be_answered(cast, railway, report, couple, look, now):
    couple("201 A", "202 B", hours=6)
    damaged(cast, report, now)
    couple("201 A", "202 B", hours=2)
    ask_again(railway, now, "201 A")
    look(cast.other_driver, "202 B", hours=3)
    assert waiting_for() == ["202 B"]
    look(cast.other_driver, "202 B", hours=1)
    assert waiting_for() == []


def test_a_new_meeting_after_the_answer_asks_anew_and_keeps_the_first(cast, railway, report, couple, look, now):
    couple("201 A", "202 B", hours=6)
    finding = damaged(cast, report, now)
    look(cast.other_driver, "202 B", hours=5)
    assert waiting_for() == []
    couple("201 A", "202 B", hours=1)
    assert ask_again(railway, now, "201 A") == 1
    assert waiting_for() == ["202 B"]
    assert [row.looked is None for row in asked.chain(finding).steps[0]] == [False, True]


def test_a_closed_finding_asks_while_it_is_watched_and_never_for_after_its_repair(cast, railway, report, couple, now):
    finding = damaged(cast, report, now)
    Finding.objects.update(state="closed", first_seen=now - timedelta(hours=7), closed=now - timedelta(hours=4))
    couple("201 A", "202 B", hours=6)
    couple("201 A", "301 A", hours=1)
    assert ask_again(railway, now, "201 A") == 1
    assert waiting_for() == ["202 B"]
    Finding.objects.update(closed=now - timedelta(days=40))
    MateLook.objects.all().delete()
    assert ask_again(railway, now, "201 A") == 0
    assert asked.chain(finding) is None


@pytest.mark.parametrize("state", ["withdrawn", "merged"])
def test_what_no_longer_counts_asks_for_nothing(cast, railway, report, couple, now, state):
    finding = damaged(cast, report, now)
    into = finding.pk if state == "merged" else None
    Finding.objects.update(state=state, closed=now, merged_into=into)
    couple("201 A", "202 B", hours=6)
    finding.refresh_from_db()
    with transaction.atomic():
        assert mates.ask(finding, now) == []
    assert ask_again(railway, now, "201 A") == 0


def test_damage_is_followed_and_a_cycle_ends(cast, railway, report, couple, look, now):
    """201 A met 202 B, 202 B met 301 A, 301 A met 201 A again: everybody is asked once, nobody for ever."""
    couple("201 A", "202 B", hours=30)
    couple("202 B", "301 A", hours=20)
    couple("301 A", "201 A", hours=10)
    first = damaged(cast, report, now)
    assert waiting_for() == ["202 B", "301 A"]
    second = damaged(cast, report, now, end="202 B")
    assert waiting_for() == ["301 A", "301 A"]
    third = damaged(cast, report, now, end="301 A")
    assert waiting_for() == []
    chain = asked.chain(first)
    assert [str(one.end) for one in chain.steps[0]] == ["202 B", "301 A"]
    assert [one.found for one in chain.steps[0]] == [(second,), (third,)]
    assert (chain.open, chain.goes_on) == (0, False)
    assert [one.because for one in asked.chain(third).led_here] == [second, first]
    assert asked.chain(first).led_here == ()
    before = MateLook.objects.count()
    ask_again(railway, now, "201 A", "202 B", "301 A")
    assert MateLook.objects.count() == before


def test_ends_waiting_say_why_since_when_and_where(cast, railway, report, couple, look, now):
    couple("201 A", "202 B", hours=3)
    couple("301 A", "202 B", hours=2)
    first = damaged(cast, report, now)
    second = damaged(cast, report, now, end="301 A", part="air-upper", symptom="seal-torn")
    look(cast.other_driver, "202 A", hours=1)
    rows = asked.ends_waiting()
    assert [row["many"] for row in rows] == [2]
    (row,) = asked.waiting([row["end"] for row in rows], now + timedelta(minutes=31))
    assert (str(row.end), row.place, row.situation) == ("202 B", "Skarrow Junction", "coupled and running")
    assert [reason.line.finding for reason in row.reasons] == [first, second]
    assert (row.age, row.boldness) == ("31 minutes", 2)
    assert row.reasons[0].met == now - timedelta(hours=3)
    assert SITUATIONS == ("U", "C", "R")


def test_the_shipped_ruleset_has_the_words_that_tell_a_rough_coupling(cast):
    rules = grading.ruleset()
    assert "yes" in rules.facts[mates.ROUGH_FACT].words
    assert mates.ROUGH_SYMPTOM in rules.symptoms
