"""What keeps coming back: one set of figures on page, paper, files and JSON; small and odd data; who may see it."""

import csv
import json
import re
from datetime import UTC, date, datetime, timedelta
from io import BytesIO, StringIO
from uuid import NAMESPACE_OID, uuid5
from zipfile import ZipFile

import pytest
from django.core.cache import cache
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from pypdf import PdfReader

from fleet.models import Coupling, CouplingSide
from inspections import reviews as paper
from inspections.history import figures, reviews
from inspections.history.section import shown
from inspections.models import Finding, Review
from inspections.permissions import Refused
from inspections.reports import charts, picture, sheets
from tests.screens.desk import HOSTILE, copies, finding_of

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def no_figures_of_other_tests():
    cache.clear()
    yield
    cache.clear()


@pytest.fixture
def seal(cast, report):
    """One finding to make more of; itself today, so after the cut-off."""
    finding = finding_of(report(cast.driver))
    Finding.objects.filter(pk=finding.pk).update(first_seen=timezone.now())
    return finding


def day_back(days):
    return timezone.now() - timedelta(days=days)


def coupled(railway, name, times, other="301 A", outcome="coupled"):
    """Couplings of an end at these times."""
    rows = Coupling.objects.bulk_create(
        Coupling(
            uuid=uuid5(NAMESPACE_OID, f"{name} {outcome} {n}"), at=at, source="t", source_ref=f"{name} {outcome} {n}",
            received=at, outcome=outcome, place=railway.places["BRK"],
        )
        for n, at in enumerate(times)
    )  # fmt: skip
    CouplingSide.objects.bulk_create(
        CouplingSide(coupling=row, end=railway.ends[end], at=row.at) for row in rows for end in (name, other)
    )


@pytest.fixture
def busy(seal, railway):
    """A year of couplings; one end with a fault a month, the others with few."""
    for name, other in (("202 B", "301 A"), ("201 A", "301 B"), ("201 B", "202 A")):
        coupled(railway, name, [day_back(2 + n) for n in range(360)], other)
    for n in range(11):
        row = copies(seal, 1, [railway.ends["202 B"]], first_seen=day_back(20 + 30 * n))[0]
        Finding.objects.filter(pk=row.pk).update(ref=f"9{n:07}", state="closed", closed=day_back(19.5 + 30 * n))
    row = copies(seal, 1, [railway.ends["201 A"]], first_seen=day_back(50))[0]
    Finding.objects.filter(pk=row.pk).update(ref="90000099", state="closed", closed=day_back(49))
    return seal


def page_of(client, query=""):
    response = client.get(f"/recurring/{query}")
    assert response.status_code == 200
    return response.content.decode()


def text_of(page):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page)).replace("&#x27;", "'")


def words_of(pdf):
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages))


def test_page_paper_files_and_json_show_the_same_figures(busy, cast, client_of):
    """Every figure of every section, wherever it is shown."""
    client = client_of(cast.manager)
    last = reviews.last_over(timezone.now())
    day = reviews.last_of(last)
    told = figures.figures(day)
    out = StringIO()
    call_command("figures", day=day.isoformat(), stdout=out)
    assert json.loads(out.getvalue()) == json.loads(json.dumps(told))
    page = text_of(page_of(client, f"?day={day}"))
    paper_words = words_of(paper.pdf(reviews.freeze(last, now=timezone.now())))
    book = ZipFile(BytesIO(client.get(f"/recurring/tables.xlsx?day={day}").content))
    cells = "".join(book.read(name).decode() for name in book.namelist() if name.endswith(".xml"))
    checked = 0
    for section in told["sections"]:
        file = list(
            csv.reader(
                StringIO(client.get(f"/recurring/{section['name']}.csv?day={day}").content.decode("utf-8-sig"))
            )
        )
        assert len(file) == len(section["rows"]) + 1
        assert section["answer"] in page
        for row, line in zip(section["rows"], file[1:], strict=True):
            assert line[: len(row)] == ["" if cell is None else str(cell) for cell in row]
            for cell in row:
                checked += 1
                assert shown(cell) in page, (section["name"], cell)
                if isinstance(cell, int | float):
                    assert f"<v>{cell:.16G}</v>" in cells, (section["name"], cell)
    assert checked > 100
    for sentence in told["summary"]:
        assert sentence in page
        assert sentence.replace(" ", "") in paper_words.replace(" ", "")
    for name in ("ends", "trends", "effort", "parts", "repairs", "places", "not-found", "weather"):
        answer = next(section["answer"] for section in told["sections"] if section["name"] == name)
        assert answer.replace(" ", "") in paper_words.replace(" ", ""), name


def test_an_end_that_faults_monthly_stands_out(busy, railway):
    told = figures.figures(figures.cut_off_before(timezone.now()))
    ends = next(section for section in told["sections"] if section["name"] == "ends")
    assert ends["rows"][0][:3] == ("202 B", "Air connection", 11)
    assert ends["rows"][0][8] in ("confirmed", "watch")
    assert ends["cases"][0] == f"end={railway.ends['202 B'].pk}&part=air-connection"


def test_the_row_opens_its_cases(busy, railway, cast, client_of):
    page = page_of(client_of(cast.manager), f"?end={railway.ends['202 B'].pk}&part=air-connection")
    assert page.count('<li class="card">') == 11
    assert page.count('class="primary"') == 1


@pytest.mark.parametrize("query", ["?end=x&part=y", "?end=1", "?end=99999999999999999999&part=z", "?end=١&part=z",
                                   "?day=yesterday", "?day=2031-01-01", "?day=0001-01-01", "?only=x"])  # fmt: skip
def test_an_odd_address_shows_the_page(cast, railway, client_of, query):
    page = page_of(client_of(cast.manager), query)
    assert "Too little data" in page


# --- small, empty, absurd -------------------------------------------------------------------------------------------
def told_today():
    return figures.made(figures.cut_off_before(timezone.now()))


def test_no_couplings_and_no_faults(railway):
    told = told_today()
    assert told["summary"][0].startswith("Too little data")
    assert len(told["sections"]) >= 20
    assert not told["confirmed"]


def test_faults_and_no_coupling(seal, railway):
    copies(seal, 6, [railway.ends["202 B"]], first_seen=day_back(10))
    told = told_today()
    ends = next(section for section in told["sections"] if section["name"] == "ends")
    assert told["couplings"] == 0
    assert not told["confirmed"]
    assert "e+" not in ends["answer"] and "nan" not in json.dumps(told)


def test_all_on_one_day(seal, railway):
    coupled(railway, "202 B", [day_back(10)] * 30)
    copies(seal, 30, list(railway.ends.values()), first_seen=day_back(10))
    assert told_today()["days"] <= 11


def test_a_clock_in_2031_is_after_every_cut_off(seal, railway):
    coupled(railway, "202 B", [day_back(n + 1) for n in range(40)])
    later = datetime(2031, 5, 1, tzinfo=UTC)
    coupled(railway, "201 A", [later], "201 B")
    copies(seal, 1, [railway.ends["202 B"]], first_seen=later)
    told = told_today()
    assert (told["faults"], told["couplings"], told["days"]) == (0, 40, 40)


def test_a_unit_withdrawn_keeps_its_cases(busy, railway):
    end = railway.ends["202 B"]
    type(end).objects.filter(pk=end.pk).update(unit=None, letter="")
    told = told_today()
    ends = next(section for section in told["sections"] if section["name"] == "ends")
    assert ends["rows"][0][0] == f"vehicle {end.vehicle}"


def test_one_end_alone(busy, railway):
    Finding.objects.exclude(end=railway.ends["202 B"]).exclude(pk=busy.pk).update(state="withdrawn")
    assert told_today()["faults"] == 11


# --- cost -----------------------------------------------------------------------------------------------------------
def test_the_number_of_queries_does_not_grow(busy, railway, cast, client_of):
    client = client_of(cast.manager)
    page_of(client)
    counts = []
    for more in (1, 60):
        copies(busy, more, list(railway.ends.values()), first_seen=day_back(10), closed=None)
        cache.clear()
        with CaptureQueriesContext(connection) as found:
            page_of(client)
        counts.append(len(found))
        Finding.objects.filter(ref__startswith="0005").delete()
    assert counts[0] == counts[1]
    with CaptureQueriesContext(connection) as found:
        page_of(client)
    print(f"queries: recurring {counts[0]} when made, {len(found)} when kept")
    assert len(found) < counts[0] / 2


# --- months ---------------------------------------------------------------------------------------------------------
def test_a_month_is_frozen_once_and_stays_as_it_was(busy, cast):
    now = timezone.now()
    last = reviews.last_over(now)
    reviews.freeze(last, now=now, by=cast.manager)
    first = Review.objects.get()
    Finding.objects.exclude(pk=busy.pk).update(state="withdrawn")
    cache.clear()
    again = reviews.freeze(last, now=now)
    assert (again.pk, again.figures) == (first.pk, first.figures)
    assert Review.objects.count() == 1


def test_a_month_that_is_not_over_is_refused(railway):
    now = datetime(2026, 11, 24, 6, tzinfo=UTC)
    with pytest.raises(Refused, match="November 2026 is not over yet"):
        reviews.freeze(reviews.number_of(date(2026, 11, 1)), now=now)


def test_what_was_named_is_judged_on_the_days_since(busy, railway):
    told = told_today()
    month = reviews.last_over(timezone.now()) - 3
    name = {"end": "202 B", "end_id": railway.ends["202 B"].pk, "component": "air-connection", "part": "x"}
    Review.objects.create(
        month=month,
        cut_off=reviews.last_of(month),
        method="1",
        key="k",
        figures={"confirmed": [name]},
        made=timezone.now(),
    )
    after = next(section for section in told_today()["sections"] if section["name"] == "flagged")
    before = next(section for section in told["sections"] if section["name"] == "flagged")
    assert before["rows"] == ()
    row = after["rows"][0]
    assert row[:3] == ("202 B", "Air connection", reviews.last_of(month).isoformat())
    since = [n for n in range(11) if day_back(20 + 30 * n).date() > reviews.last_of(month)]
    assert row[3] == len(since)


def test_commands_name_what_is_wrong(railway):
    for name, options, said in (
        ("figures", {"day": "soon"}, "soon is no day"),
        ("figures", {"day": "2031-01-01"}, "is not over yet"),
        ("review", {"month": "2026-13"}, "2026-13 is no month"),
        ("review", {"month": "2031-01"}, "January 2031 is not over yet"),
    ):
        with pytest.raises(CommandError, match=said):
            call_command(name, **options)


def test_the_command_writes_the_paper(busy, tmp_path):
    path = tmp_path / "r.pdf"
    call_command("review", out=str(path), stdout=StringIO())
    pages = PdfReader(path).pages
    assert 2 <= len(pages) <= 4
    assert "Definitions and exposure" in words_of(path.read_bytes())


# --- files ----------------------------------------------------------------------------------------------------------
FORMULAS = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "  =1", "\n=1"]


@pytest.mark.parametrize("text", FORMULAS)
def test_a_cell_that_could_be_a_formula_is_made_harmless(text):
    assert sheets.harmless(text) == f"'{text}"


@pytest.mark.parametrize("cell", ["201 A", "", "no rate", -3, 5, None, "a=b"])
def test_other_cells_are_left_alone(cell):
    assert sheets.harmless(cell) == cell


def test_a_hostile_unit_number_is_harmless_in_every_file(busy, cast, client_of):
    closed = Finding.objects.get(ref="90000099")
    row = copies(busy, 1, first_seen=day_back(45))[0]
    Finding.objects.filter(pk=row.pk).update(repeat_of=closed, unit=None, unit_given='=HYPERLINK("x")', end=None)
    client = client_of(cast.manager)
    lines = list(csv.reader(StringIO(client.get("/recurring/repeats.csv").content.decode("utf-8-sig"))))
    assert lines[1][1] == '\'=HYPERLINK("x")'
    book = ZipFile(BytesIO(client.get("/recurring/tables.xlsx").content))
    assert not [name for name in book.namelist() if b"<f>" in book.read(name)]
    assert client.get("/recurring/secrets.csv").status_code == 404


# --- charts ---------------------------------------------------------------------------------------------------------
def section(kind, **chart):
    return {"name": "x", "question": HOSTILE, "answer": HOSTILE, "chart": {"kind": kind, **chart}}


CHARTS = [
    section("bars", rows=[[HOSTILE, 9_999], ["b", 0], ["c", 1]]),
    section("bars", rows=[]),
    section("intervals", unit="x", rows=[{"label": HOSTILE * 9, "value": 4.9, "low": 2.3, "high": None, "solid": 1},
                                         {"label": "b", "value": None, "low": None, "high": None, "solid": 0}]),
    section("intervals", unit="x", rows=[]),
    section("steps", title="t", x=[0, 5, 900], y=[0, 1, 3], expected=[0.0, 0.1, 3.0], first="2024-02-29",
            last="2026-08-17", marks=[{"x": 899.0, "label": HOSTILE}, {"x": 1.0, "label": "m"}]),
    section("steps", title="t", x=[0], y=[0], expected=[0.0], first="2026-01-01", last="2026-01-01", marks=[]),
    section("strip", title="t", years=[2025, 2026], cells=[[None] * 12, [0, 12, 3] + [None] * 9]),
    section("survival", title="t", age=[10.0, 700.0], share=[99.0, 50.0], low=[90.0, None], high=[None, 60.0],
            at_risk=[200, 10]),
    section("survival", title="t", age=[], share=[], low=[], high=[], at_risk=[]),
    section("funnel", mean=20.0, limits=[[5, 0.0, 60.0], [700, 17.0, 23.0]],
            points=[{"label": HOSTILE, "n": 700, "share": 19}, {"label": "b", "n": 5, "share": 80}]),
]  # fmt: skip


@pytest.mark.parametrize("given", CHARTS, ids=lambda given: given["chart"]["kind"])
def test_nothing_is_drawn_outside_and_hostile_words_stay_words(given):
    drawn = charts.picture(given)
    for shape in drawn.shapes:
        points = shape.points if isinstance(shape, picture.Line) else [(shape.x, shape.y)]
        for x, y in points:
            assert -0.01 <= x <= drawn.width + 0.01
            assert -0.01 <= y <= drawn.height + 0.01
        if isinstance(shape, picture.Text):
            wide = len(shape.words) * picture.SIZE * picture.WIDE
            left = {"start": shape.x, "middle": shape.x - wide / 2, "end": shape.x - wide}[shape.anchor]
            assert left >= -12 and left + wide <= drawn.width + 24, shape
    text = charts.svg(given)
    assert "<script" not in text and "style=" not in text
    assert f'viewBox="0 0 {drawn.width:g} ' in text
