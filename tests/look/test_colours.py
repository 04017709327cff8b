"""The colours of both themes, computed from the stylesheet's custom properties."""

import re

import pytest
from django.conf import settings

CSS = (settings.BASE_DIR / "static/css/logbook.css").read_text()
BANDS = ["negligible", "tolerable", "undesirable", "intolerable"]


def theme(selector):
    block = CSS.split(selector + " {", 1)[1].split("}", 1)[0]
    return dict(re.findall(r"--([\w-]+): (#[0-9A-F]{6});", block))


THEMES = {"day": theme(":root"), "night": theme(":root[data-theme=night]")}


def light(colour):
    """Relative luminance, 0 to 1 (WCAG 2.2)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    dark, bright = sorted([light(one), light(other)])
    return (bright + 0.05) / (dark + 0.05)


def test_the_formula_against_known_pairs():
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)
    assert contrast("#777777", "#FFFFFF") == pytest.approx(4.48, abs=0.005)


def test_both_themes_name_the_same_colours():
    assert THEMES["day"].keys() == THEMES["night"].keys()
    assert len(THEMES["day"]) == 23


TEXT = [
    ("ink", "page", 10),
    ("soft", "page", 7),
    ("action", "page", 7),
    ("on-action", "action", 7),
    ("error", "page", 7),
]
TEXT += [(f"{band}-ink", f"{band}-fill", 9.5) for band in BANDS]
EDGES = [("edge", "page", 5), ("action", "page", 5), ("error", "page", 5), ("ink", "page", 5)]
EDGES += [(f"{band}-rail", "page", 5.5) for band in BANDS]
EDGES += [("tolerable-rail", "tolerable-fill", 3), ("undesirable-rail", "undesirable-fill", 3)]
EDGES += [(f"line-{n}", "page", 5) for n in (1, 2, 3, 4)]


@pytest.mark.parametrize("name", THEMES)
@pytest.mark.parametrize(("front", "back", "least"), TEXT + EDGES)
def test_contrast(name, front, back, least):
    colours = THEMES[name]
    assert contrast(colours[front], colours[back]) >= least


@pytest.mark.parametrize("name", THEMES)
def test_the_more_serious_the_more_ink_against_the_page(name):
    colours = THEMES[name]
    ink = [contrast(colours[f"{band}-fill"], colours["page"]) for band in BANDS]
    assert ink == sorted(ink)
    assert all(after > before * 1.15 for before, after in zip(ink, ink[1:], strict=False))


def test_the_stylesheet_is_small():
    assert len(CSS.encode()) <= 20_000


def test_no_colour_stands_outside_the_themes():
    after = CSS.split("/* Page */")[1]
    assert re.findall(r"#[0-9A-Fa-f]{3,8}\b|rgba?\(|hsla?\(", after) == []


def test_nothing_is_fetched_by_the_stylesheet():
    assert "url(" not in CSS
    assert "@import" not in CSS
