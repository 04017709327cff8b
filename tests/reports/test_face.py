"""The coupler face: one list of outlines, two renderers, parts large enough for a gloved thumb."""

from io import BytesIO
from itertools import combinations
from math import hypot
from xml.etree import ElementTree

import pytest
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas

from inspections.reports import face
from inspections.reports.outlines import Shape, hatch, rect

NARROWEST = 328 / face.WIDTH  # the picture's width on a 360 px page with 16 px margins
SVG = "{http://www.w3.org/2000/svg}"
DRAWINGS = ["P", "Q", "H"]


def hit_areas(drawing: str) -> list[tuple[str, float, float, float, float]]:
    """(slot, x, y, width, height) of each hit area."""
    areas = []
    for shape in face.shapes(drawing):
        if shape.role == "s" and shape.kind == "circle":
            x, y, r = shape.at
            areas.append((shape.slot, x - r, y - r, 2 * r, 2 * r))
        elif shape.role == "s":
            areas.append((shape.slot, *shape.at[:4]))
    return areas


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_hit_areas_are_large_enough_at_360(drawing):
    small = [
        (slot, w * NARROWEST, h * NARROWEST)
        for slot, _, _, w, h in hit_areas(drawing)
        if w * NARROWEST < 47 or h * NARROWEST < 48
    ]
    assert small == []


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_centres_of_hit_areas_are_48_apart(drawing):
    middles = [(slot, x + w / 2, y + h / 2) for slot, x, y, w, h in hit_areas(drawing) if slot != "face"]
    apart = [hypot(ax - bx, ay - by) * NARROWEST for (_, ax, ay), (_, bx, by) in combinations(middles, 2)]
    assert min(apart) >= 48


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_hit_areas_do_not_overlap_but_for_the_plate_behind(drawing):
    areas = [area for area in hit_areas(drawing) if area[0] != "face"]
    over = [
        (a[0], b[0])
        for a, b in combinations(areas, 2)
        if a[1] < b[1] + b[3] and b[1] < a[1] + a[3] and a[2] < b[2] + b[4] and b[2] < a[2] + a[4]
    ]
    assert over == []


def test_plate_has_room_of_its_own_round_its_number():
    (_, x, y, w, h), *others = hit_areas("P")
    (disc,) = [shape for shape in face.shapes("P") if shape.slot == "face" and shape.role == "n"]
    mx, my, _ = disc.at
    free = (mx - 25, my - 25, 50, 50)
    assert x <= free[0] and y <= free[1] and free[0] + 50 <= x + w and free[1] + 50 <= y + h
    for _, ox, oy, ow, oh in others:
        assert not (free[0] < ox + ow and ox < free[0] + 50 and free[1] < oy + oh and oy < free[1] + 50)


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_everything_lies_in_the_view_box(drawing):
    for slot, x, y, w, h in hit_areas(drawing):
        assert x >= 0 and y >= 0 and x + w <= face.WIDTH and y + h <= face.HEIGHT, slot


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_every_part_is_drawn_numbered_and_can_be_hit(drawing):
    for part in face.parts(drawing):
        mine = [shape for shape in face.shapes(drawing) if shape.slot == part.slot]
        assert {"s", "d", "h", "n", "t"} <= {shape.role for shape in mine}
        assert {shape.text for shape in mine if shape.role == "t"} == {str(part.number)}
    assert {shape.slot for shape in face.shapes(drawing)} - {""} == face.slots(drawing)


def test_nine_parts_in_their_order():
    assert [(part.number, part.slot) for part in face.parts("P")] == [
        (1, "face"),
        (2, "cone"),
        (3, "cup"),
        (4, "hook"),
        (5, "air-upper"),
        (6, "air-lower"),
        (7, "contacts"),
        (8, "cover"),
        (9, "handle"),
    ]


def test_patterns_differ_in_the_electric_head_only():
    p, q = set(face.shapes("P")), set(face.shapes("Q"))
    assert {shape.slot for shape in p ^ q} == {"contacts", "cover"}


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_svg_parses_and_hides_from_assistive_technology(drawing):
    root = ElementTree.fromstring(face.svg(drawing, marked=frozenset({"hook"})))  # noqa: S314 - our own text
    assert root.get("viewBox") == "0 0 342 326"
    assert (root.get("aria-hidden"), root.get("focusable")) == ("true", "false")
    groups = root.findall(f"{SVG}g[@data-slot]")
    assert [g.get("data-slot") for g in groups] == [part.slot for part in face.parts(drawing)]
    assert [g.get("data-slot") for g in groups if g.get("class") == "part marked"] == ["hook"]
    hidden = {g.get("data-slot"): g.find(f"{SVG}path[@class='h']").get("visibility") for g in groups}
    assert hidden == {slot: None if slot == "hook" else "hidden" for slot in face.slots(drawing)}
    for node in root.iter():
        assert not {"id", "style", "tabindex", "role"} & set(node.attrib)
        assert not [name for name in node.attrib if name.startswith("on")]


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_svg_shows_the_same_shapes(drawing):
    root = ElementTree.fromstring(face.svg(drawing))  # noqa: S314 - our own text
    drawn = [node for node in root.iter() if node.tag != f"{SVG}svg" and node.tag != f"{SVG}g"]
    assert [(node.get("class") or "t", node.tag.removeprefix(SVG)) for node in drawn] == [
        (shape.role, shape.kind) for shape in face.shapes(drawing)
    ]


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_svg_without_hatches_lacks_nothing_else(drawing):
    root = ElementTree.fromstring(face.svg(drawing, hatched=False))  # noqa: S314 - our own text
    roles = [node.get("class") or "t" for node in root.iter() if node.tag not in (f"{SVG}svg", f"{SVG}g")]
    assert roles == [shape.role for shape in face.shapes(drawing) if shape.role != "h"]


def operators(drawing: str, width: float, marked: frozenset[str]) -> tuple[list[bytes], str]:
    """Drawing operators and text of the picture on paper."""
    out = BytesIO()
    canvas = Canvas(out)
    face.draw(canvas, drawing, 50, 50, width, marked)
    canvas.save()
    page = PdfReader(out).pages[0]
    seen: list[bytes] = []
    text = page.extract_text(visitor_operand_before=lambda operator, *_: seen.append(operator))
    return seen, text


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_paper_shows_the_same_shapes(drawing):
    seen, text = operators(drawing, 342, frozenset())
    plain = [shape for shape in face.shapes(drawing) if shape.role in "dfn"]
    assert sum(operator in {b"S", b"s", b"B", b"b", b"b*", b"B*"} for operator in seen) == len(plain)
    numbers = [shape.text for shape in face.shapes(drawing) if shape.role == "t"]
    assert sorted(text.split()) == sorted(numbers)


def test_marked_part_gets_a_hatch_and_a_heavy_line():
    plain, _ = operators("P", 342, frozenset())
    marked, _ = operators("P", 342, frozenset({"hook"}))
    assert marked.count(b"l") > plain.count(b"l") + 5


def test_numbers_too_small_to_read_are_left_off_the_paper():
    assert operators("P", 100, frozenset({"hook"}))[1].split() == []


def test_unknown_drawing_is_named():
    with pytest.raises(ValueError, match="'Z' is not one of P, Q, H"):
        face.svg("Z")


def test_hatch_stays_inside_its_outline_and_out_of_its_hole():
    ring = [Shape("x", "d", *rect(0, 0, 60, 60)), Shape("x", "d", *rect(20, 20, 20, 20))]
    numbers = [float(word) for word in hatch(ring).split() if word not in "ML"]
    points = list(zip(numbers[::2], numbers[1::2], strict=True))
    assert len(points) > 20
    middles = [((ax + bx) / 2, (ay + by) / 2) for (ax, ay), (bx, by) in zip(points[::2], points[1::2], strict=True)]
    for x, y in middles:
        assert -0.2 <= x <= 60.2 and -0.2 <= y <= 60.2
        assert not (20.2 < x < 39.8 and 20.2 < y < 39.8)
