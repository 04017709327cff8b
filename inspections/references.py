"""A finding's reference: seven digits and a Damm check digit, shown 4+4, sayable by radio."""

from __future__ import annotations

from stdnum import damm

LENGTH = 8


class MistypedReference(ValueError):
    """The text is no reference: its message says what is wrong, in words for the person."""


def make(number: int) -> str:
    """The eight-digit reference of a number from 1 to 9,999,999; ValueError outside it."""
    if not 0 < number < 10_000_000:
        raise ValueError(f"{number} does not fit seven digits")
    digits = f"{number:07d}"
    return digits + damm.calc_check_digit(digits)


def read(text: str) -> str:
    """The reference a person typed, spaces and dashes allowed; MistypedReference when it cannot be one."""
    digits = "".join(text.split()).replace("-", "")
    if not (digits.isascii() and digits.isdigit() and len(digits) == LENGTH):
        raise MistypedReference(f"“{text.strip()[:40]}” is not a reference: it has eight digits, like 0010 4289.")
    if not damm.is_valid(digits):
        raise MistypedReference(f"{digits[:4]} {digits[4:]} is mistyped: its digits do not fit together.")
    return digits


def number(ref: str) -> int:
    """The number inside a reference."""
    return int(ref[:7])
