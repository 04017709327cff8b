"""Sample pages measured in the browser: sizes, contrast, width, focus, themes, paper."""

import re

import pytest

from tests.look import samples
from tests.look.probes import axe_faults, probe

PAGES = {
    "driver": samples.driver_page,
    "driver wrong": lambda: samples.driver_page(wrong=True),
    "desk": samples.desk_page,
    "form": lambda: samples.form_page(samples.everything()),
    "form wrong": lambda: samples.form_page(samples.everything(wrong=True)),
    "not found": lambda: samples.trouble("404.html"),
}


@pytest.fixture(params=PAGES)
def html(request):
    return PAGES[request.param]()


@pytest.fixture(params=[False, True], ids=["day", "night"])
def night(request):
    return request.param


def test_axe_finds_nothing(look, html, night):
    """Tall enough that the send bar lies over nothing: axe counts a target half under it as a small one."""
    assert axe_faults(look(html, night=night, height=3000)) == []


def test_axe_finds_a_planted_fault(look):
    page = look(samples.desk_page().replace("<h1>", '<img src="/static/icons/logbook.svg"><h1>'))
    assert any(fault.startswith("image-alt") for fault in axe_faults(page))


def test_axe_is_really_looking_at_night(look):
    page = look(samples.desk_page(), night=True)
    assert axe_faults(page, colours_only=True) == []
    page.evaluate("document.querySelector('h1').style.color = '#333'")
    assert [fault.partition(":")[0] for fault in axe_faults(page, colours_only=True)] == ["color-contrast"]


def test_every_text_pair_reads_well(look, html, night):
    result = probe(look(html, night=night), "contrast", 7)
    assert result["pairs"] >= 3
    assert result["low"] == []


def test_the_driver_text_reads_very_well(look, night):
    page = look(samples.driver_page(), night=night)
    pairs = page.locator("h1, main .answer label").evaluate_all("(n) => n.map((e) => getComputedStyle(e).color)")
    assert set(pairs) == {"rgb(230, 234, 237)" if night else "rgb(20, 24, 28)"}


def test_no_page_scrolls_sideways(look, html):
    page = look(html)
    for width in (320, 360, 768, 1280):
        page.set_viewport_size({"width": width, "height": 640})
        assert probe(page, "sideways") == [], width


def test_long_words_do_not_widen_the_page(look):
    person = samples.SimpleNamespace(is_authenticated=True, get_full_name="Wolfeschlegelsteinhausen" * 3)
    form = samples.Driver({"end": "A"})
    form.fields["end"].choices += [("x", "Donaudampfschifffahrtsgesellschaft" * 3)]
    page = look(samples.page("driver_page", user=person, form=form, face=""), width=320)
    assert probe(page, "sideways") == []


def test_targets_are_large_enough(look):
    assert probe(look(samples.driver_page(wrong=True)), "smallTargets", 44, 64) == []
    assert probe(look(samples.desk_page()), "smallTargets", 44, 44) == []
    assert probe(look(samples.form_page(samples.everything())), "smallTargets", 44, 44) == []


def test_the_target_probe_finds_small_ones(look):
    page = look(samples.desk_page())
    found = probe(page, "smallTargets", 44, 45)
    assert len(found) == page.locator("main button").count() == 3


def test_driver_answers_are_64_px_with_gaps_and_full_width(look):
    page = look(samples.driver_page())
    heights = probe(page, "answerHeights")
    assert len(heights) == 10
    assert min(heights) >= 64
    assert probe(page, "closeAnswers") == []
    assert page.locator("main .answer label").first.bounding_box()["width"] == 328
    dot = page.locator("#id_end_0").bounding_box()
    assert (dot["width"], dot["height"]) == (24, 24)


def test_texts_are_16_px_or_more_and_18_for_drivers(look):
    page = look(samples.driver_page())
    assert probe(page, "smallText", 16) == []
    assert page.locator("label[for=id_end_0]").evaluate("(n) => getComputedStyle(n).fontSize") == "18px"
    assert page.locator(".unit-number").evaluate("(n) => parseFloat(getComputedStyle(n).fontSize)") >= 28
    assert probe(look(samples.desk_page()), "smallText", 16) == []


def test_unit_and_first_answers_are_in_view_on_a_phone(look):
    page = look(samples.driver_page())
    number = page.locator(".unit-number").bounding_box()
    assert number["y"] + number["height"] <= 200
    last = page.locator("label[for=id_end_2]").bounding_box()
    assert last["y"] + last["height"] <= page.locator(".sendbar").bounding_box()["y"]


def test_the_send_bar_is_low_and_never_over_the_focus(look):
    page = look(samples.driver_page(), reduced_motion="reduce")
    assert page.locator(".sendbar").bounding_box()["height"] <= 80
    page.locator("#id_end_0").focus()
    hidden = []
    for _ in range(6):
        page.keyboard.press("Tab")
        hidden.append(probe(page, "focused"))
    assert [stop["what"] for stop in hidden[:4]] == ["id_part_0", "id_fault_0", "id_photo", "id_photo_album"]
    assert [stop for stop in hidden if stop["hidden"]] == []


def test_the_send_bar_stays_in_the_text_when_the_text_is_large(look):
    for size in ({"width": 180, "height": 320}, {"width": 640, "height": 360}):
        page = look(samples.driver_page(), **size)
        assert page.locator(".sendbar").evaluate("(n) => getComputedStyle(n).position") == "static"
        assert probe(page, "sideways") == []


def test_text_spacing_cuts_nothing_off(look, html):
    """WCAG 2.2, 1.4.12, and text at twice its size (1.4.4)."""
    page = look(html, bypass_csp=True)
    spacing = "line-height: 1.5 !important; letter-spacing: .12em !important; word-spacing: .16em !important"
    page.add_style_tag(content=f":root {{ font-size: 200% }} * {{ {spacing} }}")
    assert probe(page, "sideways") == []
    assert probe(page, "cutOff") == []


def test_every_stop_of_the_tab_key_is_seen_and_in_order(look):
    page = look(samples.form_page(samples.everything()), reduced_motion="reduce")
    stops = []
    for _ in range(45):
        page.keyboard.press("Tab")
        stop = probe(page, "focused")
        if stop["what"] == "BODY":
            break
        stops.append(stop)
    assert stops[0]["what"] == "Skip to the page"
    assert [stop for stop in stops if stop["outline"] < 4] == []
    names = [stop["what"] for stop in stops]
    assert names.index("id_unit") < names.index("id_end_0") < names.index("id_gap") < names.index("id_agreed")
    assert len(stops) >= 30


def test_the_skip_link_leads_into_the_page(look):
    page = look(samples.desk_page())
    page.keyboard.press("Tab")
    assert page.locator(".skip").bounding_box()["y"] >= 0
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


PAGE_COLOUR = "getComputedStyle(document.body).backgroundColor"
DAY, NIGHT = "rgb(255, 255, 255)", "rgb(22, 27, 32)"


@pytest.mark.parametrize(
    ("theme", "phone_dark", "colour"),
    [
        ("", False, DAY),
        ("", True, NIGHT),
        ("day", True, DAY),
        ("night", False, NIGHT),
        ("phone", True, NIGHT),
        ("odd", True, DAY),
    ],
)
def test_the_stored_choice_stands_before_the_phones(look, theme, phone_dark, colour):
    assert look(samples.desk_page(), theme=theme, night=phone_dark).evaluate(PAGE_COLOUR) == colour


def test_the_choice_works_at_once_and_is_kept(look):
    page = look(samples.desk_page())
    assert page.locator("#theme input:checked").get_attribute("value") == "phone"
    page.emulate_media(color_scheme="dark")
    page.wait_for_function(f"{PAGE_COLOUR} === '{NIGHT}'", timeout=5000)  # the phone tells the page a moment later
    page.get_by_label("Day", exact=True).check(force=True)
    assert page.evaluate(PAGE_COLOUR) == DAY
    page.get_by_label("Night", exact=True).check(force=True)
    page.emulate_media(color_scheme="light")
    page.reload()
    assert page.evaluate(PAGE_COLOUR) == NIGHT
    assert page.locator("#theme input:checked").get_attribute("value") == "night"


def test_the_theme_is_set_before_the_stylesheet():
    html = samples.desk_page()
    assert html.index("theme.js") < html.index("logbook.css")


def test_paper_is_always_day_and_has_no_chrome(look):
    page = look(samples.desk_page(), theme="night")
    page.emulate_media(media="print")
    assert page.evaluate(PAGE_COLOUR) == DAY
    assert page.locator(".band-intolerable").evaluate("(n) => getComputedStyle(n).printColorAdjust") == "exact"
    received = page.locator(".sync-received").evaluate("(n) => getComputedStyle(n).color")
    assert received == page.locator("h1").evaluate("(n) => getComputedStyle(n).color")
    for chrome in (".top", ".skip", ".strip", "#theme", ".actions", ".messages"):
        assert page.locator(f"{chrome}:visible").count() == 0, chrome
    assert page.get_by_text("signaller and control decide").last.is_visible()


def test_bands_differ_by_pattern_weight_and_words(look):
    page = look(samples.desk_page())
    assert probe(page, "rails") == ["solid", "double", "dotted", "empty"]
    weight = "(n) => n.map((e) => getComputedStyle(e).fontWeight)"
    assert page.locator(".band-name").evaluate_all(weight) == ["800", "700", "600", "400"]
    assert page.locator(".band-name").all_inner_texts() == ["Intolerable", "Undesirable", "Tolerable", "Negligible"]
    assert page.locator(".tag-unlooked").first.inner_text() == "Not looked at yet: 3 hours"
    assert page.locator(".tag-unlooked").first.evaluate("(n) => getComputedStyle(n).borderTopStyle") == "dashed"


def test_sync_states_differ_by_border(look):
    page = look(samples.desk_page())
    border = "(nodes) => nodes.map((n) => getComputedStyle(n)).map((s) => [s.borderTopStyle, s.borderTopWidth])"
    borders = page.locator(".sync").evaluate_all(border)
    assert borders == [["dashed", "2px"], ["solid", "1px"], ["solid", "2px"], ["solid", "2px"]]
    fill = page.locator(".sync-received").evaluate("(n) => getComputedStyle(n).backgroundColor")
    assert fill == page.locator("h1").evaluate("(n) => getComputedStyle(n).color")


def test_forced_colours_keep_every_meaning(look):
    page = look(samples.driver_page(wrong=True), forced_colors="active")
    assert page.locator("#id_end_0").evaluate("(n) => getComputedStyle(n).appearance") != "none"
    outline = "(n) => getComputedStyle(n).outlineStyle"
    assert page.locator("label[for=id_end_0]").evaluate(outline) == "solid"
    assert page.locator("label[for=id_end_1]").evaluate(outline) == "none"
    fill = "(n) => getComputedStyle(n).fill"
    assert page.locator(".face .marked .n").first.evaluate(fill) != page.locator(
        ".face .part:not(.marked) .n"
    ).first.evaluate(fill)
    desk = look(samples.desk_page(), forced_colors="active")
    assert probe(desk, "rails") == ["solid", "double", "dotted", "empty"]


def test_nothing_glides_when_motion_is_unwanted(look):
    scroll = "getComputedStyle(document.documentElement).scrollBehavior"
    assert look(samples.desk_page(), reduced_motion="no-preference").evaluate(scroll) == "smooth"
    assert look(samples.desk_page(), reduced_motion="reduce").evaluate(scroll) == "auto"


def test_tables_become_blocks_on_a_phone_and_keep_their_words(look):
    page = look(samples.desk_page())
    assert page.locator("tbody tr").first.evaluate("(n) => getComputedStyle(n).display") == "block"
    label = page.locator("td.number").first.evaluate("(n) => getComputedStyle(n, '::before').content")
    assert label == '"Open" ": "' or label == '"Open: "'
    snapshot = page.locator("table").aria_snapshot()
    assert 'table "Open findings by depot"' in snapshot
    assert 'rowheader "Brackwater"' in snapshot
    wide = look(samples.desk_page(), width=1280, height=800)
    assert wide.locator("tbody tr").first.evaluate("(n) => getComputedStyle(n).display") == "table-row"


def test_lists_are_two_columns_on_a_tablet_and_stand_beside_the_detail_on_a_desk(look):
    columns = "(n) => getComputedStyle(n).gridTemplateColumns.split(' ').length"
    sizes = {360: (1, False), 768: (2, False), 1280: (1, True)}
    for width, (number, beside) in sizes.items():
        page = look(samples.desk_page(), width=width, height=800)
        assert page.locator(".cards").evaluate(columns) == number
        detail, cards = page.locator(".detail").bounding_box(), page.locator(".cards").bounding_box()
        assert (detail["x"] > cards["x"] + cards["width"]) is beside


def test_the_whole_card_is_the_link(look):
    page = look(samples.desk_page())
    page.locator(".card").nth(1).click(position={"x": 10, "y": 10})
    assert page.url.endswith("/b/")


def test_one_heading_one_primary_one_main(look, html):
    page = look(html)
    assert [page.locator(s).count() for s in ("h1", "main", "header", "footer", ".primary")] == [1] * 5


def test_status_boxes_are_there_before_their_words(look):
    page = look(samples.form_page(samples.everything()))
    assert page.locator("#strip[role=status]").count() == 1
    assert page.locator("#strip").inner_text() == ""
    assert page.locator("#strip").bounding_box()["height"] == 0


def test_nothing_inline(html):
    assert re.findall(r"<[^>]+\s(?:style|on\w+)=", html) == []
    assert re.findall(r"<script(?![^>]*\ssrc=)", html) == []
    assert "<style" not in html
    assert re.findall(r"(?:src|href|action)=\"(?:https?:)?//", html) == []
