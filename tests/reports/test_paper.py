"""Measured lines and blocks that flow from sheet to sheet."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inspections.reports.fonts import UNKNOWN, printable, width
from inspections.reports.paper import Block, flow, headed, lay, wrap

ROOM = 200.0


@pytest.mark.parametrize(
    ("given_text", "shown"),
    [
        ("Řeřicha, Łódź, Straße", "Řeřicha, Łódź, Straße"),
        ("e\u0301", "\u00e9"),
        ("a\u202eb\u200bc\x00d", "abcd"),
        ("one\r\ntwo\rthree", "one\ntwo\nthree"),
        ("tab\there", "tab here"),
        ("字😀", UNKNOWN * 2),
        ("Ελλάδα, Київ", "Ελλάδα, Київ"),
    ],
)
def test_printable(given_text, shown):
    assert printable(given_text) == shown


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.text(max_size=400), st.booleans())
def test_wrapped_lines_fit_and_lose_nothing(text, bold):
    lines = wrap(text, 14, ROOM, bold=bold)
    assert all(width(line, 14, bold=bold) <= ROOM + 0.01 for line in lines)
    assert "".join("".join(lines).split()) == "".join(printable(text).split())


def test_a_word_wider_than_the_line_is_broken():
    lines = wrap("x" * 300 + " end", 14, ROOM)
    assert len(lines) > 5
    assert "".join(lines).replace(" ", "") == "x" * 300 + "end"


def test_room_may_change_from_line_to_line():
    lines = wrap("word " * 60, 14, lambda i: 80.0 if i < 3 else ROOM)
    assert all(width(line, 14) <= 80 for line in lines[:3])
    assert max(width(line, 14) for line in lines[3:]) > 80


def test_bold_and_plain_run_on_without_touching():
    (line,) = lay([("Label", True), ("and its words", False)], 11.5, 400)
    label, words = line
    assert (label.bold, words.bold) == (True, False)
    assert words.x > label.end


def test_line_ends_are_kept_and_empty_lines_are_not():
    assert wrap("one\n\n\n two\n", 14, ROOM) == ["one", "two"]
    assert wrap(" \n ", 14, ROOM) == []


def test_what_has_no_room_is_said_by_an_ellipsis_that_fits():
    assert wrap("one\ntwo", 14, ROOM, most=2) == ["one", "two"]
    assert wrap("one\ntwo\nthree", 14, ROOM, most=2) == ["one", "two…"]
    full, last = wrap("i" * 500, 14, ROOM, most=2)
    assert last.endswith("…")
    assert width(last, 14) <= ROOM


def block(height: float, **more) -> Block:
    return Block(height, lambda canvas, top: None, **more)


def offsets(sheets) -> list[list[tuple[float, float]]]:
    return [[(offset, placed.height) for offset, placed in sheet] for sheet in sheets]


FLOWS = [
    # blocks, room, sheets of (offset, height)
    ([], 100, [[]]),
    ([block(40), block(40)], 100, [[(0, 40), (40, 40)]]),
    ([block(40), block(40), block(40)], 100, [[(0, 40), (40, 40)], [(0, 40)]]),
    ([block(40), block(40, gap=10)], 100, [[(0, 40), (50, 40)]]),
    ([block(60), block(40, gap=10)], 100, [[(0, 60)], [(0, 40)]]),
    ([block(70), block(20, keep=True), block(20)], 100, [[(0, 70)], [(0, 20), (20, 20)]]),
    ([block(60, keep=True), block(60)], 100, [[(0, 60)], [(0, 60)]]),
    ([block(10), block(10, keep=True)], 100, [[(0, 10), (10, 10)]]),
]


@pytest.mark.parametrize(("blocks", "room", "sheets"), FLOWS)
def test_flow(blocks, room, sheets):
    assert offsets(flow(blocks, room)) == sheets


def test_flow_repeats_the_header_where_a_block_starts_a_sheet():
    head = block(7)
    sheets = flow(headed([block(40), block(40), block(40)], head), 100)
    assert offsets(sheets) == [[(0, 40), (40, 40)], [(0, 7), (7, 40)]]
