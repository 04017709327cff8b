"""Limits as values: what they refuse, how they differ, how they join."""

import pytest

from inspections.rules.limits import NO_LIMITS, Limits, changed_dials, join, join_all, tighter_or_equal

REFUSED = [
    ({"couple": "never"}, "couple: 'never' is not one of normal, attended, not"),
    ({"move": ""}, "move: '' is not one of normal, to end of trip, to depot, stand"),
    ({"rescue": "maybe"}, "rescue: 'maybe' is not one of yes, no"),
    ({"speed": 0}, "speed: 0 is not a positive number of km/h"),
    ({"speed": -5}, "speed: -5 is not a positive number of km/h"),
]


@pytest.mark.parametrize(("values", "words"), REFUSED)
def test_a_word_that_is_none_is_refused_by_name(values, words):
    with pytest.raises(ValueError) as refused:
        Limits(**values)
    assert str(refused.value) == words


def test_joining_takes_the_tightest_of_each():
    a = Limits(couple="attended", move="to depot", speed=60, isolations=frozenset({"x"}))
    b = Limits(couple="not", uncouple="attended", speed=25, isolations=frozenset({"y"}))
    both = frozenset({"x", "y"})
    assert join(a, b) == Limits("not", "attended", "to depot", speed=25, isolations=both)
    assert join(Limits(speed=60), NO_LIMITS).speed == 60
    assert join() == NO_LIMITS == join_all(iter(()))
    assert Limits(speed=1).speed == 1


def test_tighter_or_equal_looks_at_every_dial():
    assert tighter_or_equal(Limits(speed=25), Limits(speed=25))
    assert tighter_or_equal(Limits(speed=20), Limits(speed=25))
    assert not tighter_or_equal(Limits(speed=30), Limits(speed=25))
    assert not tighter_or_equal(NO_LIMITS, Limits(speed=25))
    assert tighter_or_equal(Limits(speed=25), NO_LIMITS)
    assert not tighter_or_equal(Limits(couple="attended"), Limits(couple="not"))
    assert tighter_or_equal(Limits(couple="not"), Limits(couple="attended"))
    assert not tighter_or_equal(NO_LIMITS, Limits(couple="attended"))
    assert not tighter_or_equal(NO_LIMITS, Limits(passengers="no"))
    assert not tighter_or_equal(NO_LIMITS, Limits(isolations=frozenset({"x"})))
    assert tighter_or_equal(Limits(isolations=frozenset({"x", "y"})), Limits(isolations=frozenset({"x"})))


def test_changed_dials_are_named_in_order():
    assert changed_dials(NO_LIMITS, NO_LIMITS) == ()
    assert changed_dials(Limits(speed=int("1000")), Limits(speed=int("1000"))) == ()
    assert changed_dials(Limits(isolations=frozenset("xy")), Limits(isolations=frozenset("yx"))) == ()
    other = Limits(move="stand", rescue="no", isolations=frozenset({"x"}))
    assert changed_dials(NO_LIMITS, other) == ("move", "rescue", "isolations")
