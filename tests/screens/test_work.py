"""The work list: by depot, shift and band; what is not planned stands apart; the same number of queries for many."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inspections import workflow
from tests.screens.desk import PLANNED, copies, finding_of, looked, planned, taken

pytestmark = pytest.mark.django_db


def page_of(client, query=""):
    response = client.get(f"/work/{query}")
    assert response.status_code == 200
    return response.content.decode()


def test_no_jobs_says_so_with_the_time(cast, railway, client_of):
    page = page_of(client_of(cast.fitter))
    assert "No open jobs at this depot. Checked at " in page
    assert "Everything control has looked at is planned." in page
    assert page.count('class="primary"') == 1


def test_no_depot_at_all_says_so(cast, client_of):
    assert "No depot is on our list yet." in page_of(client_of(cast.fitter))


def test_jobs_stand_by_shift_and_band_with_counts(cast, railway, report, client_of, now):
    seal = planned(cast, railway, finding_of(report(cast.driver)), now)
    hook = planned(
        cast, railway, finding_of(report(cast.driver, part="hook", symptom="hook-marks", situation="C", end="B")), now
    )
    page = page_of(client_of(cast.fitter), "?depot=BRK")
    assert page.index("late shift, road 3 (2)") < page.index("Intolerable (1)") < page.index(hook.spoken_ref)
    assert page.index(hook.spoken_ref) < page.index("Undesirable (1)") < page.index(seal.spoken_ref)
    assert "201, A end: 5 Upper air seal" in page
    assert "The rubber is torn or has a flap" in page
    assert f"Open job: 201, {hook.end_words}" in page


def test_an_earlier_shift_comes_first(cast, railway, report, client_of, now):
    later = planned(cast, railway, finding_of(report(cast.driver)), now)
    sooner = looked(cast, finding_of(report(cast.driver, unit="202")), now)
    workflow.plan(
        sooner, version=sooner.version, by=cast.controller, now=now, depot=railway.places["BRK"],
        since=PLANNED.replace(hour=6), shift="early",
    )  # fmt: skip
    page = page_of(client_of(cast.fitter), "?depot=BRK")
    assert page.index("early shift (1)") < page.index(sooner.spoken_ref)
    assert page.index(sooner.spoken_ref) < page.index("late shift, road 3 (1)") < page.index(later.spoken_ref)


def test_visits_of_one_shift_stand_under_one_heading(cast, railway, report, client_of, now):
    for minute, unit in enumerate(("201", "202", "301")):
        finding = looked(cast, finding_of(report(cast.driver, unit=unit)), now)
        shift = "early" if unit == "202" else "late"
        workflow.plan(
            finding, version=finding.version, by=cast.controller, now=now, depot=railway.places["BRK"],
            since=PLANNED.replace(minute=minute), shift=shift,
        )  # fmt: skip
    page = page_of(client_of(cast.fitter), "?depot=BRK")
    assert page.count("late shift (2)") == 1
    assert page.count("early shift (1)") == 1
    assert "late shift (1)" not in page


def test_another_depot_is_a_link_and_is_remembered(cast, railway, report, client_of, now):
    finding = planned(cast, railway, finding_of(report(cast.driver)), now, depot="ELM")
    client = client_of(cast.fitter)
    page = page_of(client)
    assert "Work list: Brackwater" in page
    assert finding.spoken_ref not in page
    assert '<a href="?depot=ELM">Elmsgate</a>' in page
    assert finding.spoken_ref in page_of(client, "?depot=ELM")
    assert "Work list: Elmsgate" in page_of(client)
    for odd in ("?depot=THO", "?depot=%3Cscript%3E", "?depot="):
        assert "Work list: Elmsgate" in page_of(client, odd)


def test_who_has_the_job_is_said(cast, railway, report, client_of, now):
    taken(cast, railway, finding_of(report(cast.driver)), now)
    assert "in work (Fitter 1)" in page_of(client_of(cast.other_fitter), "?depot=BRK")


def test_what_is_not_planned_stands_apart_and_new_reports_do_not(cast, railway, report, client_of, now):
    new = finding_of(report(cast.driver))
    seen = looked(cast, finding_of(report(cast.driver, unit="202")), now)
    page = page_of(client_of(cast.fitter))
    assert new.spoken_ref not in page
    assert page.index("Not planned yet, any depot (1)") < page.index(seen.spoken_ref)


@pytest.mark.parametrize(("who", "status"), [("fitter", 200), ("controller", 200), ("manager", 200), ("driver", 403)])
def test_who_may_read_it(cast, railway, client_of, who, status):
    assert client_of(getattr(cast, who)).get("/work/").status_code == status
    assert client_of(getattr(cast, who)).post("/work/").status_code == 405


def test_the_number_of_queries_does_not_grow(cast, railway, report, client_of, now):
    client = client_of(cast.fitter)
    first = taken(cast, railway, finding_of(report(cast.driver)), now)
    finding_of(report(cast.driver, end="B"))  # neither end can be used: its assistance plan is asked for
    page_of(client, "?depot=BRK")
    counts = []
    for more in (0, 59):
        copies(first, more, list(railway.ends.values()))
        with CaptureQueriesContext(connection) as found:
            page = page_of(client)
        counts.append(len(found))
    assert page.count('<li class="card">') == 60
    assert counts[0] == counts[1]
    assert counts[0] <= 27, counts
    print(f"queries: work list {counts[0]}")
