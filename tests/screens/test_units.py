"""S5: one unit with all that is known of its ends, and the list of units."""

from datetime import timedelta

import pytest
from django.utils import timezone

from fleet.models import Unit
from inspections import workflow
from inspections.models import Finding
from inspections.rules.limits import Limits
from tests.screens.desk import ESCAPED, HOSTILE, copies, finding_of, looked
from tests.screens.driver import opened

ROLES = ["driver", "fitter", "controller", "manager"]


def read(client, number="201"):
    return client.get(f"/units/{number}/").content.decode()


@pytest.fixture
def restricted(cast, railway, now):
    """Control holds the B end of 201."""
    return workflow.restrict(
        end=railway.ends["201 B"],
        unit=None,
        limits=Limits(couple="not"),
        why="hood left on",
        by=cast.controller,
        now=now,
    )


# ---- one unit


@pytest.mark.parametrize("role", ROLES)
def test_every_role_sees_the_facts(client_of, cast, report, role):
    finding = finding_of(report(cast.other_driver))
    page = read(client_of(getattr(cast, role)))
    assert '<span class="unit-number">201</span>' in page
    assert "band-undesirable" in page
    assert "What the A end of 201 may still do" in page
    assert "What the B end of 201 may still do" in page
    assert "The rubber is torn or has a flap" in page
    assert finding.spoken_ref in page
    assert page.count('class="primary"') == 1
    assert "Report damage on this unit" in page


@pytest.mark.parametrize(
    ("role", "sees"), [("driver", False), ("fitter", True), ("controller", True), ("manager", True)]
)
def test_words_and_names_only_for_whoever_may(client_of, cast, report, role, sees):
    report(cast.other_driver, note="by the lower bolt")
    page = read(client_of(getattr(cast, role)))
    assert ("by the lower bolt" in page) is sees
    assert ("Driver 2" in page) is sees


def test_a_driver_sees_their_own_words(client_of, cast, report):
    report(cast.driver, note="mine")
    report(cast.other_driver, note="theirs")
    page = read(client_of(cast.driver))
    assert "mine" in page
    assert "theirs" not in page


def test_who_has_no_role_gets_403(client_of, cast, railway):
    assert client_of(cast.outsider).get("/units/201/").status_code == 403
    assert client_of(cast.outsider).get("/units/").status_code == 403


def test_a_unit_nobody_knows_is_404_in_words(client_of, cast, railway):
    response = client_of(cast.driver).get("/units/471/")
    assert response.status_code == 404
    assert "Unit 471 is not on our list" in response.content.decode()
    hostile = client_of(cast.driver).get(f"/units/{HOSTILE.replace('/', '')}/").content.decode()
    assert "<script>" not in hostile


def test_nothing_open(client_of, cast, railway):
    page = read(client_of(cast.driver))
    assert "No open reports on this unit." in page
    assert "No open reports on the A end of 201." in page
    assert "Nothing was closed in this time." in page
    assert "None in force." in page


def test_a_unit_without_ends(client_of, cast, railway):
    Unit.objects.create(number="900", type=railway.types["2V"])
    page = read(client_of(cast.driver), "900")
    assert "No coupler ends are recorded for this unit." in page
    assert opened(client_of(cast.driver), "?unit=900")["unit"] == "900"


def test_the_sources_of_each_limit(client_of, cast, report, restricted):
    finding = finding_of(report(cast.other_driver, end="B"))
    driver, control = read(client_of(cast.driver)), read(client_of(cast.controller))
    assert f'Report <span class="ref">{finding.ref[:4]} {finding.ref[4:]}</span>' in driver
    assert "Restriction by control" in driver
    assert "hood left on" not in driver
    assert "Restriction by control: hood left on" in control
    assert "Controller 1" in control


@pytest.mark.parametrize(
    ("role", "may"), [("driver", False), ("fitter", False), ("controller", True), ("manager", False)]
)
def test_only_control_may_set_and_lift(client_of, cast, restricted, role, may):
    page = read(client_of(getattr(cast, role)))
    assert ('action="/units/201/restrict/"' in page) is may
    assert (f'action="/restrictions/{restricted.pk}/lift/"' in page) is may


def test_a_lifted_restriction_is_no_longer_shown(client_of, cast, restricted, now):
    workflow.lift(restricted, by=cast.controller, now=now, why="hood taken off")
    assert "None in force." in read(client_of(cast.controller))


def test_a_fault_whose_end_is_not_known_stands_for_both(client_of, cast, report):
    report(cast.driver, end="?", part="other", symptom="other-other")
    page = read(client_of(cast.driver))
    assert "End not known: both ends carry the worst case" in page
    assert "No open reports on the A end of 201." in page


def test_the_last_twelve_months(client_of, cast, report, now):
    old = finding_of(report(cast.driver))
    recent = finding_of(report(cast.driver, part="cover", symptom="cover-open"))
    day = timezone.now()
    Finding.objects.filter(pk=old.pk).update(state="closed", closed=day, first_seen=day - timedelta(days=400))
    Finding.objects.filter(pk=recent.pk).update(
        state="closed", closed=day, first_seen=day - timedelta(days=30), repeat_of=old
    )
    page = read(client_of(cast.driver))
    assert recent.spoken_ref in page
    assert f"Came back after {old.spoken_ref}" in page
    assert f'/findings/{old.ref}/"' not in page.partition("The last twelve months")[2]


def test_looks_that_found_nothing_are_counted(client_of, cast, railway):
    client = client_of(cast.driver)
    for end in "AB":
        client.post("/reports/new/", opened(client, "?unit=201&found=nothing") | {"end": end, "situation": "U"})
    assert "Looked at 2 times with nothing found" in read(client)


def test_hostile_words_are_shown_as_words(client_of, cast, report, railway, now):
    report(cast.driver, note=HOSTILE)
    workflow.restrict(
        end=None, unit=railway.units["201"], limits=Limits(move="stand"), why=HOSTILE, by=cast.controller, now=now
    )
    page = read(client_of(cast.controller))
    assert "<script>alert" not in page
    assert page.count(ESCAPED) >= 2


def test_a_unit_asks_the_database_no_more_with_thirty_findings(
    client_of, cast, report, railway, restricted, now, django_assert_max_num_queries
):
    looked(cast, finding_of(report(cast.other_driver)), now)
    client = client_of(cast.controller)
    read(client)
    with django_assert_max_num_queries(50) as one:
        read(client)
    for number in range(30):
        report(cast.other_driver, end="AB"[number % 2], part="hook", symptom="hook-slow", note="x")
    with django_assert_max_num_queries(len(one)):
        read(client)


# ---- the list


def test_the_list_says_what_each_unit_may_do_and_what_is_open(client_of, cast, report):
    report(cast.other_driver)
    report(cast.other_driver, unit="301", part="cover", symptom="cover-hanging")
    report(cast.other_driver, unit="471")
    lines = {line["unit"].number: line for line in client_of(cast.driver).get("/units/").context["lines"]}
    assert list(lines) == ["201", "202", "301", "401"]
    assert (lines["201"]["open"], lines["201"]["category"]) == (1, "undesirable")
    assert lines["201"]["ends"] == [("A", ["Do not couple at this end."])]
    assert (lines["202"]["open"], lines["202"]["words"], lines["202"]["ends"]) == (0, (), [])
    assert lines["301"]["category"] == "intolerable"
    page = client_of(cast.driver).get("/units/").content.decode()
    assert "1 open report on units that are not on this list" in page


def test_no_units_yet(client_of, cast):
    assert "No units are on the list yet." in client_of(cast.driver).get("/units/").content.decode()


def test_the_list_asks_the_database_no_more_with_many(
    client_of, cast, report, railway, django_assert_max_num_queries
):
    finding = finding_of(report(cast.other_driver))
    client = client_of(cast.driver)
    client.get("/units/")
    with django_assert_max_num_queries(25) as one:
        client.get("/units/")
    Unit.objects.bulk_create(Unit(number=str(number), type=railway.types["2V"]) for number in range(500, 560))
    copies(finding, 60, ends=list(railway.ends.values()))
    with django_assert_max_num_queries(len(one)):
        response = client.get("/units/")
    assert len(response.context["lines"]) == 64


@pytest.mark.parametrize("address", ["/units/", "/units/201/"])
def test_only_looking_is_a_get(client_of, cast, railway, address):
    assert client_of(cast.driver).post(address).status_code == 405
