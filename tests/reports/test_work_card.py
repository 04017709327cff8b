"""The work card read back from its PDF: words, sizes, places, sheets, square, picture."""

import subprocess
import sys
from dataclasses import replace
from datetime import datetime
from itertools import combinations

import pytest
import zxingcpp
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from PIL import ImageDraw
from reportlab.pdfgen.canvas import Canvas

from inspections.reports.card import no_photo
from inspections.reports.card_close import RESULTS
from inspections.reports.card_finding import NO_STEPS, grey
from inspections.reports.paper import LEFT, MM, PAGE_HEIGHT, WIDTH
from inspections.reports.work_card import (
    CardFinding,
    CardIsolation,
    CardLimit,
    CardSeen,
    CardStep,
    CardTest,
    draw_card,
    lay_card,
    work_card,
)
from tests.reports.cards import GMT, LINK, STEPS, TESTS, card, finding, photo
from tests.reports.readback import Area, Sheet, pictures, read

PRINT = Area(LEFT, 4.5 * MM, WIDTH, PAGE_HEIGHT - 9 * MM)
QR = Area(LEFT + WIDTH - 30 * MM, PAGE_HEIGHT - 32.5 * MM, 30 * MM, 30 * MM)
HOSTILE = [
    "<img src='/etc/passwd'/> <b>x <para> &amp; <font size=99>big",
    "W" * 3000,
    "word " * 1500,
    "\n" * 500 + "after the gap",
    "Žižkov Łódź Straße Ελλάδα Київ 字 😀",
    "(cut ) here) \\ %PDF-1.4 endstream endobj",
    "\x00\x07\u202ereversed\u200b\ufeff",
    "",
]


def lock_finding(**changes) -> CardFinding:
    made = finding(
        reference="00104297",
        slot="hook",
        part="4 Lock hook",
        fault="lock not fully home",
        category="Intolerable",
        limits=("stand: not to move until control agrees", "keep people off the gangway"),
        steps=(
            CardStep("Compare marks, switch and gauge", "All three", warning="the lock snaps", second=True),
            CardStep("Clean, grease, renew the springs in pairs"),
        ),
        tests=(
            CardTest("pull test", "no movement, marks unchanged", second=True, record=("Gauge", "Mate", "Looks")),
        ),
        photo=no_photo,
        check="lock",
    )
    return replace(made, **changes)


THREE = card(finding(), lock_finding(), finding(reference="00104300", steps=(), tests=(), check=""))
SEVEN = finding(steps=(*STEPS, CardStep("Fit the hood", "Hood no.")))


def hostile_card(text: str):
    """The same text in every place that holds one."""
    odd = finding(
        reference=text,
        slot=text,
        part=text,
        fault=text,
        category=text,
        limits=(text, text),
        seen=(CardSeen(None, text, text, text, text, (text,)),),
        past=(text,),
        parts=(text,),
        tools=(text,),
        steps=(CardStep(text, text, text, second=True),),
        tests=(CardTest(text, text, text, text, text, record=(text,)),),
        photo=text.encode,
        check=text,
        deferral=text,
        left=text,
        repeat=text,
        document=text,
        unseen=2,
    )
    return card(
        odd,
        unit=text,
        end=text,
        drawing=text,
        visit=text,
        limits=(CardLimit(text, (text, text)),),
        labels=(text,),
        isolations=(CardIsolation(text, text, text), CardIsolation(text), CardIsolation(text)),
        cautions=(text,),
        mates=(text,),
        warning=text,
    )


def misplaced(sheet: Sheet) -> list[str]:
    """Every text that leaves the print, cuts a box's edge or lies on another text, the square or a picture."""
    wrong = [f"outside the print: {text.words}" for text in sheet.texts if not text.area.within(PRINT)]
    for text in sheet.texts:
        wrong += [
            f"through a box: {text.words}"
            for box in sheet.boxes
            if text.area.overlaps(box) and not text.area.within(box)
        ]
        wrong += [f"on a picture: {text.words}" for area in (QR, *sheet.images) if text.area.overlaps(area)]
    wrong += [
        f"on each other: {a.words} / {b.words}"
        for a, b in combinations(sheet.texts, 2)
        if a.area.overlaps(b.area, slack=1)
    ]
    wrong += [f"boxes cross: {a} / {b}" for a, b in combinations(sheet.boxes, 2) if a.overlaps(b)]
    return wrong


CARDS = [
    ("one finding", card(), 1),
    ("one step", card(finding(steps=STEPS[:1], tests=())), 1),
    ("six steps, no test", card(finding(steps=STEPS + STEPS[:2], tests=())), 1),
    ("no photo", card(finding(photo=no_photo)), 1),
    ("seven rows", card(SEVEN), 2),
    ("three findings", THREE, 3),
    ("no finding", card(findings=()), 1),
    ("nothing known", card(finding(slot="", seen=(), limits=(), examine_by=None), end="", drawing=""), 1),
    ("draw hook", card(finding(part="4 Draw hook", slot="hook", photo=no_photo), drawing="H"), 1),
]


@pytest.mark.parametrize(("name", "made", "sheets"), CARDS)
def test_sheets_and_places(name, made, sheets):
    read_back = read(work_card(made))
    assert len(read_back) == sheets
    for number, sheet in enumerate(read_back, 1):
        assert misplaced(sheet) == []
        assert f"version 2, sheet {number} of {sheets}" in sheet.words
        assert min(text.size for text in sheet.texts) >= 11
        assert "This paper is not the record until the result is entered." in sheet.words
        assert "Rule book, signaller and control decide." in sheet.words


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_printed_as_text_and_keeps_its_place(text):
    for sheet in read(work_card(hostile_card(text))):
        assert misplaced(sheet) == []
        assert min(run.size for run in sheet.texts) >= 11
        assert sheet.images == []


@settings(max_examples=25, deadline=None, derandomize=True, phases=(Phase.generate,))
@given(st.text(max_size=120))
def test_any_text_keeps_its_place(text):
    for sheet in read(work_card(hostile_card(text))):
        assert misplaced(sheet) == []


def test_markup_comes_out_verbatim():
    words = "<img src='/etc/passwd'/> <b>x &amp; 5 < 6"
    sheet = read(work_card(card(finding(seen=(CardSeen(None, "", "Driver 1", words),)))))[0]
    assert words.replace(" ", "") in sheet.words.replace(" ", "")


def test_a_huge_note_is_printed_whole_and_in_order():
    words = [f"w{number:04}" for number in range(3000)]
    sheets = read(work_card(card(finding(seen=(CardSeen(None, "", "Driver 1", " ".join(words)),)))))
    printed = " ".join(sheet.words for sheet in sheets).replace("\u201c", "").replace("\u201d", "").split()
    assert [word for word in printed if word[0] == "w" and word[1:].isdigit()] == words
    assert len(sheets) > 3


@pytest.mark.parametrize(
    "words",
    [
        "Work card 0010 4289",
        "Printed 14 Jan 2026, 08:05",
        "Elmsgate, road 3, early shift.",
        "Unit 305, A end",
        "Do not couple at this end (restriction 14 Jan 2026, label 0417; report 0010 4289); not",
        "0417, both",
        "311 B, 13 Jan 2026",
        "Isolate: Main reservoir pipe",
        "Key 14",
        "Line blocked, driver told",
        "5 Upper air seal: torn, piece missing",
        "Undesirable",
        "Examine by 14 Jan 2026, 18:00.",
        "14 Jan 2026, 05:52, Thornhope siding, Driver 2",
        "(2nd in 62 days)",
        "Seal ring and retainer; soap spray",
        "Take care: stored air, eye protection",
        "at most 0.1 bar (TS 114/2)",
        "Found and done",
        "Fitter: name, sign, time",
        "Checker: name, sign, time",
        "Checker asked for: air joint,",
        "All isolations off,",
        *RESULTS,
    ],
)
def test_the_card_says(words):
    assert words in read(work_card(card()))[0].words


SIZES = [
    ("Unit 305, A end", 34, True),
    ("5 Upper air seal: torn, piece missing", 22, True),
    ("Undesirable", 20, True),
    ("Take the ring out; clean the groove, no solvent", 14, False),
    ("Found and done", 11, False),
]


@pytest.mark.parametrize(("words", "size", "bold"), SIZES)
def test_sizes(words, size, bold):
    (text,) = [text for text in read(work_card(card()))[0].texts if text.words == words]
    assert (text.size, text.bold) == (size, bold)


def box_round(sheet: Sheet, words: str) -> tuple[float, float]:
    """Width and height in mm of the box that holds the words."""
    (text,) = [text for text in sheet.texts if text.words == words]
    (box,) = [box for box in sheet.boxes if text.area.within(box)]
    return round(box.w / MM, 1), round(box.h / MM, 1)


def test_boxes_have_room_for_a_gloved_pen():
    sheet = read(work_card(card()))[0]
    assert box_round(sheet, "Damage found") == (62, 15)
    assert box_round(sheet, "Found and done") == (186, 24)
    assert box_round(sheet, "Fitter: name, sign, time") == (60, 24)
    assert box_round(sheet, "Checker: name, sign, time") == (60, 24)
    ticks = [box for box in sheet.boxes if abs(box.w - box.h) < 0.1]
    assert len(ticks) == len(RESULTS) + 3
    assert min(box.w for box in ticks) >= 6 * MM
    assert sum(round(box.w / MM) == 22 and round(box.h / MM) == 15 for box in sheet.boxes) == 6


def test_boxes_stand_clear_of_each_other():
    for made in (card(), THREE):
        for sheet in read(work_card(made)):
            for a, b in combinations(sheet.boxes, 2):
                across = max(a.x, b.x) - min(a.x + a.w, b.x + b.w)
                down = max(a.y, b.y) - min(a.y + a.h, b.y + b.h)
                assert across >= 4.99 * MM or down >= 2.99 * MM, (a, b)


def test_limit_unit_and_document_share_the_cell_of_the_blank():
    sheet = read(work_card(card()))[0]
    (limit,) = [text for text in sheet.texts if text.words == "at most 0.2 bar (TS 114/2)"]
    (cell,) = [box for box in sheet.boxes if limit.area.within(box)]
    inside = [text for text in sheet.texts if text.area.within(cell)]
    assert [text.words for text in inside] == ["at most 0.2 bar (TS 114/2)", "bar"]
    assert limit.area.y - cell.y >= 9.5 * MM  # what is left to write in


def test_a_limit_without_a_document_is_called_indicative():
    sheet = read(work_card(card(finding(tests=(replace(TESTS[0], document=""),)))))[0]
    assert "(indicative, no document)" in sheet.words


def test_warning_stands_before_the_step_it_guards():
    words = read(work_card(card()))[0].words
    assert words.index("Take care: stored air") < words.index("Shut the pipe cock, vent the hose")


def test_second_person_boxes_only_where_asked():
    first, second, third = read(work_card(THREE))
    assert [text.words for text in first.texts if text.words in ("Doer", "Second")] == []
    assert [text.words for text in second.texts if text.words in ("Doer", "Second")] == ["Doer", "Second"] * 2
    assert "No checker asked for" in third.words
    assert "Checker: name, sign, time" not in third.words


def test_rows_run_on_under_repeated_headings():
    first, second = read(work_card(card(finding(steps=STEPS * 3))))[:2]
    assert "0010 4289, 5 Upper air seal: torn, piece missing (continued)" in second.words
    for sheet in (first, second):
        assert [text.words for text in sheet.texts if text.words in ("No", "Do", "Write", "Initials")] == [
            "No",
            "Do",
            "Write",
            "Initials",
        ]
        assert "Unit 305, A end" in sheet.words


def test_the_headings_stand_once_on_every_sheet():
    for made in (card(*[finding(steps=STEPS * n, tests=TESTS) for n in (1, 2, 3)]), THREE):
        for sheet in read(work_card(made)):
            words = [text.words for text in sheet.texts]
            blocks = [n for n, word in enumerate(words) if word == "No"]
            assert all(later - first > 4 for first, later in zip(blocks, blocks[1:], strict=False)), words


def test_what_a_half_done_job_a_deferral_and_a_repeat_say_is_printed():
    said = finding(
        left="parts off: the ring; put back 14 Jan 2026, 07:10 by Fitter 1",
        repeat="2nd in 28 days on this part of this end",
        deferral="until 15 Jan 2026, 18:00, or the next coupling",
        document="TS 114/2",
        unseen=2,
    )
    warning = "No assistance plan, and neither end can be used"
    words = " ".join(sheet.words for sheet in read(work_card(card(said, warning=warning))))
    for text in ("Left half done", "parts off: the ring", "Left for now", "Repeat", "Steps, tests from", warning):
        assert text.lower() in words.lower(), text
    assert "looks between the first and these: 2." in words
    assert "at most 0.1 bar" in words and "(TS 114/2)" not in words, "the document is named once"


def test_what_a_test_wants_written_has_a_line_each_in_its_cell():
    leak = replace(TESTS[0], unit="", record=("Bar: start, end", "°C: start, end"))
    sheet = read(work_card(card(finding(tests=(leak,)))))[0]
    first, second = ((text, text.area) for text in sheet.texts if text.words in leak.record)
    assert first[1].y - second[1].y == pytest.approx(10 * MM, abs=0.5)
    (cell,) = [box for box in sheet.boxes if first[1].within(box)]
    assert second[1].within(cell) and round(cell.w / MM) == 62


def test_an_isolation_that_is_recorded_is_printed_with_its_key():
    done = CardIsolation("main reservoir cock shut", "14, Fitter 1", "cock 3, 14 Jan 2026, 05:10, Fitter 2")
    sheet = read(work_card(card(isolations=(done, CardIsolation("Brake pipe cock")))))[0]
    for words in ("Recorded as isolated, prove it:", "14 Jan 2026, 05:10", "Key 14, Fitter 1", "Key no."):
        assert words in sheet.words
    assert "Isolate: Brake pipe cock" in sheet.words


def test_result_and_names_stay_on_one_sheet():
    for made in (card(SEVEN), THREE):
        for sheet in read(work_card(made)):
            words = [text.words for text in sheet.texts]
            assert words.count("Found and done") == words.count("Repaired") == words.count("Fitter: name, sign, time")


def test_isolations_come_off_once_after_the_last_finding():
    counts = [sheet.words.count("All isolations off,") for sheet in read(work_card(THREE))]
    assert counts == [0, 0, 1]
    assert "All isolations off," not in read(work_card(card(isolations=())))[0].words


def test_no_steps_is_said():
    assert NO_STEPS in read(work_card(card(finding(steps=(), tests=()))))[0].words


def test_black_only():
    shades = {shade for sheet in read(work_card(THREE)) for shade in sheet.colours}
    assert shades <= {(0.0,), (1.0,), (0.0, 0.0, 0.0), (1.0, 1.0, 1.0)}


def test_square_decodes_from_a_print(tmp_path):
    (sheet,) = pictures(work_card(card()), tmp_path, dots=150)
    (found,) = zxingcpp.read_barcodes(sheet)
    assert (found.text, found.ec_level) == (LINK, "Q")


def test_square_is_coarse_and_survives_a_stain(tmp_path):
    short = "HTTPS://OVR.UK/F/00104289"
    (sheet,) = pictures(work_card(card(link=short)), tmp_path, dots=150)
    (found,) = zxingcpp.read_barcodes(sheet)
    corners = found.position
    across = corners.top_right.x - corners.top_left.x
    assert across / 150 * 25.4 == pytest.approx(25 * 30 / 33, abs=0.6)  # 25 modules of 0.9 mm
    x, y = corners.top_left.x + across * 0.45, corners.top_left.y + across * 0.55
    ImageDraw.Draw(sheet).ellipse((x, y, x + across * 0.22, y + across * 0.22), fill=90)
    assert zxingcpp.read_barcodes(sheet)[0].text == short


def test_no_link_no_square(tmp_path):
    (sheet,) = pictures(work_card(card(link="")), tmp_path, dots=150)
    assert zxingcpp.read_barcodes(sheet) == []


def test_photo_keeps_its_shape_inside_52_by_39_mm():
    (wide,) = read(work_card(card(finding(photo=photo((1600, 900))))))[0].images
    assert (wide.w / wide.h, wide.w / MM) == pytest.approx((1600 / 900, 52), rel=0.01)
    (tall,) = read(work_card(card(finding(photo=photo((600, 1200), "PNG")))))[0].images
    assert (tall.w / tall.h, tall.h / MM) == pytest.approx((0.5, 39), rel=0.01)


def test_photo_is_on_the_sheet_and_small_in_the_file(tmp_path):
    pdf = work_card(card(finding(photo=photo((4000, 3000)))))
    assert len(pdf) < 120_000
    (area,) = read(pdf)[0].images
    (sheet,) = pictures(pdf, tmp_path)
    x, y = (area.x + area.w * 0.4) / 72 * 100, (PAGE_HEIGHT - area.y - area.h * 0.6) / 72 * 100
    assert sheet.getpixel((round(x), round(y))) < 40


@pytest.mark.parametrize("bad", [b"", b"not a photo", photo()()[:200], b"GIF89a" + bytes(50)])
def test_a_photo_that_does_not_open_gives_way_to_the_outline(bad):
    assert grey(bad) is None
    sheet = read(work_card(card(finding(photo=lambda: bad))))[0]
    assert sheet.images == []
    assert "Seen facing the end" in sheet.words


def test_the_same_card_gives_the_same_bytes():
    assert work_card(THREE) == work_card(THREE)


def test_letters_outside_latin_1_are_embedded(tmp_path):
    pdf = work_card(card(finding(fault="přední Łódź", photo=no_photo), visit="Žižkov"))
    sheet = read(pdf)[0]
    assert "přední Łódź" in sheet.words and "Žižkov" in sheet.words
    (tmp_path / "card.pdf").write_bytes(pdf)
    fonts = subprocess.run(
        ["pdffonts", str(tmp_path / "card.pdf")], capture_output=True, text=True, check=True, timeout=20
    ).stdout.splitlines()[2:]
    used = [row for row in fonts if "Roboto" in row]
    assert len(used) == 2 and all(" yes yes yes " in row for row in used)


def test_cards_add_up_to_a_pack(tmp_path):
    canvas = Canvas(str(tmp_path / "pack.pdf"))
    laid = [lay_card(made, in_pack=True) for made in (card(), THREE)]
    assert [len(one.sheets) for one in laid] == [1, 3]
    for before, one in zip((3, 4), laid, strict=True):
        draw_card(canvas, one, before=before, pages=7)
    canvas.save()
    sheets = read((tmp_path / "pack.pdf").read_bytes())
    counts = [next(text.words for text in sheet.texts if "version" in text.words) for sheet in sheets]
    assert counts == [
        "version 2, sheet 1 of 1, page 4 of 7",
        "version 2, sheet 1 of 3, page 5 of 7",
        "version 2, sheet 2 of 3, page 6 of 7",
        "version 2, sheet 3 of 3, page 7 of 7",
    ]
    assert [misplaced(sheet) for sheet in sheets] == [[]] * 4


def test_time_not_known_is_said():
    sheet = read(work_card(card(finding(seen=(CardSeen(None, "", "Driver 1"),)))))[0]
    assert "time not known, Driver 1" in sheet.words


def test_moments_are_printed_as_given():
    made = card(printed=datetime(2026, 10, 25, 1, 30, tzinfo=GMT))
    assert "Printed 25 Oct 2026, 01:30" in read(work_card(made))[0].words


def test_reports_need_no_django():
    code = "import sys; sys.modules['django'] = None; import inspections.reports.work_card"
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0
