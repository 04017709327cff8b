"""Control's handover: open calls, promises of the shift, what ends soon, what is open; on paper too."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet.models import WeatherAlert
from inspections import handover, hourly, workflow, working
from inspections.models import Deferral, Finding, Submission
from inspections.rules.limits import Limits
from tests.screens.desk import ESCAPED, HOSTILE, copies, finding_of, looked, taken

pytestmark = pytest.mark.django_db
PAGE = "/handover/"


def page_of(client, address=PAGE):
    answer = client.get(address)
    assert answer.status_code == 200
    return answer.content.decode()


def told_of(cast, now, shift=None):
    return handover.handover(shift or handover.shift_at(now), reader=cast.controller, now=now)


def at(*clock):
    return datetime(*clock, tzinfo=UTC)


SHIFTS = [
    (at(2026, 11, 24, 5, 59), "night", date(2026, 11, 23)),
    (at(2026, 11, 24, 6, 0), "early", date(2026, 11, 24)),
    (at(2026, 11, 24, 13, 59), "early", date(2026, 11, 24)),
    (at(2026, 11, 24, 14, 0), "late", date(2026, 11, 24)),
    (at(2026, 11, 24, 22, 0), "night", date(2026, 11, 24)),
    (at(2026, 7, 1, 4, 59), "night", date(2026, 6, 30)),
    (at(2026, 7, 1, 5, 0), "early", date(2026, 7, 1)),
    (at(2026, 10, 25, 1, 30), "night", date(2026, 10, 24)),
    (at(2026, 3, 29, 1, 30), "night", date(2026, 3, 28)),
]


@pytest.mark.parametrize(("when", "code", "day"), SHIFTS)
def test_which_shift_is_on(when, code, day):
    shift = handover.shift_at(when)
    assert (shift.code, shift.day) == (code, day)
    assert shift.begins <= when < shift.ends
    assert handover.before(shift).ends == shift.begins


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 10, 24), 9), (date(2026, 3, 28), 7), (date(2026, 11, 24), 8)])
def test_a_night_in_which_the_clocks_change_is_longer_or_shorter(day, hours):
    night = handover.shift_of("night", day)
    assert (night.ends.astimezone(UTC) - night.begins.astimezone(UTC)) == timedelta(hours=hours)


# ---- what it says


def test_an_empty_handover_says_so(cast, railway, client_of):
    page = page_of(client_of(cast.controller))
    for words in (
        "None: control has looked at every Intolerable report.",
        "Nothing was recorded as told or planned in this shift.",
        "Nothing ends by then.",
        "Notes, face to face",
    ):
        assert words in page
    assert page.count('class="primary"') == 1


def test_open_calls_are_intolerable_and_not_looked_at(cast, report, now):
    call = finding_of(report(cast.driver, part="hook", symptom="hook-marks", situation="C"))
    seen = finding_of(report(cast.driver, part="hook", symptom="hook-marks", situation="C", unit="202"))
    looked(cast, seen, now)
    report(cast.driver, unit="301")
    assert [line.finding for line in told_of(cast, now).calls.rows] == [call]


def test_promises_stand_in_the_shift_in_which_they_were_made(cast, railway, report, now):
    finding = looked(cast, finding_of(report(cast.driver)), now)
    tell = {"by": cast.controller, "how": "by phone"}
    finding = workflow.tell(
        finding, version=finding.version, now=now, happened=now - timedelta(minutes=10), whom="Signaller", **tell
    )
    workflow.plan(
        finding, version=finding.version, by=cast.other_controller, now=now + timedelta(minutes=5),
        depot=railway.places["BRK"], since=now + timedelta(hours=8), shift="late",
    )  # fmt: skip
    night = told_of(cast, now, handover.shift_of("night", date(2026, 11, 23))).promises
    (call,) = night.rows
    assert (call.finding.ref, call.happening.free) == (finding.ref, "Signaller, by phone")
    assert call.happening.entered == now, "it was entered in the next shift"
    (planned,) = told_of(cast, now).promises.rows
    assert planned.happening.words.startswith("Planned at Brackwater")
    assert planned.happening.who == "Controller 2"


def test_the_seal_of_the_day_before_hides_nothing(cast, railway, report, now):
    early = now - timedelta(days=1)
    finding = looked(cast, finding_of(report(cast.driver, received=early)), early)
    tell = {"by": cast.controller, "how": "by phone"}
    finding = workflow.tell(finding, version=finding.version, now=early, whom="Depot", **tell)
    hourly.run(now)
    workflow.tell(finding, version=finding.version, now=now + timedelta(minutes=1), whom="Signaller", **tell)
    assert [p.happening.free for p in told_of(cast, now).promises.rows] == ["Signaller, by phone"]
    yesterday = told_of(cast, now, handover.shift_of("early", date(2026, 11, 23)))
    assert [p.happening.free for p in yesterday.promises.rows] == ["Depot, by phone"]


def deferred(cast, finding, now, **changes):
    row = {"category": 1, "why": "part", "by": cast.controller, "since": now - timedelta(hours=9), "agreed": now}
    row |= {"until": now + timedelta(hours=1), "agreed_by": cast.engineer}
    return Deferral.objects.create(finding=finding, **(row | changes))


def test_what_ends_within_eight_hours(cast, railway, report, now):
    soon, later, gone = (
        looked(cast, finding_of(report(cast.driver, unit=unit)), now) for unit in ("201", "202", "301")
    )
    deferred(cast, soon, now)
    deferred(cast, later, now, until=now + timedelta(hours=8, minutes=1))
    deferred(cast, gone, now, until=now - timedelta(hours=1))
    place = railway.places["SAL"]
    for hours in (7, 9, None):
        until = now + timedelta(hours=hours) if hours else None
        WeatherAlert.objects.create(place=place, weather="frost", since=now, until=until)
    told = told_of(cast, now)
    assert [end.line.finding for end in told.ending.rows] == [soon]
    assert [(end.line.finding, end.why) for end in told.over.rows] == [(gone, "its time is past")]
    assert [(name, row.until) for name, row in told.weather] == [("Frost or snow", now + timedelta(hours=7))]


def test_what_must_be_examined_within_eight_hours(cast, report, now):
    finding = finding_of(report(cast.driver))
    hours = float(finding.current_grade.hours)
    assert hours
    for ago, due in ((hours - 1, True), (hours - 8, True), (hours - 8.1, False), (hours + 1, False)):
        Finding.objects.update(first_seen=now - timedelta(hours=ago))
        assert bool(told_of(cast, now).due.rows) is due, ago


def test_units_without_an_assistance_plan_and_other_counts(cast, railway, report, now):
    for letter in "AB":
        workflow.restrict(
            end=railway.ends[f"201 {letter}"], unit=None, limits=Limits(couple="not"), why="x",
            by=cast.controller, now=now,
        )  # fmt: skip
    Submission.objects.create(
        uuid="0" * 32, sha256="x", body=b"x", submitted_by=cast.driver, channel="page", received=now,
        status="quarantined",
    )  # fmt: skip
    told = told_of(cast, now)
    assert [need.unit.number for need in told.unassisted] == ["201"]
    assert (told.quarantine, told.mates, told.hoods) == (1, 0, 0)


# ---- the page


def test_another_shift_can_be_chosen_and_an_odd_one_is_this_one(cast, railway, client_of):
    client = client_of(cast.controller)
    today = timezone.localdate()
    page = page_of(client, f"{PAGE}?shift=late&day={today - timedelta(days=1)}")
    assert "<h1>Handover, late shift, " in page
    now_on = handover.shift_at(timezone.now()).words
    for odd in (
        "?shift=x",
        "?shift=late",
        "?shift=late&day=x",
        "?shift=late&day=9999-12-31",
        "?shift=late&day=0001-01-01",
    ):
        assert f"<h1>Handover, {now_on}</h1>" in page_of(client, PAGE + odd)


def test_what_was_said_is_shown_as_text(cast, railway, report, client_of):
    now = timezone.now()
    finding = looked(cast, finding_of(report(cast.driver)), now)
    workflow.tell(finding, version=finding.version, by=cast.controller, now=now, whom=HOSTILE, how="by phone")
    page = page_of(client_of(cast.manager))
    assert ESCAPED in page
    assert HOSTILE not in page


@pytest.mark.parametrize(
    ("who", "status"), [("controller", 200), ("manager", 200), ("driver", 403), ("fitter", 403), ("outsider", 403)]
)
def test_who_may_read_it(cast, railway, client_of, who, status):
    assert client_of(getattr(cast, who)).get(PAGE).status_code == status


def test_the_number_of_queries_does_not_grow(cast, railway, report, client_of):
    now = timezone.now()
    first = looked(cast, finding_of(report(cast.driver)), now)
    workflow.tell(first, version=first.version, by=cast.controller, now=now, whom="Signaller", how="by phone")
    deferred(cast, first, now - timedelta(hours=2))
    call = finding_of(report(cast.driver, part="hook", symptom="hook-marks", situation="C", unit="202"))
    client = client_of(cast.controller)
    page_of(client)
    counts = []
    for more in (4, 195):
        rows = copies(call, more)
        for row in rows:
            deferred(cast, row, now)
        with CaptureQueriesContext(connection) as found:
            page_of(client)
        counts.append(len(found))
        Deferral.objects.filter(finding__in=rows).delete()
        Finding.objects.filter(pk__in=[row.pk for row in rows]).delete()
    assert counts[0] == counts[1]
    print(f"queries: handover {counts[0]}")


def test_jobs_put_back_half_done_are_handed_on(cast, railway, report, client_of, now):
    job = taken(cast, railway, finding_of(report(cast.driver)), now)
    other = taken(cast, railway, finding_of(report(cast.driver, unit="202")), now)
    client = client_of(cast.controller)
    assert "No job was put back half done." in client.get("/handover/").content.decode()
    working.put_back(job, version=job.version, by=cast.fitter, now=now, parts_off="Ring <i>", isolated="C", key="14")
    page = client.get("/handover/").content.decode()
    assert "by Fitter 1. <bdi>Parts off: Ring &lt;i&gt;.</bdi> <bdi>Isolated: C.</bdi> <bdi>Key: 14.</bdi>" in page
    assert job.spoken_ref in page
    assert other.spoken_ref not in page.partition("Left half done")[2].partition("Ends in the next")[0]
    Finding.objects.filter(pk=job.pk).update(state="closed", closed=now)
    assert "No job was put back half done." in client.get("/handover/").content.decode()
