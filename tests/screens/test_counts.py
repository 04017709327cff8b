"""Nobody looked: the strip that grows louder, the counts kept fresh, what the reporter is told."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet.models import Coupling
from inspections import hourly, unlooked
from inspections.models import Deferral, Finding, MateLook
from tests.conftest import uuid_of
from tests.look.probes import axe_faults
from tests.screens.desk import copies, finding_of, looked

CALM = "Nobody has looked: Intolerable"


@pytest.fixture
def urgent(db, report):
    """An Intolerable report received so many minutes ago."""

    def make(author, minutes, **more):
        at = timezone.now() - timedelta(minutes=minutes)
        receipt = report(
            author, part="hook", symptom="hook-marks", situation="C", seen=at.isoformat(), received=at, **more
        )
        return finding_of(receipt)

    return make


def page_of(client, address):
    answer = client.get(address)
    assert answer.status_code == 200
    return answer.content.decode()


STEPS = [
    (1, "late-0"),
    (4, "late-0"),
    (5, "late-1"),
    (14, "late-1"),
    (15, "late-2"),
    (29, "late-2"),
    (30, "call"),
    (700, "call"),
]


@pytest.mark.parametrize(("minutes", "css"), STEPS)
def test_every_control_screen_says_it_more_loudly_with_age(cast, urgent, client_of, minutes, css):
    finding = urgent(cast.driver, minutes)
    client = client_of(cast.controller)
    for address in ("/findings/new/", "/units/", "/work/", "/mates/", f"/findings/{finding.ref}/", "/rules/"):
        page = page_of(client, address)
        assert f'<p class="{css}" data-said=' in page, address
        assert CALM in page
        assert f'<a href="/findings/{finding.ref}/">201, A end</a>' in page


def test_the_longest_waiting_stands_first_with_the_count(cast, urgent, client_of):
    urgent(cast.driver, 3)
    first = urgent(cast.driver, 23, unit="202")
    page = page_of(client_of(cast.manager), "/findings/new/")
    assert f'<a href="/findings/{first.ref}/">202, A end</a>, 23 minutes; 2 in all.' in page


def test_looking_ends_it_and_what_is_less_than_intolerable_never_began(cast, urgent, report, client_of):
    report(cast.driver)
    client = client_of(cast.controller)
    assert CALM not in page_of(client, "/findings/new/")
    finding = urgent(cast.driver, 23)
    assert CALM in page_of(client, "/findings/new/")
    looked(cast, finding, timezone.now())
    assert CALM not in page_of(client, "/findings/new/")


def test_what_was_never_graded_counts_as_intolerable(cast, report, client_of):
    report(cast.driver)
    Finding.objects.update(worst=None)
    assert CALM in page_of(client_of(cast.controller), "/units/")


def test_a_phones_wrong_clock_does_not_make_it_fresh(cast, report, now):
    ahead = (now + timedelta(days=2)).isoformat()
    report(cast.driver, part="hook", symptom="hook-marks", situation="C", seen=ahead)
    assert unlooked.longest(now + timedelta(minutes=16)).step == 2


@pytest.mark.parametrize("address", ["/", "/reports/", "/units/"])
def test_its_reporter_is_told_on_every_page_of_their_own(cast, urgent, client_of, address, settings):
    settings.CONTROL_PHONE = "01234"
    finding = urgent(cast.driver, 23)
    page = page_of(client_of(cast.driver), address)
    words = f'Control has not looked at <a href="/findings/{finding.ref}/">{finding.spoken_ref}</a> for 23 minutes.'
    assert f'<p class="late-2">{words} Call control: 01234.</p>' in page
    assert "Control has not looked at" not in page_of(client_of(cast.other_driver), address)


def test_the_receipt_says_how_long_nobody_looked(cast, urgent, client_of):
    finding = urgent(cast.driver, 23)
    uuid = finding.observations.get().inspection.submission.uuid
    said = "The logbook has it. Control has not looked for 23 minutes. Call control."
    assert said in page_of(client_of(cast.driver), f"/reports/{uuid}/")
    told = client_of(cast.driver).get(f"/phone/receipts/?id={uuid}")
    assert told.status_code == 200
    looked(cast, finding, timezone.now())
    assert "Control has not looked" not in page_of(client_of(cast.driver), f"/reports/{uuid}/")


def test_a_fresh_or_lesser_report_is_not_yet_looked_at(cast, urgent, report, client_of):
    finding = urgent(cast.driver, 2)
    uuid = finding.observations.get().inspection.submission.uuid
    assert "Control has not looked yet." in page_of(client_of(cast.driver), f"/reports/{uuid}/")
    lesser = report(cast.driver)
    assert "Control has not looked yet." in page_of(client_of(cast.driver), f"/reports/{lesser.id}/")


# ---- the clock's work


def test_control_is_told_when_the_hourly_work_has_not_run(cast, client_of):
    client = client_of(cast.controller)
    words = "The hourly work has never run: no mail is sent."
    assert words in page_of(client, "/findings/new/")
    assert "hourly work" not in page_of(client_of(cast.driver), "/units/")
    hourly.run(timezone.now())
    assert "hourly work" not in page_of(client, "/findings/new/")
    assert client.get("/counts/").json()["hourly_stale"] is False


# ---- the counts


def test_counts_tell_what_waits(cast, railway, urgent, report, client_of):
    now = timezone.now()
    urgent(cast.driver, 23)
    held = looked(cast, finding_of(report(cast.driver, unit="202")), now)
    common = {"category": 1, "why": "x", "by": cast.controller, "since": now - timedelta(hours=3)}
    Deferral.objects.create(finding=held, until=now + timedelta(hours=1), **common)
    Deferral.objects.create(
        finding=held,
        until=now - timedelta(hours=1),
        agreed=now - timedelta(hours=2),
        agreed_by=cast.engineer,
        **common,
    )
    answer = client_of(cast.controller).get("/counts/")
    assert answer.headers["Cache-Control"] == "no-store"
    told = answer.json()
    expected = {
        "not_looked_at": 1, "oldest": "23 minutes", "intolerable": 1, "intolerable_age": "23 minutes",
        "intolerable_step": 2, "quarantine": 0, "deferrals_waiting": 1, "deferrals_over": 1, "mates": 0,
        "hourly_stale": True,
    }  # fmt: skip
    assert {key: told[key] for key in expected} == expected
    assert set(told) == {*expected, "at", "clock", "strip", "list"}
    assert 'data-said="' in told["strip"]


def test_an_end_asked_for_twice_counts_once(cast, railway, report, client_of, now):
    at = now - timedelta(hours=3)
    coupling = Coupling.objects.create(uuid=uuid_of("c"), at=at, source="test", source_ref="1", received=at)
    for n in range(2):
        finding = finding_of(report(cast.driver))
        MateLook.objects.create(
            finding=finding, end=railway.ends["202 B"], coupling=coupling, asked=now + timedelta(minutes=n)
        )
    client = client_of(cast.controller)
    assert client.get("/counts/").json()["mates"] == 1
    assert 'Ends to look at (<span data-count="mates">1</span>)' in page_of(client, "/findings/new/")


def test_nothing_waits(cast, client_of):
    told = client_of(cast.controller).get("/counts/").json()
    assert (told["not_looked_at"], told["oldest"], told["intolerable_step"], told["list"]) == (0, "", 0, "0 0")


@pytest.mark.parametrize(
    ("who", "status"), [("controller", 200), ("manager", 200), ("driver", 403), ("fitter", 403), ("outsider", 403)]
)
def test_who_may_read_them(cast, client_of, who, status):
    assert client_of(getattr(cast, who)).get("/counts/").status_code == status


@pytest.mark.parametrize("address", ["/counts/", "/findings/new/", "/units/201/"])
def test_the_number_of_queries_does_not_grow(cast, urgent, client_of, address):
    finding = urgent(cast.driver, 40)
    client = client_of(cast.controller)
    client.get(address)
    counts = []
    for more in (4, 195):
        copies(finding, more)
        with CaptureQueriesContext(connection) as found:
            assert client.get(address).status_code == 200
        counts.append(len(found))
        Finding.objects.exclude(pk=finding.pk).delete()
    assert counts[0] == counts[1]
    print(f"queries: {address} {counts[0]}")


# ---- in the browser

QUIET = "Nothing waiting."


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_an_open_page_stays_fresh_and_says_when_it_cannot(browser_page, sign_in, cast, railway, urgent):
    page = browser_page
    page.clock.install()
    sign_in(page, cast.controller)
    page.goto("/findings/new/")
    assert QUIET in page.locator("main").inner_text()
    urgent(cast.driver, 23)
    with page.expect_response("**/counts/"):
        page.clock.run_for(31_000)
    page.locator("#control-strip p.late-2").wait_for()
    assert "201, A end, 23 minutes" in page.locator("#control-strip").inner_text()
    assert page.locator("#list-changed").is_visible()
    assert not axe_faults(page)
    page.locator("#list-changed a").click()
    page.wait_for_load_state()
    assert page.locator("#list-changed").is_hidden()
    assert "1 report; the oldest was seen 23 minutes ago" in page.locator("main").inner_text()


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_no_claim_stands_while_nobody_knows(browser_page, sign_in, cast, railway):
    page = browser_page
    page.clock.install()
    sign_in(page, cast.controller)
    page.goto("/findings/new/")
    shown = page.locator("#control-strip").get_attribute("data-clock")
    page.route("**/counts/", lambda route: route.abort())
    page.clock.run_for(31_000)
    page.locator("#as-it-was").wait_for()
    assert page.locator("#as-it-was").inner_text() == f"As it was at {shown}. The logbook cannot be reached."
    assert QUIET not in page.locator("main").inner_text()
    assert not axe_faults(page)
    page.unroute("**/counts/")
    with page.expect_response("**/counts/"):
        page.clock.run_for(31_000)
    page.locator("#as-it-was").wait_for(state="hidden")
    assert QUIET in page.locator("main").inner_text()
    page.context.clear_cookies()
    page.clock.run_for(31_000)
    page.locator("#as-it-was").wait_for()
    assert "Sign in again to see what came since." in page.locator("#as-it-was").inner_text()


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_a_page_out_of_sight_asks_nothing(browser_page, sign_in, cast, railway):
    page = browser_page
    page.clock.install()
    sign_in(page, cast.controller)
    page.goto("/findings/new/")
    asked = []
    page.on("request", lambda request: asked.append(request.url) if request.url.endswith("/counts/") else None)
    page.evaluate("Object.defineProperty(document, 'visibilityState', {value: 'hidden', configurable: true})")
    page.clock.run_for(120_000)
    assert asked == []
    page.evaluate("Object.defineProperty(document, 'visibilityState', {value: 'visible', configurable: true})")
    with page.expect_response("**/counts/"):
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    assert len(asked) == 1
