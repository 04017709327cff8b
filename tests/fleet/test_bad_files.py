"""A table of bad files: where each is named, in which words, and that nothing is written."""

import pytest

from fleet.models import Coupling, CouplingSide
from tests.fleet.coupling_files import CELLS, GOOD, HEAD, file, load, row, second, stored

# Name, bytes, line, column, words of the reason. The row of line 2 is good where there is one.
BAD = [
    ("nothing at all", b"", 1, "", "the file is empty"),
    ("a blank first line", b"\n" + file(GOOD), 1, "", "no header"),
    ("a byte order mark and nothing else", b"\xef\xbb\xbf", 1, "", "no column"),
    ("UTF-16", file(GOOD).decode().encode("utf-16"), 1, "", "UTF-16: save it as UTF-8"),
    ("UTF-16 without a mark", file(GOOD).decode().encode("utf-16-le"), 1, "", "cannot be seen (U+0000)"),
    ("a workbook", b"PK\x03\x04\x14\x00\x06\x00\x08\x00!\x00\n", 1, "", "save the sheet as CSV"),
    ("a picture", b"\x89PNG\r\n\x1a\n", 1, "", "byte 1 (hexadecimal 89) is not UTF-8"),
    ("a header that is not UTF-8", file(GOOD, head=HEAD + b"\xe9"), 1, "", "not UTF-8"),
    ("a column missing", file(GOOD, head=HEAD.replace(b",stage", b"")), 1, "", "no column stage"),
    ("a column nobody knows", file(GOOD + b",x", head=HEAD + b",speed"), 1, "", "“speed” that means nothing"),
    ("a column twice", file(GOOD + b",SKJ", head=HEAD + b",place"), 1, "", "place twice"),
    ("a column without a name", file(GOOD + b",", head=HEAD + b","), 1, "", "“” that means nothing"),
    ("no header, rows at once", file(head=GOOD), 1, "", "the columns are source_ref, at"),
    ("tabs", file(GOOD, head=HEAD.replace(b",", b"\t")), 1, "", "separated by tabs"),
    ("bars", file(GOOD, head=HEAD.replace(b",", b"|")), 1, "", "the columns are source_ref, at"),
    ("commas and semicolons", file(GOOD, head=HEAD.replace(b",at,", b";at,")), 1, "", "the columns are source_ref"),
    ("a header like a formula", file(GOOD, head=HEAD + b",=1+1"), 1, "", "“=1+1” starts like a formula"),
    ("a quote left open in the header", file(GOOD, head=b'"' + HEAD), 1, "", "quotes do not match up"),
    ("lines that end in carriage returns", file(GOOD).replace(b"\n", b"\r"), 1, "", "lines end in a line feed"),
    ("a line that is too long", file(GOOD, b"x" * 5000), 3, "", "longer than 4000 bytes"),
    ("its sources named twice", file(GOOD + b",x", head=HEAD + b",source"), 1, "source", "do not name another"),
    ("Latin-1", file(GOOD, row(source_ref="é").decode().encode("latin-1")), 3, "", "byte 1 (hexadecimal E9)"),
    ("overlong UTF-8", file(GOOD, row() + b"\xc0\x80"), 3, "", "(hexadecimal C0) is not UTF-8"),
    ("half a surrogate pair", file(GOOD, row() + b"\xed\xa0\x80"), 3, "", "(hexadecimal ED) is not UTF-8"),
    ("a character cut off", file(GOOD, row() + b"\xe2\x82"), 3, "", "(hexadecimal E2) is not UTF-8"),
    ("a cell too many", file(GOOD, row() + b","), 3, "", "it has 9 cells, the header has 8"),
    ("a cell too few", file(GOOD, row().rpartition(b",")[0]), 3, "", "it has 7 cells, the header has 8"),
    ("semicolons under commas", file(GOOD, row().replace(b",", b";")), 3, "", "it has 1 cell, the header has 8"),
    ("a quote left open", file(GOOD, b'"' + row()), 3, "", "quotes do not match up"),
    ("text behind a quote", file(GOOD, b'"r2"x' + row()[2:]), 3, "", "quotes do not match up"),
    ("only separators", file(GOOD, b",,,,,,,"), 3, "", "every cell is empty"),
    ("a carriage return within", file(GOOD, row(place="S\rKJ")), 3, "", "carriage return within"),
    ("a quoted carriage return", second(place='"S\rKJ"'), 3, "place", "(U+000D)"),
    ("a zero byte", second(source_ref="r\0002"), 3, "source_ref", "(U+0000)"),
    ("a control character", second(source_ref="r\a2"), 3, "source_ref", "(U+0007)"),
    ("a tab", second(source_ref="\tr2"), 3, "source_ref", "(U+0009)"),
    ("a blank that does not break", second(end_1="201\u00a0A"), 3, "end_1", "(U+00A0)"),
    ("a character of no width", second(source_ref="r\u200b2"), 3, "source_ref", "(U+200B)"),
    ("text turned round", second(source_ref="r\u202e2"), 3, "source_ref", "(U+202E)"),
    ("two files joined, with a mark", file(GOOD, b"\xef\xbb\xbf" + row()), 3, "source_ref", "(U+FEFF)"),
    ("no reference", second(source_ref=" "), 3, "source_ref", "it is empty"),
    ("a long reference", second(source_ref="r" * 61), 3, "source_ref", "longer than 60 characters"),
    ("a formula", second(source_ref='=HYPERLINK("x")'), 3, "source_ref", "starts like a formula"),
    ("a quoted formula", second(source_ref='"=1+1"'), 3, "source_ref", "starts like a formula"),
    ("a formula behind blanks", second(source_ref="  @SUM(A1)"), 3, "source_ref", "starts like a formula"),
    ("a plus", second(end_1="+201 A"), 3, "end_1", "starts like a formula"),
    ("a minus", second(place="-SKJ"), 3, "place", "starts like a formula"),
    ("a formula of wide characters", second(stage="\uff1dfull"), 3, "stage", "starts like a formula"),
    ("the reference again", second(source_ref="r1"), 3, "source_ref", "“r1” stands in line 2 already"),
    ("the row again", file(GOOD, GOOD), 3, "source_ref", "“r1” stands in line 2 already"),
    ("the row under another name", second(at=CELLS["at"]), 3, "source_ref", "the same as in line 2"),
    (
        "the row with its ends the other way",
        second(at=CELLS["at"], end_1="202 B", end_2="201 A"),
        3,
        "source_ref",
        "2",
    ),
    ("a unit nobody knows", second(end_1="999 A"), 3, "end_1", "unit “999” is not on the list"),
    ("a letter that is none", second(end_1="201 C"), 3, "end_1", "“201 C” is no end"),
    ("an end without its blank", second(end_1="201A"), 3, "end_1", "like 205 A"),
    ("an end in small letters", second(end_1="201 a"), 3, "end_1", "like 205 A"),
    ("no end", second(end_2=""), 3, "end_2", "it is empty"),
    ("a vehicle nobody knows", second(end_2="vehicle 99901"), 3, "end_2", "“vehicle 99901” is not on the list"),
    ("an end with itself", second(end_2="201 A"), 3, "end_2", "the same end as end_1"),
    ("an end with itself, by vehicle", second(end_2="vehicle 201A"), 3, "end_2", "the same end as end_1"),
    ("a unit with itself", second(end_2="201 B"), 3, "end_2", "both ends are of unit “201”"),
    ("a time without its offset", second(at="2026-11-24T05:30"), 3, "at", "no offset from UTC"),
    ("no time", second(at=""), 3, "at", "it is empty"),
    ("the day first", second(at="24/11/2026 05:30"), 3, "at", "“24/11/2026 05:30” is no time like"),
    ("a day alone", second(at="2026-11-24"), 3, "at", "is no time like"),
    ("a day of a week", second(at="2026-W48-2T05:30Z"), 3, "at", "is no time like"),
    ("a day that is not in the calendar", second(at="2026-02-30T05:30Z"), 3, "at", "is no time like"),
    ("twenty-four o'clock", second(at="2026-11-23T24:00Z"), 3, "at", "is no time like"),
    ("a sixtieth second", second(at="2026-11-23T23:59:60Z"), 3, "at", "is no time like"),
    ("a decimal comma", second(at='"2026-11-24T05:30:00,5Z"'), 3, "at", "is no time like"),
    ("seconds since 1970", second(at="1795498200"), 3, "at", "is no time like"),
    ("digits of another script", second(at="٢٠٢٦-11-24T05:30Z"), 3, "at", "is no time like"),
    ("a zone's name", second(at="2026-11-24T05:30 GMT"), 3, "at", "is no time like"),
    ("an offset of nothing known", second(at="2026-11-24T05:30-00:00"), 3, "at", "-00:00 is no offset"),
    ("an offset wider than the world", second(at="2026-11-23T05:30+14:30"), 3, "at", "+14:30 is no offset"),
    ("an offset of days", second(at="2026-11-23T05:30+99:00"), 3, "at", "is no time like"),
    ("another century", second(at="1999-12-31T23:59Z"), 3, "at", "1999 is not a year from 2000 to 2099"),
    ("the first year", second(at="0001-01-01T00:00+14:00"), 3, "at", "1 is not a year"),
    ("the next century", second(at="2100-01-01T00:00Z"), 3, "at", "2100 is not a year from 2000 to 2099"),
    ("the last year", second(at="9999-12-31T23:59-12:00"), 3, "at", "9999 is not a year"),
    ("a minute from now", second(at="2026-11-24T06:01Z"), 3, "at", "is in the future"),
    ("now, by its offset in the future", second(at="2026-11-24T06:00-01:00"), 3, "at", "is in the future"),
    ("parted in the future", second(parted="2026-11-24T09:00Z"), 3, "parted", "is in the future"),
    ("parted before they met", second(parted="2026-11-24T05:29Z"), 3, "parted", "parted before they met"),
    ("parted at no time", second(parted="yes"), 3, "parted", "“yes” is no time like"),
    ("an outcome of another kind", second(outcome="parted"), 3, "outcome", "none of: coupled, could not couple"),
    ("a stage of another kind", second(stage="Full"), 3, "stage", "none of: none, contact, locked, air, full"),
    ("no stage", second(stage=""), 3, "stage", "it is empty"),
    ("coupled without the lock", second(stage="contact"), 3, "stage", "the lock did not go home"),
    ("everything joined, yet not coupled", second(outcome="could not couple"), 3, "stage", "everything joined"),
    ("a place nobody knows", second(place="XXX"), 3, "place", "no place with the code “XXX”"),
    ("a place by its name", second(place="Skarrow Junction"), 3, "place", "no place with the code"),
]


def test_there_are_many_kinds_of_bad_file_each_named_once():
    assert len({name for name, *_ in BAD}) == len(BAD) >= 30


@pytest.mark.parametrize(("name", "data", "line", "column", "words"), BAD, ids=[case[0] for case in BAD])
def test_a_bad_file_is_named_and_nothing_is_written(railway, name, data, line, column, words):
    done = load(data)
    assert not done.written
    assert [(fault.line, fault.column) for fault in done.faults] == [(line, column)]
    assert words in done.faults[0].reason
    assert (done.bad, done.fault_count) == (1, 1)
    assert not Coupling.objects.exists()
    assert not CouplingSide.objects.exists()
    assert load(data, dry_run=True) == done


@pytest.mark.parametrize("data", [case[1] for case in BAD if case[2] == 3], ids=[c[0] for c in BAD if c[2] == 3])
def test_a_bad_row_makes_what_is_stored_no_different(railway, data):
    load(file(row(source_ref="r0")))
    before = stored()
    assert load(data).bad == 1
    assert stored() == before
