"""What keeps coming back, first cut: counts in SQL, labelled as counts; files no spreadsheet takes for a formula."""

import csv
from datetime import UTC, datetime, timedelta
from io import StringIO
from uuid import NAMESPACE_OID, uuid5
from xml.etree import ElementTree

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet.models import Coupling, CouplingSide
from inspections import grading, recurring
from inspections.models import Finding
from inspections.reports import charts
from tests.screens.desk import HOSTILE, copies, finding_of, later

pytestmark = pytest.mark.django_db
EDGE = datetime(2026, 11, 24, 0, 0, tzinfo=UTC)  # the midnight before `now`


@pytest.fixture
def year(now):
    return recurring.year_before(now)


@pytest.fixture
def seal(cast, report):
    """One finding to make more of; itself today, so outside the year."""
    return finding_of(report(cast.driver))


@pytest.fixture
def today(seal):
    """The same by the real clock, for the page."""
    Finding.objects.filter(pk=seal.pk).update(first_seen=timezone.now())
    return seal


def coupled(railway, now, name, count, at):
    """So many couplings of an end."""
    rows = Coupling.objects.bulk_create(
        Coupling(uuid=uuid5(NAMESPACE_OID, f"{name} {n}"), at=at, source="t", source_ref=f"{name} {n}", received=now)
        for n in range(count)
    )
    CouplingSide.objects.bulk_create(CouplingSide(coupling=row, end=railway.ends[name], at=at) for row in rows)


def page_of(client, query=""):
    response = client.get(f"/recurring/{query}")
    assert response.status_code == 200
    return response.content.decode()


def file_of(client, table):
    response = client.get(f"/recurring/{table}.csv")
    assert response.status_code == 200
    assert response["Content-Type"] == "text/csv; charset=utf-8"
    assert f'attachment; filename="{table}-' in response["Content-Disposition"]
    return list(csv.reader(StringIO(response.content.decode("utf-8-sig"))))


@pytest.mark.parametrize(
    ("now", "first", "last"),
    [
        (datetime(2026, 11, 24, 6, 0, tzinfo=UTC), "2025-11-24", "2026-11-23"),
        (datetime(2026, 7, 1, 23, 30, tzinfo=UTC), "2025-07-02", "2026-07-01"),  # the 2nd already, local time
        (datetime(2028, 2, 29, 12, 0, tzinfo=UTC), "2027-03-01", "2028-02-28"),
    ],
)
def test_the_year_is_twelve_whole_months_up_to_yesterday(now, first, last):
    year = recurring.year_before(now)
    assert (year.first.isoformat(), year.last.isoformat()) == (first, last)


@pytest.mark.parametrize(
    ("seen", "counts"),
    [
        (EDGE, False),
        (EDGE - timedelta(seconds=1), True),
        (datetime(2025, 11, 24, tzinfo=UTC), True),
        (datetime(2025, 11, 23, 23, 59, tzinfo=UTC), False),
    ],
)
def test_the_edges_of_the_year(seal, year, seen, counts):
    copies(seal, 1, first_seen=seen)
    assert recurring.counted(year).count() == counts


@pytest.mark.parametrize("state", ["merged", "withdrawn"])
def test_merged_and_withdrawn_do_not_count(seal, year, now, state):
    into = seal if state == "merged" else None
    copies(seal, 1, first_seen=later(now, days=-5), state=state, closed=now, merged_into=into)
    assert recurring.counted(year).count() == 0


def test_open_findings_by_band_and_age(seal, now):
    Finding.objects.filter(pk=seal.pk).update(first_seen=now, worst=3)
    for n, days in enumerate((1, 2, 7, 8, 28, 29)):
        seal.first_seen, seal.worst = later(now, days=-days), 2
        row = copies(seal, 1, worst=2)[0]
        Finding.objects.filter(pk=row.pk).update(ref=f"9000000{n}")
    table = recurring.open_by_age(now)
    assert table.heads == ("Category", "Up to a day", "1 to 7 days", "7 to 28 days", "Over 28 days", "All")
    assert table.rows == (
        ("Intolerable", 1, 0, 0, 0, 1),
        ("Undesirable", 1, 2, 2, 1, 6),
        ("Tolerable", 0, 0, 0, 0, 0),
        ("Negligible", 0, 0, 0, 0, 0),
    )


RATES = [(4, 100, "no rate: fewer than 5"), (5, 100, "50.0"), (5, 0, "no coupling recorded"),
         (5, None, "no coupling recorded"), (7, 1850, "3.8"), (0, 100, "no rate: fewer than 5")]  # fmt: skip


@pytest.mark.parametrize(("findings", "couplings", "said"), RATES)
def test_no_rate_below_five(findings, couplings, said):
    assert recurring.rate(findings, couplings) == said


def test_counts_by_end_stand_with_their_couplings(seal, railway, now, year):
    copies(seal, 6, [railway.ends["202 B"]], first_seen=later(now, days=-10))
    coupled(railway, now, "202 B", 40, later(now, days=-20))
    coupled(railway, now, "201 A", 30, later(now, days=-20))
    coupled(railway, later(now, days=-400), "301 A", 1, later(now, days=-400))
    rules = grading.ruleset(now)
    name = rules.components["air-connection"].name
    assert recurring.by_end(year, rules).rows == (("202 B", name, 6, 0, 40, "150.0"),)


def test_couplings_outside_the_year_do_not_count(seal, railway, now, year):
    copies(seal, 5, [railway.ends["202 B"]], first_seen=later(now, days=-10))
    coupled(railway, now, "202 B", 3, later(now, days=-10))
    for n, at in enumerate((later(now, days=-400), now)):
        row = Coupling.objects.create(
            uuid=uuid5(NAMESPACE_OID, f"x {n}"), at=at, source="x", source_ref=str(n), received=now
        )
        CouplingSide.objects.create(coupling=row, end=railway.ends["202 B"], at=at)
    assert recurring.ends(year)[0]["couplings"] == 3


def test_few_findings_show_the_list_and_no_rate(today, railway, cast, client_of):
    copies(today, 4, [railway.ends["202 B"]], first_seen=timezone.now() - timedelta(days=10))
    page = page_of(client_of(cast.manager))
    assert "Fewer than 5 faults this year: the list is shown, no rates." in page
    assert "no rate: fewer than 5" in page
    assert "<svg" not in page
    assert "Counts, not findings of fact: small numbers are chance." in page


def test_the_page_tells_counts_out_of_what_and_until_when(today, railway, cast, client_of):
    seen = timezone.now() - timedelta(days=10)
    rows = copies(today, 6, [railway.ends["202 B"]], first_seen=seen)
    Finding.objects.filter(pk=today.pk).update(state="closed", closed=seen - timedelta(days=2))
    Finding.objects.filter(pk=rows[0].pk).update(repeat_of=today)
    coupled(railway, seen, "202 B", 40, seen)
    page = page_of(client_of(cast.manager))
    year = recurring.year_before(timezone.now())
    for said in (
        year.words,
        "6 findings were first seen in the year",
        "1 of them came back after a repair; 1 was closed in that year.",
        "150.0",
        f'after <a class="ref" href="/findings/{today.ref}/">{today.spoken_ref}</a>',
        "Open cases: 202 B, ",
        'role="img"',
        "<figcaption>",
        "Running share",
        "back within 28 days or 10 couplings of a close-out",
    ):
        assert said in page, said
    assert page.count('class="primary"') == 1
    cases = page_of(client_of(cast.manager), f"?end={railway.ends['202 B'].pk}&part=air-connection")
    assert cases.count('<li class="card">') == 6


@pytest.mark.parametrize("query", ["?end=x&part=y", "?end=1", "?end=99999999999999999999&part=z", "?end=١&part=z"])
def test_an_odd_address_shows_the_page(cast, railway, client_of, query):
    page = page_of(client_of(cast.manager), query)
    assert "Nothing was first seen in the year" in page


@pytest.mark.parametrize(
    ("who", "status"), [("manager", 200), ("controller", 200), ("fitter", 403), ("driver", 403), ("outsider", 403)]
)
def test_who_may_read_it(cast, railway, client_of, who, status):
    client = client_of(getattr(cast, who))
    for url in ("/recurring/", "/recurring/ends.csv"):
        assert client.get(url).status_code == status
        assert client.post(url).status_code in (403, 405)


def test_every_table_is_a_file_with_its_days(today, railway, cast, client_of):
    copies(today, 6, [railway.ends["202 B"]], first_seen=timezone.now() - timedelta(days=10))
    client = client_of(cast.manager)
    year = recurring.year_before(timezone.now())
    heads, row = file_of(client, "ends")
    assert heads[-2:] == ["Counted from", "to and including"]
    assert row == ["202 B", "Air connection", "6", "0", "0", "no coupling recorded",
                   year.first.isoformat(), year.last.isoformat()]  # fmt: skip
    assert file_of(client, "parts")[1][:4] == ["Air connection", "6", "6", "100 %"]
    assert len(file_of(client, "open")) == 5
    assert len(file_of(client, "repeats")) == 1
    assert client.get("/recurring/secrets.csv").status_code == 404


FORMULAS = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "  =1", "\n=1"]


@pytest.mark.parametrize("text", FORMULAS)
def test_a_cell_that_could_be_a_formula_is_made_harmless(text):
    assert recurring.harmless(text) == f"'{text}"


@pytest.mark.parametrize("cell", ["201 A", "", "no rate: fewer than 5", -3, 5, None, "a=b"])
def test_other_cells_are_left_alone(cell):
    assert recurring.harmless(cell) == cell


def test_a_hostile_unit_number_is_harmless_in_the_file(today, cast, client_of):
    first = copies(today, 1, first_seen=timezone.now() - timedelta(days=10))[0]
    Finding.objects.filter(pk=today.pk).update(state="closed", closed=timezone.now() - timedelta(days=12))
    Finding.objects.filter(pk=first.pk).update(repeat_of=today, unit=None, unit_given='=HYPERLINK("x")', end=None)
    rows = file_of(client_of(cast.manager), "repeats")
    assert rows[1][1] == '\'=HYPERLINK("x")'


def test_the_number_of_queries_does_not_grow(today, railway, cast, client_of):
    client = client_of(cast.manager)
    page_of(client)
    seen = timezone.now() - timedelta(days=10)
    closed = copies(today, 1, state="closed", closed=seen)[0]
    Finding.objects.filter(pk=closed.pk).update(ref="90000001")
    counts = []
    for more in (1, 60):
        Finding.objects.filter(ref__startswith="0005").delete()
        copies(today, more, list(railway.ends.values()), first_seen=seen, repeat_of=closed)
        with CaptureQueriesContext(connection) as found:
            page_of(client)
        counts.append(len(found))
    assert counts[0] == counts[1]
    assert counts[0] <= 14, counts
    print(f"queries: recurring {counts[0]}")


# --- the chart ----------------------------------------------------------------------------------------------------
def drawn(rows, **more):
    given = {"question": "Which?", "answer": "This.", "name": "parts"} | more
    return ElementTree.fromstring(charts.bars(rows, **given))  # noqa: S314 - our own text


NS = "{http://www.w3.org/2000/svg}"


def test_bars_are_as_long_as_their_counts_and_say_them():
    root = drawn([("Seal", 40), ("Lock", 10), ("Cover", 1), ("Nothing", 0)])
    widths = [int(bar.get("width")) for bar in root.iter("rect")]
    assert widths[0] == charts.WIDTH - charts.NUMBER
    assert widths[1] == round(widths[0] / 4)
    assert widths[2] >= charts.LEAST
    assert widths[3] == 0
    assert [text.text for text in root.iter("text")] == ["Seal", "40", "Lock", "10", "Cover", "1", "Nothing", "0"]
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == "parts-title parts-desc"
    assert [root.find(name).text for name in ("title", "desc")] == ["Which?", "This."]


def test_nothing_is_drawn_outside_and_hostile_words_stay_words():
    root = drawn([(HOSTILE, 9_999), ("x", 1)], question=HOSTILE, answer=HOSTILE)
    assert next(root.iter("text")).text == HOSTILE
    for bar in root.iter("rect"):
        assert int(bar.get("width")) + charts.NUMBER <= charts.WIDTH
    assert drawn([]).get("viewBox") == f"0 0 {charts.WIDTH} {charts.ROW}"
    assert "style" not in charts.bars([("a", 1)], question="q", answer="a", name="n")
