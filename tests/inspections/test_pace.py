"""How fast one person may send: a full phone never waits long, a phone gone mad does, nobody pays for another."""

import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest

from inspections.pace import ALLOWED, Pace

NOW = datetime(2026, 11, 24, 6, 0, tzinfo=UTC)
DRIVER, OTHER = 7, 8
PHOTO = 150_000


def after(seconds):
    return NOW + timedelta(seconds=seconds)


@pytest.fixture
def pace():
    return Pace()


def passed(pace, kind, count, now=NOW, cost=1, who=DRIVER):
    """How many of so many sendings at one moment go through."""
    return sum(pace.wait(who, kind, cost, now) == 0 for _ in range(count))


@pytest.mark.parametrize("kind", ["reports", "photos"])
def test_a_hundred_and_twenty_at_once_and_two_a_second_after_that(pace, kind):
    assert passed(pace, kind, 200) == 120
    assert pace.wait(DRIVER, kind, 1, NOW) == 1
    assert passed(pace, kind, 200, after(1)) == 2
    assert passed(pace, kind, 200, after(31)) == 60
    assert passed(pace, kind, 200, after(600)) == 120


def test_never_more_than_twice_the_allowance_in_any_window(pace):
    """Nine asked for every half second, ten minutes long, after a rest."""
    asked = [half / 2 for half in range(1_200) for _ in range(9)]
    went = [at for at in asked if not pace.wait(DRIVER, "reports", 1, after(at))]
    most = max(sum(start <= at < start + 60 for at in went) for start in went)
    assert 230 < most <= 241
    assert len(went) == pytest.approx(120 + 2 * 600, abs=2)


def test_the_wait_that_is_named_is_the_wait_that_is_needed(pace):
    passed(pace, "bytes", 4, cost=15_000_000)
    for cost in (PHOTO, 3_000_000, 12_000_000):
        seconds = pace.wait(DRIVER, "bytes", cost, NOW)
        assert seconds == -(-cost // 100_000)
        assert pace.wait(DRIVER, "bytes", cost, after(seconds - 1)) >= 1
    assert pace.wait(DRIVER, "bytes", 12_000_000, after(120)) == 0


def test_being_refused_costs_nothing(pace):
    passed(pace, "reports", 120)
    assert {pace.wait(DRIVER, "reports", 1, NOW) for _ in range(500)} == {1}
    assert pace.wait(DRIVER, "reports", 1, after(1)) == 0


def test_a_phone_with_two_hundred_reports_and_four_hundred_photos_gets_rid_of_them(pace):
    """As a phone does: words first, then photos, one after the other, waiting as it is told."""
    clock, told = 0.0, 0
    for kind, count in (("reports", 200), ("photos", 400)):
        for _ in range(count):
            while seconds := (
                pace.wait(DRIVER, kind, 1, after(clock))
                or (kind == "photos" and pace.wait(DRIVER, "bytes", PHOTO, after(clock)))
            ):
                clock, told = clock + seconds, told + 1
            clock += 0.2
        if kind == "reports":
            assert clock < 60
    assert clock < 240


def test_nobody_waits_for_another_person_or_another_kind(pace):
    passed(pace, "reports", 200)
    assert passed(pace, "photos", 200) == 120
    assert passed(pace, "reports", 200, who=OTHER) == 120


def test_what_is_larger_than_all_that_is_allowed_passes_when_nothing_was_used(pace):
    most = ALLOWED["bytes"][0]
    assert pace.wait(DRIVER, "bytes", 10 * most, NOW) == 0
    assert pace.wait(DRIVER, "bytes", 10 * most, NOW) == 600
    assert pace.wait(DRIVER, "bytes", 10 * most, after(600)) == 0


@pytest.mark.parametrize("cost", [0, -5])
def test_nothing_costs_nothing(pace, cost):
    assert passed(pace, "bytes", 1_000, cost=cost) == 1_000
    assert passed(pace, "bytes", 401, cost=PHOTO) == 400


def test_a_clock_that_was_set_back_locks_nobody_out(pace):
    passed(pace, "reports", 120, now=NOW + timedelta(days=3))
    assert pace.wait(DRIVER, "reports", 1, NOW) == 1
    assert pace.wait(DRIVER, "reports", 1, after(1)) == 0


def test_another_kind_is_a_mistake_that_is_heard(pace):
    with pytest.raises(KeyError):
        pace.wait(DRIVER, "wishes", 1, NOW)


def test_who_sent_long_ago_is_forgotten(pace):
    for who in range(5_000):
        pace.wait(who, "reports", 1, after(who))
    assert len(pace.whole_at) <= pace.many + 1
    assert sys.getsizeof(pace.whole_at) < 500_000
    assert pace.wait(4_999, "reports", 120, after(4_999)) == 1  # who sent just now is not


def test_after_a_restart_nothing_is_used_up(pace):
    passed(pace, "reports", 120)
    pace.forget()
    assert pace.wait(DRIVER, "reports", 120, NOW) == 0


def test_eight_threads_share_one_allowance(pace):
    start = threading.Barrier(8)

    def asking(_):
        start.wait()
        return passed(pace, "reports", 50)

    with ThreadPoolExecutor(8) as threads:
        assert sum(threads.map(asking, range(8))) == 120
