"""Couplings that people report: once, whoever tells it, whenever it arrives."""

from datetime import UTC, datetime, timedelta
from io import BytesIO

import pytest

from fleet.importing import import_couplings
from fleet.models import Coupling, CouplingSide
from inspections import couplings, hourly, standing
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


# --- told in another order than it happened ------------------------------------------------------------------------
HOUR = timedelta(hours=1)
A, B = {}, {"unit": "202", "end": "B", "mate": "201 A"}  # the two sides of one coupling; C: another mate of 201 A
C = {"mate": "301 A"}
# What was told, in this order: (word, hours after AT, side, by the other driver); then the couplings as they must
# stand: (hours after AT, mate of 201 A, hours after AT at which it parted or None).
ORDERS = [
    ("a parting before its coupling", [("parted", 3, A), ("coupled", 0, A)], [(0, "202 B", 3)]),
    ("told by the other end's driver", [("parted", 3, B), ("coupled", 0, A)], [(0, "202 B", 3)]),
    ("by both, minutes apart", [("parted", 3.1, B), ("parted", 3, A), ("coupled", 0, A)], [(0, "202 B", 3)]),
    ("a parting of before it", [("parted", -1, A), ("coupled", 0, A)], [(0, "202 B", None)]),
    ("the attempt before it ends nothing", [("parted", 3, A), ("could not couple", 0, A)], [(0, "202 B", None)]),
    (
        "two couplings, everything backwards",
        [("parted", 9, A), ("coupled", 8, C), ("parted", 3, A), ("coupled", 0, A)],
        [(0, "202 B", 3), (8, "301 A", 9)],
    ),
    (
        "both partings first",
        [("parted", 3, A), ("parted", 9, A), ("coupled", 0, A), ("coupled", 8, C)],
        [(0, "202 B", 3), (8, "301 A", 9)],
    ),
    (
        "both partings first, the later coupling before the earlier",
        [("parted", 3, A), ("parted", 9, A), ("coupled", 8, C), ("coupled", 0, A)],
        [(0, "202 B", 3), (8, "301 A", 9)],
    ),
    (
        "a parting that looked like that of the coupling before",
        [("coupled", 0, A), ("parted", 9, A), ("coupled", 8, C)],
        [(0, "202 B", 8), (8, "301 A", 9)],
    ),
    ("told once more when all is known", [("coupled", 0, A), ("parted", 3, A), ("parted", 3, B)], [(0, "202 B", 3)]),
]


@pytest.mark.parametrize(("what", "events", "stand"), ORDERS, ids=[row[0] for row in ORDERS])
def test_in_whatever_order_it_is_told(told, cast, railway, what, events, stand):
    for n, (word, hours, side) in enumerate(events):
        told(
            word,
            who=[cast.driver, cast.other_driver][n % 2],
            at=AT + hours * HOUR,
            situation="R" if word == "coupled" else "U",
            **{"mate": "202 B", **side},
        )
    rows = Coupling.objects.order_by("at")
    mate = {row.pk: row.sides.exclude(end=railway.ends["201 A"]).get().end for row in rows}
    assert [(row.at, str(mate[row.pk]), row.parted) for row in rows] == [
        (AT + at * HOUR, name, None if parted is None else AT + parted * HOUR) for at, name, parted in stand
    ]


def test_a_parting_of_no_known_coupling_is_kept_and_logged(told, railway):
    told("parted", at=AT + HOUR, situation="U")
    assert not Coupling.objects.exists()
    entry = LogEntry.objects.get(subject="unit:201")
    assert (entry.kind, entry.happened, entry.data["end"]) == (couplings.KEPT, AT + HOUR, "A")
    told("coupled")
    row = Coupling.objects.get()
    (joined,) = LogEntry.objects.filter(kind="parted")
    assert (joined.happened, joined.data["coupling"]) == (AT + HOUR, str(row.uuid))
    # both ends are uncoupled from then on
    for end in ("201 A", "202 B"):
        end = railway.ends[end]
        assert couplings.mate_of(end, AT + HOUR / 2) is not None
        assert couplings.mate_of(end, AT + HOUR) is None
        assert standing.of_ends([end], AT + 2 * HOUR)[end.pk].now == "U"


def test_a_parting_told_before_the_file_with_its_coupling_arrives(told, cast, railway, now):
    told("parted", at=AT + HOUR, situation="U")
    file = f"source_ref,at,end_1,end_2,outcome,stage\nx1,{AT.isoformat()},201 A,202 B,coupled,full\n".encode()
    for new in (1, 0):
        assert couplings.import_file(file, by=cast.controller, now=now + 2 * HOUR, source="t").new == new
    assert Coupling.objects.get().parted == AT + HOUR


def test_the_hourly_work_joins_what_came_by_command(told, railway, now):
    told("parted", at=AT + HOUR, situation="U")
    file = BytesIO(
        f"source_ref,at,end_1,end_2,outcome,stage\nx1,{AT.isoformat()},201 A,202 B,coupled,full\n".encode()
    )
    assert import_couplings(file, now=now + 2 * HOUR, source="t").new == 1
    assert Coupling.objects.get().parted is None
    hourly.run(now + 3 * HOUR)
    assert Coupling.objects.get().parted == AT + HOUR


def test_a_file_may_say_a_few_minutes_later_when_they_parted(told, cast, railway, now):
    """Two tellers of one parting: the first counts, and the file is not refused for it."""
    head = "source_ref,at,end_1,end_2,outcome,stage,parted"

    def load(parted):
        row = f"x1,{AT.isoformat()},201 A,202 B,coupled,full,{parted.isoformat() if parted else ''}"
        return couplings.import_file(f"{head}\n{row}\n".encode(), by=cast.controller, now=now + 9 * HOUR, source="t")

    assert load(None).new == 1
    told("parted", at=AT + HOUR, situation="U")
    done = load(AT + HOUR + timedelta(minutes=4))
    assert (done.here, done.updated, done.bad) == (1, 0, 0)
    assert Coupling.objects.get().parted == AT + HOUR
    done = load(AT + 3 * HOUR)
    assert (done.bad, done.faults[0].column) == (1, "parted")
