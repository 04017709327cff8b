"""A finding’s log: both times, corrections as additions, merged ones, filter, names only for whom they are."""

from datetime import timedelta

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from inspections import finding_log, log, moving, workflow
from inspections.models import Finding, LogEntry
from inspections.rules.limits import Limits
from tests.screens.desk import ESCAPED, HOSTILE, finding_of, looked

pytestmark = pytest.mark.django_db


def address(finding):
    return f"/findings/{finding.ref}/log/"


def page_of(client, finding, query=""):
    answer = client.get(address(finding) + query)
    assert answer.status_code == 200
    return answer.content.decode()


def rows_of(page):
    """The text of each row of the table."""
    body = page.partition("<tbody>")[2].partition("</tbody>")[0]
    return [" ".join(row.split()) for row in body.split("<tr>")[1:]]


@pytest.fixture
def lived(cast, railway, report, now):
    """Reported, looked at, told with a late entry, moved to the right end, restricted."""
    finding = looked(cast, finding_of(report(cast.driver)), now)
    finding = workflow.tell(
        finding, version=finding.version, by=cast.other_controller, now=now + timedelta(minutes=40),
        happened=now + timedelta(minutes=10), whom="Signaller", how="by phone",
    )  # fmt: skip
    end = railway.ends["202 B"]
    moving.move(
        finding, unit=end.unit, end=end, part=finding.slot, version=finding.version, by=cast.controller,
        now=now + timedelta(hours=1), why="Wrong unit said",
    )  # fmt: skip
    finding = Finding.objects.select_related("unit", "end").get()
    workflow.restrict(
        end=end, unit=None, limits=Limits(couple="not"), why="Until examined", by=cast.controller,
        now=now + timedelta(hours=2), finding=finding,
    )  # fmt: skip
    return finding


# ---- what stands there


def test_both_times_stand_where_they_differ(cast, lived, client_of):
    rows = rows_of(page_of(client_of(cast.manager), lived))
    (told,) = [row for row in rows if "Signaller, by phone" in row]
    assert "24 November 2026, 06:10 GMT" in told
    assert "24 November 2026, 06:40 GMT" in told
    (seen,) = [row for row in rows if "Control looked at it" in row]
    assert 'data-label="Entered">at once<' in seen


def test_a_correction_is_an_addition_and_what_stood_before_stays(cast, lived, client_of):
    rows = rows_of(page_of(client_of(cast.controller), lived))
    (moved,) = [row for row in rows if "Moved from 201, A end to 202, B end" in row]
    assert "Corrects what stood before" in moved
    assert "Wrong unit said" in moved
    assert "Reported" in rows[0]
    assert "Corrects" not in rows[0]


def test_entries_of_its_units_that_name_it_stand_there_too(cast, lived, client_of):
    rows = rows_of(page_of(client_of(cast.controller), lived))
    assert "A restriction was set because of it: <bdi>Until examined</bdi>" in rows[-1]
    numbers = [int(row.partition('scope="row">')[2].partition("<")[0]) for row in rows]
    assert numbers == sorted(numbers)
    assert set(numbers) <= set(LogEntry.objects.values_list("seq", flat=True))


def test_the_restriction_of_another_finding_does_not(cast, railway, report, lived, now):
    other = finding_of(report(cast.driver, unit="202", end="B", part="hook", symptom="hook-slow"))
    workflow.restrict(
        end=railway.ends["202 B"], unit=None, limits=Limits(speed=40), why="x", by=cast.controller, now=now,
        finding=other,
    )  # fmt: skip
    kinds = [row.data.get("finding") for row in finding_log.entries_of(lived) if row.kind == "restricted"]
    assert kinds == [lived.ref]


def test_what_was_merged_into_it_tells_its_part(cast, report, client_of, now):
    first, second = finding_of(report(cast.driver)), finding_of(report(cast.other_driver))
    workflow.merge(second, into=first, version=second.version, by=cast.controller, now=now, why="same tear")
    page = page_of(client_of(cast.controller), first)
    assert f"(of {second.spoken_ref}, merged into this)" in page
    assert "Took in" in page
    answer = client_of(cast.controller).get(address(second))
    assert (answer.status_code, answer.headers["Location"]) == (302, address(first))


# ---- whose names


def test_a_driver_reads_facts_but_no_names_and_no_words(cast, lived, client_of):
    page = page_of(client_of(cast.other_driver), lived)
    assert "Control looked at it" in page
    for hidden in ("Signaller", "Wrong unit said", "Until examined", "Controller 1", "Driver 1", 'data-label="By"'):
        assert hidden not in page
    assert "Names and people’s own words are for control" in page


def test_the_filter_does_not_give_a_name_away(cast, lived, client_of):
    page = page_of(client_of(cast.other_driver), lived, f"?person={cast.controller.pk}")
    assert "Controller 1" not in page
    assert "“By whom”: choose one of the answers shown" in page
    own = page_of(client_of(cast.driver), lived)
    assert f'<option value="{cast.driver.pk}">you</option>' in own
    assert str(cast.controller.pk) not in own.partition('name="person"')[2].partition("</select>")[0].split('"')


def test_what_was_said_is_shown_as_text(cast, report, client_of, now):
    finding = looked(cast, finding_of(report(cast.driver)), now)
    workflow.tell(finding, version=finding.version, by=cast.controller, now=now, whom=HOSTILE, how="by phone")
    page = page_of(client_of(cast.fitter), finding)
    assert ESCAPED in page
    assert HOSTILE not in page


# ---- the filter


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("?kind=told", ["Told"]),
        ("?kind=looked+at&since=2026-11-24", ["Control looked at it"]),
        ("?since=2026-11-25", []),
        ("?since=2026-11-24&kind=moved", ["Moved from"]),
    ],
)
def test_some_entries(cast, lived, client_of, query, said):
    page = page_of(client_of(cast.manager), lived, query)
    rows = rows_of(page)
    assert len(rows) == len(said)
    assert all(words in row for words, row in zip(said, rows, strict=True))
    assert "Show all</a>" in page
    assert bool(said) or "No entry is like that." in page


def test_by_person(cast, lived, client_of):
    page = page_of(client_of(cast.manager), lived, f"?person={cast.other_controller.pk}")
    assert [row for row in rows_of(page) if "Signaller" in row] == rows_of(page)
    assert f'<option value="{cast.other_controller.pk}" selected>Controller 2</option>' in page


@pytest.mark.parametrize("query", ["?kind=x", "?person=x", "?since=x", "?page=x", "?page=99", "?since=9999-99-99"])
def test_an_odd_filter_shows_everything_and_says_so(cast, lived, client_of, query):
    client = client_of(cast.manager)
    every = rows_of(page_of(client, lived))
    page = page_of(client, lived, query)
    assert rows_of(page) == every
    assert ("choose one of the answers" in page or "is no date" in page) is ("page" not in query)


def test_a_long_log_comes_in_pages_that_keep_the_filter(cast, lived, client_of, now):
    more(lived, 250, now)
    client = client_of(cast.controller)
    page = page_of(client, lived, "?kind=told")
    assert len(rows_of(page)) == 200
    assert "?kind=told&amp;page=2" in page
    assert len(rows_of(page_of(client, lived, "?kind=told&page=2"))) == 51


# ---- who, and at what cost


@pytest.mark.parametrize(("who", "status"), [("driver", 200), ("fitter", 200), ("manager", 200), ("outsider", 403)])
def test_who_may_read_it(cast, lived, client_of, who, status):
    assert client_of(getattr(cast, who)).get(address(lived)).status_code == status


@pytest.mark.parametrize("ref", ["00000014", "99999999"])
def test_a_mistyped_or_unknown_reference_is_not_there(cast, lived, client_of, ref):
    assert client_of(cast.controller).get(f"/findings/{ref}/log/").status_code == 404


def more(finding, count, now):
    """So many more entries on the finding."""
    with transaction.atomic():
        for n in range(count):
            log.write(
                subject=f"finding:{finding.ref}", kind="told", actor=None, happened=now, written=now,
                whom=f"x {n}", how="by phone",
            )  # fmt: skip


def test_the_number_of_queries_does_not_grow(cast, lived, client_of, now):
    client = client_of(cast.controller)
    page_of(client, lived)
    counts = []
    for extra in (5, 195):
        more(lived, extra, now)
        with CaptureQueriesContext(connection) as found:
            page_of(client, lived)
        counts.append(len(found))
    assert counts[0] == counts[1]
    print(f"queries: log of a finding {counts[0]}")
