"""References can be said by radio, and a mistyped one is known as mistyped."""

import pytest

from inspections import references


def test_known_reference():
    assert references.make(10428)[:7] == "0010428"
    assert references.read(references.make(10428)) == references.make(10428)


@pytest.mark.parametrize("number", [1, 2, 10428, 99999, 1234567, 9_999_999])
def test_every_single_digit_and_neighbour_swap_is_refused(number):
    ref = references.make(number)
    assert references.number(ref) == number
    for place, digit in enumerate(ref):
        for other in "0123456789".replace(digit, ""):
            with pytest.raises(references.MistypedReference):
                references.read(ref[:place] + other + ref[place + 1 :])
    for place in range(7):
        a, b = ref[place], ref[place + 1]
        if a != b:
            with pytest.raises(references.MistypedReference):
                references.read(ref[:place] + b + a + ref[place + 2 :])


@pytest.mark.parametrize("typed", ["{} {}", " {}-{} ", "{}{}"])
def test_spaces_and_dashes_are_allowed(typed):
    ref = references.make(10428)
    assert references.read(typed.format(ref[:4], ref[4:])) == ref


@pytest.mark.parametrize("typed", ["", "1234", "12345678901", "abcdefgh", "１２３４５６７８", "0010428x"])
def test_what_is_no_reference_is_said_to_be_none(typed):
    with pytest.raises(references.MistypedReference, match="eight digits"):
        references.read(typed)


@pytest.mark.parametrize("number", [0, -1, 10_000_000])
def test_numbers_that_do_not_fit(number):
    with pytest.raises(ValueError, match="seven digits"):
        references.make(number)
