"""The shift pack read back from its PDF: order, outline, page numbers, places, the square of each card."""

import subprocess
import sys
from dataclasses import replace
from io import BytesIO

import pytest
import zxingcpp
from pypdf import PdfReader

from inspections.reports.pack_handover import FIRST_SHOWN, NOTHING, PARTS_UNKNOWN
from inspections.reports.pack_jobs import COLUMNS
from inspections.reports.paper import MM, WIDTH
from inspections.reports.shift_pack import PackCount, Unfinished, shift_pack
from tests.reports.cards import card, finding
from tests.reports.packs import EMPTY, JOB, made, pack
from tests.reports.readback import pictures, read
from tests.reports.test_work_card import HOSTILE, misplaced


def wrong_places(sheet):
    """What is misplaced; on a page without a square its place may hold text."""
    has_square = "sheet " in sheet.words
    return [fault for fault in misplaced(sheet) if has_square or not fault.startswith("on a picture")]


def outline(pdf):
    """(level, title, page from 1) of every entry."""
    reader = PdfReader(BytesIO(pdf))

    def walk(entries, level=0):
        for entry in entries:
            if isinstance(entry, list):
                yield from walk(entry, level + 1)
            else:
                yield level, entry.title, reader.get_destination_page_number(entry) + 1

    return list(walk(reader.outline))


def test_handover_then_jobs_then_cards_with_page_numbers_and_outline():
    _, pdf = made(pack(3))
    sheets = read(pdf)
    assert len(sheets) == 5
    assert [f"page {n} of 5" in sheet.words for n, sheet in enumerate(sheets, 1)] == [True] * 5
    assert outline(pdf) == [
        (0, "Handover", 1),
        (0, "Jobs (3)", 2),
        (0, "Cards (3)", 3),
        (1, "301 A: 5 Upper air seal", 3),
        (1, "302 A: 5 Upper air seal", 4),
        (1, "303 A: 5 Upper air seal", 5),
    ]
    assert "version 2, sheet 1 of 1, page 4 of 5" in sheets[3].words
    assert "Unit 302, A end" in sheets[3].words


@pytest.mark.parametrize(
    "words",
    [
        "Elmsgate. Early shift, 14 January 2026",
        "Printed 14 Jan 2026, 06:05.",
        "Lead out: name, sign, time",
        "Lead in: name, sign, time",
        "Open jobs: 2",
        "Change since the pack of 13 Jan 2026, 21:40.",
        "Not graded 1 more",
        "2 fewer",
        "no change",
        "301 A, road 3, 5 Upper air seal: torn, piece missing, 0010 4289. Undesirable; by 14 Jan 18:00",
        "Parts off: the ring; key 14 with Fitter 1.",
        "311, 14 Jan 14:00, road 2: 2 open, worst tolerable.",
        PARTS_UNKNOWN,
        "Notes, face to face",
    ],
)
def test_the_first_page_says(words):
    sheet = read(made(pack())[1])[0]
    column = " ".join(text.words for text in sorted(sheet.texts, key=lambda text: (text.area.x, -text.area.y)))
    assert words in sheet.words or words in column


def test_the_job_list_names_the_page_of_each_card():
    sheets = read(made(pack(3))[1])
    jobs = sheets[1]
    starts = {text.words: text.area.x for text in jobs.texts if text.words in dict(COLUMNS)}
    assert list(starts) == [name for name, _ in COLUMNS]
    pages = [text.words for text in jobs.texts if text.area.x == starts["Page"]]
    assert pages == ["Page", "3", "4", "5"]
    whens = " ".join(text.words for text in jobs.texts if text.area.x == starts["When"])
    assert whens.count("Undesirable, by 14 Jan 18:00, in work") == 3
    assert sum(width for _, width in COLUMNS) * MM == pytest.approx(WIDTH)


def test_a_job_without_a_card_says_so():
    one = pack(1)
    lost = replace(one, jobs=(*one.jobs, replace(JOB, reference="00104297", card=-1)))
    texts = [text.words for text in read(made(lost)[1])[1].texts]
    assert "0010 4297" in texts and "none" in texts


def test_an_empty_depot_has_the_handover_alone_and_a_sentence():
    steps, pdf = made(EMPTY)
    (sheet,) = read(pdf)
    assert steps == []
    assert NOTHING in sheet.words and "page 1 of 1" in sheet.words
    assert "No pack was printed here before." in sheet.words
    assert sheet.words.count("None.") == 3
    assert outline(pdf) == [(0, "Handover", 1)]


def test_more_than_fit_the_first_page_are_counted_there_and_all_in_the_list():
    one = pack(FIRST_SHOWN + 9)
    first, *rest = read(made(replace(one, first=one.jobs))[1])
    assert "And 9 more: they stand first in the job list." in first.words
    listed = " ".join(sheet.words for sheet in rest if "sheet " not in sheet.words)
    assert all(f"{job.unit} A" in listed for job in one.jobs)


def test_each_step_is_told_once():
    assert made(pack(3))[0] == [1, 2, 3, 4, 5, 6]


def test_nothing_leaves_its_place_in_forty_cards():
    sheets = read(made(pack(40))[1])
    assert len(sheets) >= 42
    for sheet in sheets:
        assert wrong_places(sheet) == []
        assert min(text.size for text in sheet.texts) >= 11
    shades = {shade for sheet in sheets for shade in sheet.colours}
    assert shades <= {(0.0,), (1.0,), (0.0, 0.0, 0.0), (1.0, 1.0, 1.0)}


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_keeps_its_place(text):
    job = replace(
        JOB, reference=text, unit=text, end=text, road=text, part=text, fault=text, category=text, due=text,
        state=text, since=text, card=-1,
    )  # fmt: skip
    odd = replace(
        EMPTY,
        depot=text,
        shift=text,
        before=text,
        counts=(PackCount(text, 10**12, 10**12),) * 5,
        first=(job,),
        unfinished=(Unfinished(job, text),),
        due_in=(text, text),
        jobs=(job,),
        cards=(card(finding(part=text), unit=text),),
    )
    for sheet in read(made(odd)[1]):
        assert wrong_places(sheet) == []


def test_the_square_of_every_card_decodes(tmp_path):
    one = pack(2)
    cards = [replace(each, link=f"HTTPS://OVR.UK/F/0010428{n}") for n, each in enumerate(one.cards)]
    sheets = pictures(made(replace(one, cards=tuple(cards)))[1], tmp_path, dots=150)
    assert [[found.text for found in zxingcpp.read_barcodes(sheet)] for sheet in sheets[2:]] == [
        [each.link] for each in cards
    ]


def test_photos_are_read_one_card_at_a_time():
    opened = []

    def photo_of(n):
        return lambda: opened.append(n)

    cards = tuple(card(finding(photo=photo_of(n))) for n in range(3))
    seen = [len(opened) for _ in shift_pack(pack(3, cards=cards))]
    assert seen == [0, 0, 0, 1, 2, 3]


def test_the_same_pack_gives_the_same_bytes():
    assert made(pack(2))[1] == made(pack(2))[1]


def test_packs_need_no_django():
    code = "import sys; sys.modules['django'] = None; import inspections.reports.shift_pack"
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0
