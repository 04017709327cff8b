"""Couplings that people report: once, whoever tells it, whenever it arrives."""

from datetime import UTC, datetime, timedelta

import pytest

from fleet.models import Coupling, CouplingSide
from inspections import couplings, standing
from inspections.models import InspectedEnd, LogEntry

AT = datetime(2026, 11, 24, 5, 48, tzinfo=UTC)


@pytest.fixture
def told(cast, report):
    """Report a coupling at the A end of 201; gives the receipt."""

    def send(word, *, who=None, unit="201", end="A", mate="202 B", at=AT, stage="", situation="R"):
        row = {"end": end, "situation": situation, "mate": mate, "stage": stage, "coupled": word}
        return report(
            who or cast.driver,
            unit=unit,
            ends=[row],
            faults=[],
            occasion="coupling",
            seen=at.isoformat(),
            place="THO",
        )

    return send


def test_a_coupling_has_both_ends_its_stage_and_its_place(told, railway):
    told("coupled", stage="air")
    coupling = Coupling.objects.get()
    assert (coupling.at, coupling.stage, coupling.outcome) == (AT, "air", "coupled")
    assert coupling.place.code == "THO"
    assert {str(side.end) for side in coupling.sides.all()} == {
        str(railway.ends["201 A"]),
        str(railway.ends["202 B"]),
    }
    assert set(CouplingSide.objects.values_list("at", flat=True)) == {AT}
    assert couplings.mate_of(railway.ends["201 A"], AT) == railway.ends["202 B"]
    assert InspectedEnd.objects.get().extent == "coupling"


def test_both_drivers_tell_it_and_it_is_one(told, cast):
    told("coupled")
    told("coupled", who=cast.other_driver, unit="202", end="B", mate="201 A", at=AT + timedelta(minutes=7))
    assert Coupling.objects.count() == 1
    told("coupled", at=AT + timedelta(hours=2))
    assert Coupling.objects.count() == 2


def test_parting_ends_the_last_coupling_and_only_once(told, railway):
    told("coupled")
    told("parted", at=AT + timedelta(hours=3), situation="U")
    told("parted", at=AT + timedelta(hours=4), situation="U")
    assert Coupling.objects.get().parted == AT + timedelta(hours=3)
    assert couplings.mate_of(railway.ends["201 A"], AT + timedelta(hours=3)) is None
    assert LogEntry.objects.filter(kind="parted").count() == 1


def test_a_failed_attempt_counts_and_joins_nothing(told, railway):
    told("could not couple", stage="contact", situation="U")
    assert Coupling.objects.get().outcome == "could not couple"
    assert couplings.mate_of(railway.ends["201 A"], AT) is None
    end = railway.ends["201 A"]
    assert standing.of_ends([end], AT + timedelta(hours=1))[end.pk].now == "U"


def test_a_mate_that_is_not_known_leaves_our_own_side(told):
    told("coupled", mate="999 A")
    assert CouplingSide.objects.count() == 1


def test_an_end_that_is_not_known_records_nothing(told):
    told("coupled", end="?")
    assert not Coupling.objects.exists()


def test_the_standing_follows_the_coupling(told, railway):
    end = railway.ends["201 A"]
    told("coupled")
    assert standing.of_ends([end], AT + timedelta(hours=1))[end.pk].now == "R"
    told("parted", at=AT + timedelta(hours=2), situation="U")
    assert standing.of_ends([end], AT + timedelta(hours=3))[end.pk].now == "U"


def test_a_late_coupling_takes_its_place_in_the_past(told, railway):
    told("coupled", at=AT)
    told("coupled", mate="301 A", at=AT - timedelta(days=2))
    told("parted", at=AT - timedelta(days=1), situation="U")
    assert couplings.mate_of(railway.ends["201 A"], AT) == railway.ends["202 B"]
    assert Coupling.objects.get(at=AT - timedelta(days=2)).parted == AT - timedelta(days=1)
