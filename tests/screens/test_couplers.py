"""A coupler's page: where it is, what is in each slot, the lives before, late starts said."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet.models import Coupler, Fitment, PartFitting
from tests.screens.desk import ESCAPED, HOSTILE, finding_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def now():
    """The page counts days to its own clock."""
    return timezone.now()


@pytest.fixture
def coupler(railway):
    return Coupler.objects.get(serial="P-201A")


def life(coupler, now, slot="air-upper", start=400, end=None, **more):
    removed = {"removed": now - timedelta(days=end), "reason": "failed"} if end is not None else {}
    return PartFitting.objects.create(
        coupler=coupler, slot=slot, fitted=now - timedelta(days=start), **{**removed, **more}
    )


def page_of(client, serial="P-201A"):
    return client.get(f"/couplers/{serial}/").content.decode()


def test_slots_stand_in_the_order_of_the_drawing_with_their_lives(cast, client_of, coupler, now):
    life(coupler, now, batch="12", start=400, end=100, age_days=None)
    life(coupler, now, batch="14", start=100)
    life(coupler, now, slot="hoses", serial="H-1", start=30, age_days=365)
    page = page_of(client_of(cast.driver))
    assert page.index("1 Front plate") < page.index("5 Upper air seal") < page.index("Air hoses behind the face")
    assert "<bdi>Batch 14</bdi>" in page
    assert "(100 days), new" in page
    assert "<bdi>Batch 12</bdi>" in page
    assert "300 days, its age when records began is not known. Out: failed." in page
    assert "365 days old when records began" in page
    assert page.count("Nothing recorded") == len(coupler.pattern.slots) - 1
    assert page.count('class="primary"') == 1


def test_where_it_is_and_was(cast, client_of, coupler, railway, now):
    page = page_of(client_of(cast.fitter), "p-201a")
    assert "Now at 201 A, since 1 January 2024." in page
    Fitment.objects.filter(coupler=coupler).update(removed=now)
    assert "At no end now." in page_of(client_of(cast.fitter))
    bare = Coupler.objects.create(serial="P-0", pattern=railway.patterns["P"])
    assert "It was at no end as long as anybody kept a record." in page_of(client_of(cast.fitter), bare.serial)


def test_open_reports_on_it_and_links_to_it(cast, client_of, coupler, report):
    finding = finding_of(report(cast.driver))
    assert finding.spoken_ref in page_of(client_of(cast.driver))
    link = '<a href="/couplers/P-201A/">'
    assert link in client_of(cast.driver).get("/units/201/").content.decode()
    assert link in client_of(cast.driver).get(f"/findings/{finding.ref}/").content.decode()


def test_an_unknown_coupler_is_not_there(cast, client_of, railway):
    assert client_of(cast.fitter).get("/couplers/X-1/").status_code == 404


def test_numbers_are_escaped_and_queries_do_not_grow(cast, client_of, coupler, now):
    client = client_of(cast.fitter)
    life(coupler, now, batch=HOSTILE[:40])
    page_of(client)
    counts = []
    for more in (0, 12):
        for n in range(more):
            life(coupler, now, slot="cover", start=900 - n, end=800 - n, batch=str(n))
        with CaptureQueriesContext(connection) as found:
            page = page_of(client)
        counts.append(len(found))
    assert ESCAPED[:20] in page
    assert HOSTILE not in page
    assert counts[0] == counts[1]
    print(f"queries: coupler {counts[0]}")
