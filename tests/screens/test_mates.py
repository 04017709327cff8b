"""The page of ends to look at: empty, full, who may see it, and the same number of queries for many."""

from datetime import timedelta
from uuid import uuid4

import pytest
from django.db import connection
from django.template.loader import render_to_string
from django.test.utils import CaptureQueriesContext

from fleet.models import Coupling, CouplingSide
from inspections import asked
from inspections.models import MateLook
from tests.screens.desk import ESCAPED, HOSTILE, copies, finding_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def coupling(railway, now):
    """201 A and 202 B met three hours ago at the junction."""
    at = now - timedelta(hours=3)
    row = Coupling.objects.create(
        uuid=uuid4(), at=at, place=railway.places["SKJ"], source="test", source_ref="1", received=at
    )
    for name in ("201 A", "202 B"):
        CouplingSide.objects.create(coupling=row, end=railway.ends[name], at=at)
    return row


@pytest.fixture
def damaged(cast, report, coupling):
    return finding_of(report(cast.driver, part="contacts", symptom="pin-bent"))


def page_of(client, address="/mates/"):
    answer = client.get(address)
    assert answer.status_code == 200
    return answer.content.decode()


def test_nothing_to_look_at_says_so_with_the_time(cast, client_of):
    page = page_of(client_of(cast.controller))
    assert "No end waits for a look. Checked at " in page
    assert page.count('class="primary"') == 1


def test_an_end_says_why_since_when_and_where(cast, damaged, client_of):
    page = page_of(client_of(cast.controller))
    assert '<a href="/units/202/">Unit 202</a>' in page
    assert "It met 201, A end, " in page
    assert (
        f'<a href="/findings/{damaged.ref}/">7 Electric head: A pin is bent or crooked, {damaged.spoken_ref}</a>'
        in page
    )
    assert "Last known at Skarrow Junction, coupled and running." in page
    assert 'href="/reports/new/?unit=202"' in page
    assert page.count('class="primary"') == 1


def test_the_chain_stands_on_the_findings_page_part(cast, report, damaged):
    found = finding_of(report(cast.other_driver, unit="202", end="B", part="contacts", symptom="pin-bent"))
    part = render_to_string("finding/_mates.html", {"chain": asked.chain(damaged)})
    assert f'found <a href="/findings/{found.ref}/">{found.spoken_ref}</a>' in " ".join(part.split())
    back = render_to_string("finding/_mates.html", {"chain": asked.chain(found)})
    assert f'Found by a look that <a href="/findings/{damaged.ref}/">' in back
    assert render_to_string("finding/_mates.html", {"chain": None}).strip() == ""


def test_what_was_given_is_shown_as_text(cast, railway, damaged, client_of):
    railway.places["SKJ"].name = HOSTILE
    railway.places["SKJ"].save()
    page = page_of(client_of(cast.controller))
    assert ESCAPED in page
    assert HOSTILE not in page


@pytest.mark.parametrize(
    ("who", "status"), [("controller", 200), ("manager", 200), ("driver", 403), ("fitter", 403), ("outsider", 403)]
)
def test_who_may_read_it(cast, client_of, who, status):
    assert client_of(getattr(cast, who)).get("/mates/").status_code == status


def test_the_number_of_queries_does_not_grow(cast, railway, damaged, coupling, client_of, now):
    client = client_of(cast.controller)
    page_of(client)
    ends = [end for name, end in railway.ends.items() if name != "201 A"]
    counts = []
    for more in (0, 199):
        rows = copies(damaged, more)
        MateLook.objects.bulk_create(
            MateLook(finding=row, end=ends[n % len(ends)], coupling=coupling, asked=now) for n, row in enumerate(rows)
        )
        with CaptureQueriesContext(connection) as found:
            page = page_of(client)
        counts.append(len(found))
    assert page.count('<li class="card">') == len(ends)
    assert counts[0] == counts[1]
    print(f"queries: ends to look at {counts[0]}")


def test_a_chain_takes_the_same_queries_for_many_ends(cast, railway, damaged, coupling, now):
    counts = []
    for more in (0, 199):
        MateLook.objects.bulk_create(
            MateLook(finding=damaged, end=railway.ends["301 A"], coupling=coupling, asked=now, withdrawn=now)
            for _ in range(more)
        )
        with CaptureQueriesContext(connection) as found:
            assert asked.chain(damaged).open == 1
        counts.append(len(found))
    assert counts[0] == counts[1] <= 4
