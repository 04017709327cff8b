"""Control's list, finding by reference, and the page of one finding: who sees what, in how many queries."""

from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from inspections import grading, intake, words, workflow
from inspections.models import Finding, Observation, Photo, RuleSet
from tests.conftest import PASSWORD
from tests.screens.desk import ESCAPED, HOSTILE, copies, entries, finding_of, later, looked, planned, taken

pytestmark = pytest.mark.django_db
NOTE = "Bit of rubber hanging out of the top ring."


def queries(client, url, **more):
    with CaptureQueriesContext(
        connection,
    ) as found:
        response = client.get(url, **more)
    assert response.status_code == 200
    return len(found), response.content.decode()


# --- the list -----------------------------------------------------------------------------------------------------
def test_nothing_waiting_says_when_it_was_checked(cast, railway, client_of):
    page = client_of(cast.controller).get("/findings/new/").content.decode()
    assert "Nothing waiting. Last checked " in page
    assert page.count('class="primary"') == 1


def test_intolerable_comes_first_then_worst_first(cast, report, client_of, now):
    mild = finding_of(report(cast.driver, part="air-upper", symptom="seal-hard"))
    late = finding_of(report(cast.driver, part="hook", symptom="hook-marks", situation="C", end="B"))
    middle = finding_of(report(cast.driver, part="cover", symptom="cover-open"))
    assert (mild.worst, middle.worst, late.worst) == (2, 2, 3)
    page = client_of(cast.controller).get("/findings/new/").content.decode()
    order = [page.index(f.spoken_ref) for f in (late, mild, middle)]
    assert order == sorted(order)
    assert f"Open next: 201, {late.end_words}" in page
    assert "3 reports; the oldest was seen " in page


def test_an_intolerable_one_already_looked_at_comes_after_one_that_waits(cast, report, client_of, now):
    seen = looked(
        cast, finding_of(report(cast.driver, part="hook", symptom="hook-marks", situation="C", end="B")), now
    )
    waiting = finding_of(report(cast.driver, part="hook", symptom="hook-marks", situation="C", unit="202"))
    page = client_of(cast.controller).get("/findings/new/?show=open").content.decode()
    assert page.index(waiting.spoken_ref) < page.index(seen.spoken_ref)


AGES = [(5, "5 minutes", 0), (9, "9 minutes", 0), (10, "10 minutes", 1), (29, "29 minutes", 1), (30, "30 minutes", 2),
        (60, "1 hour", 2), (1500, "1 day", 2), (0, "under a minute", 0), (-30, "under a minute", 0)]  # fmt: skip


@pytest.mark.parametrize(("minutes", "said", "bold"), AGES)
def test_age_in_words_grows_bolder_by_class(now, minutes, said, bold):
    since = now - timedelta(minutes=minutes)
    assert (words.age(since, now), words.boldness(since, now)) == (said, bold)


def test_a_phone_whose_clock_runs_ahead_does_not_look_fresh(cast, report, client_of):
    long_ago = timezone.now() - timedelta(minutes=45)
    ahead = (timezone.now() + timedelta(days=3)).isoformat()
    report(cast.driver, received=long_ago, seen=ahead)
    page = client_of(cast.controller).get("/findings/new/").content.decode()
    assert '<span class="age-2">45 minutes</span>' in page


def test_lists_by_band_state_and_all_are_links_with_counts(cast, report, client_of, now):
    finding_of(report(cast.driver, part="hook", symptom="hook-marks", situation="C", end="B"))
    looked(cast, finding_of(report(cast.driver)), now)
    client = client_of(cast.manager)
    page = client.get("/findings/new/").content.decode()
    for link in ("?show=open", "?band=intolerable", "?state=acknowledged", "?state=in%20work"):
        assert f'href="/findings/new/{link}"' in page
    assert "All open (2)" in page
    assert "Intolerable (1)" in page
    assert "Acknowledged (1)" in page
    assert client.get("/findings/new/?state=acknowledged").content.decode().count('<li class="card">') == 1
    assert client.get("/findings/new/?band=undesirable").content.decode().count('<li class="card">') == 1
    assert "Nothing here." in client.get("/findings/new/?state=planned").content.decode()
    assert "New reports" in client.get(f"/findings/new/?band={HOSTILE}&state=closed").content.decode()


def test_quarantine_has_its_own_line(cast, railway, client_of, now):
    intake.receive(
        raw=f'{{"v": 1, "id": "{uuid4()}", "author": {cast.driver.pk}}}'.encode(),
        submitted_by=cast.driver,
        channel="page",
        received=now,
    )
    page = client_of(cast.controller).get("/findings/new/").content.decode()
    assert '<a href="/reports/quarantine/">1 report kept whole, not filed yet</a>' in page


@pytest.mark.parametrize(("who", "status"), [("controller", 200), ("manager", 200), ("driver", 403), ("fitter", 403)])
def test_who_may_read_the_list(cast, railway, client_of, who, status):
    assert client_of(getattr(cast, who)).get("/findings/new/").status_code == status


def test_lists_take_a_fixed_number_of_queries_and_pages_of_fifty(cast, railway, report, client_of):
    client = client_of(cast.controller)
    first = finding_of(report(cast.driver))
    finding_of(report(cast.driver, end="B"))  # neither end can be used: its assistance plan is asked for
    queries(client, "/findings/new/")  # warms what is cached for the process
    few, _ = queries(client, "/findings/new/")
    alone, _ = queries(client, f"/findings/{first.ref}/")
    many_open = copies(first, 60, list(railway.ends.values()))
    many, page = queries(client, "/findings/new/")
    assert many == few
    assert page.count('<li class="card">') == 50
    assert "Page 1 of 2" in page
    second = client.get("/findings/new/?page=2").content.decode()
    assert second.count('<li class="card">') == 12
    assert many_open[-1].spoken_ref in second
    for odd in ("?page=99", "?page=x", "?page=-1"):
        assert client.get(f"/findings/new/{odd}").status_code == 200
    assert queries(client, f"/findings/{first.ref}/")[0] == alone
    assert few <= 15, few
    assert alone <= 44, alone
    print(f"queries: list {few}, finding {alone}")


# --- find ---------------------------------------------------------------------------------------------------------
def test_find_by_reference_as_typed_and_by_unit(cast, report, client_of):
    finding = finding_of(report(cast.driver))
    client = client_of(cast.driver)
    for typed in (finding.ref, finding.spoken_ref, f" {finding.ref[:4]}-{finding.ref[4:]} "):
        response = client.get("/findings/", {"q": typed})
        assert (response.status_code, response["Location"]) == (302, f"/findings/{finding.ref}/")
    for typed in (f"ref {finding.spoken_ref}", f"Ref. {finding.ref}", f"reference {finding.ref}"):
        assert client.get("/findings/", {"q": typed})["Location"] == f"/findings/{finding.ref}/", typed
    for typed in ("201", "201 A", "201, b end", "2\u202e01"):
        assert client.get("/findings/", {"q": typed})["Location"] == "/units/201/", typed
    assert client.get("/findings/").status_code == 200


def test_find_open_findings_of_a_unit_that_is_not_on_the_list(cast, report, client_of, now):
    opened = finding_of(report(cast.driver, unit="x517"))
    over = finding_of(report(cast.driver, unit="x517", part="hook", symptom="hook-marks"))
    workflow.withdraw(over, version=over.version, by=cast.controller, now=now, why="x")
    client = client_of(cast.other_driver)
    for typed in ("x517", "X517", "x517 A"):
        response = client.get("/findings/", {"q": typed})
        page = response.content.decode()
        assert response.status_code == 200
        assert "is not on our list. Open findings with this number" in page
        assert f'href="/findings/{opened.ref}/"' in page
        assert over.ref not in page
    assert client.get("/findings/", {"q": "x518"}).status_code == 422


@pytest.mark.parametrize(
    ("typed", "status", "sentence"),
    [
        ("0000 0014", 422, "0000 0014 is mistyped: its digits do not fit together."),
        ("12", 422, "“12” is not a reference: it has eight digits, like 0010 4289."),
        ("0010 4289", 404, "No finding has the reference 0010 4289."),
        (HOSTILE, 422, ESCAPED),
    ],
)
def test_what_cannot_be_found_is_said_in_words(cast, railway, client_of, typed, status, sentence):
    response = client_of(cast.driver).get("/findings/", {"q": typed})
    page = response.content.decode()
    assert response.status_code == status
    assert sentence in page
    assert "<script>alert" not in page
    assert "<title>Problem: " in page


def test_a_mistyped_address_is_said_in_words(cast, railway, client_of):
    client = client_of(cast.driver)
    response = client.get("/findings/00000014/")
    assert response.status_code == 404
    assert "0000 0014 is mistyped" in response.content.decode()
    assert "No finding has the reference 0010 4289." in client.get("/findings/00104289/").content.decode()


def test_the_short_address_of_the_square_leads_on(cast, report, client_of):
    finding = finding_of(report(cast.driver))
    response = client_of(cast.driver).get(f"/F/{finding.ref}/")
    assert (response.status_code, response["Location"]) == (302, f"/findings/{finding.ref}/")


# --- one finding --------------------------------------------------------------------------------------------------
def page_of(client, finding):
    response = client.get(f"/findings/{finding.ref}/")
    assert response.status_code == 200
    return response.content.decode()


def test_the_page_says_what_why_and_by_when(cast, report, client_of):
    finding = finding_of(report(cast.driver, note=NOTE, place="THO", weather="wet"))
    page = page_of(client_of(cast.controller), finding)
    for said in (
        '<span class="unit-number"><bdi>201</bdi>, A end</span>:<br>5 Upper air seal',
        "The rubber is torn or has a flap",
        "band-undesirable",
        "xamine by 05:48",
        "Do not couple at this end.",
        "Not looked at yet",
        NOTE,
        "Driver 1",
        "<bdi>Thornhope</bdi>, weather: wet",
        "Undesirable",
        "Judged as: Air seal torn, nicked or part missing.",
        "Nothing else is recorded on this end.",
        "I have looked",
        "What the A end of 201 may still do",
    ):
        assert said in page, said
    assert page.count('class="primary"') == 1


NAMES = ["Driver 1", NOTE, "Signaller Jones", "wrong unit noted"]


def test_a_driver_sees_facts_of_others_findings_and_nothing_of_people(cast, railway, report, client_of, now):
    finding = finding_of(report(cast.driver, note=NOTE))
    photo = Photo.objects.create(
        uuid=uuid4(), owner=Observation.objects.get().uuid, sha256_received="0" * 64, sha256_stored="0" * 64,
        state="stored", by=cast.driver, received=now,
    )  # fmt: skip
    finding = looked(cast, finding, now)
    finding = workflow.tell(
        finding, version=finding.version, by=cast.controller, now=now, whom="Signaller Jones", how="by phone"
    )
    finding = workflow.withdraw(finding, version=finding.version, by=cast.controller, now=now, why="wrong unit noted")
    for who in (cast.controller, cast.fitter, cast.manager):
        page = page_of(client_of(who), finding)
        assert all(name in page for name in NAMES), who
        assert f"/photos/{photo.uuid}/" in page
        assert 'alt="Photo: 5 Upper air seal, A end of 201, reported as: The rubber is torn or has a flap"' in page
    own = page_of(client_of(cast.driver), finding)
    assert NOTE in own
    assert f"/photos/{photo.uuid}/" in own
    assert "Signaller Jones" not in own
    other = page_of(client_of(cast.other_driver), finding)
    assert not [name for name in [*NAMES, "Controller 1", str(photo.uuid)] if name in other]
    assert "</time> Told</li>" in other
    assert "The rubber is torn or has a flap" in other
    assert "Names, words and photos are for control, fitters and managers." in other


def test_the_work_signed_shows_results_to_all_and_people_to_some(cast, railway, report, client_of, now):
    finding = taken(cast, railway, finding_of(report(cast.driver)), now)
    client_of(cast.fitter).post(
        f"/findings/{finding.ref}/close/", {**entries(finding), "step": "sign", "password": PASSWORD}
    )
    for who, sees in ((cast.manager, True), (cast.other_driver, False), (cast.driver, False)):
        page = page_of(client_of(who), finding)
        assert "0.1 bar, limit at most 0.2 bar: passed" in page
        assert ("Ring was cut at the bottom." in page) is sees
        assert ("Fitter 1" in page) is sees


def test_a_photo_that_has_not_arrived_or_did_not_open_is_said(cast, report, client_of, now):
    finding = finding_of(report(cast.driver, photos=[str(uuid4())]))
    Photo.objects.create(
        uuid=uuid4(), owner=Observation.objects.get().uuid, sha256_received="0" * 64, state="refused",
        why="It is not a picture.", by=cast.driver, received=now,
    )  # fmt: skip
    page = page_of(client_of(cast.controller), finding)
    assert "A photo is still on the phone that reported this" in page
    assert "A photo did not open: It is not a picture." in page
    assert "<img" not in page


def test_an_outsider_sees_nothing(cast, report, client_of):
    finding = finding_of(report(cast.driver))
    client = client_of(cast.outsider)
    for url in (f"/findings/{finding.ref}/", "/findings/", f"/F/{finding.ref}/"):
        assert client.get(url).status_code == 403


OFFERED = [
    ("controller", "reported", {"look", "tell", "raise", "withdraw"}),
    ("controller", "planned", {"tell", "raise", "plan", "withdraw", "card"}),
    ("fitter", "planned", {"take", "raise", "card"}),
    ("fitter", "in work", {"close", "raise", "card"}),
    ("driver", "reported", set()),
    ("manager", "reported", set()),
    ("checker", "in work", {"close", "raise", "card"}),
]


@pytest.mark.parametrize(("who", "state", "acts"), OFFERED)
def test_the_page_offers_the_acts_that_are_open(cast, railway, report, client_of, now, who, state, acts):
    finding = finding_of(report(cast.driver))
    if state == "planned":
        finding = planned(cast, railway, finding, now)
    elif state == "in work":
        finding = taken(cast, railway, finding, now)
    page = page_of(client_of(getattr(cast, who)), finding)
    known = ("look", "tell", "raise", "plan", "take", "withdraw", "close", "check")
    offered = {act for act in known if f'/findings/{finding.ref}/{act}/"' in page}
    offered |= {"card"} if "/card.pdf" in page else set()
    assert offered == acts
    assert page.count('class="primary"') == 1


def test_repeats_are_tied_by_words(cast, railway, report, client_of, now):
    before = timezone.now() - timedelta(days=1)
    first = finding_of(report(cast.driver, received=before, seen=before.isoformat()))
    first = taken(cast, railway, first, now)
    client_of(cast.fitter).post(
        f"/findings/{first.ref}/close/", {**entries(first), "step": "sign", "password": PASSWORD}
    )
    soon = timezone.now() + timedelta(minutes=1)
    again = finding_of(report(cast.driver, received=soon, seen=soon.isoformat()))
    page = page_of(client_of(cast.controller), again)
    assert "2nd in 28 days on this part of this end." in page
    assert f"after {first.spoken_ref} was closed." in page
    assert f'href="/findings/{first.ref}/"' in page
    assert "<strong>Same part</strong>" in page


def test_the_unit_not_on_the_list_and_the_end_not_known_are_said(cast, report, client_of):
    stranger = finding_of(report(cast.driver, unit="471"))
    unknown = finding_of(report(cast.driver, end="?"))
    client = client_of(cast.controller)
    said = page_of(client, stranger)
    assert "Unit <bdi>471</bdi> is not on our list. It is kept as it was given" in said
    assert "Plan it once" not in said, "control has not looked yet"
    page = page_of(client, unknown)
    assert "both ends of 201 carry the worst case until it is seen" in page
    assert "end not known" in page


def test_no_plan_is_offered_before_the_unit_is_named(cast, report, client_of, now):
    finding = looked(cast, finding_of(report(cast.driver, unit="471")), now)
    page = page_of(client_of(cast.controller), finding)
    assert "Plan it once control has named the unit." in page
    assert f"/findings/{finding.ref}/plan/" not in page
    assert "Plan it once" not in page_of(client_of(cast.fitter), finding)


def test_planned_is_said_only_while_it_is_open(cast, railway, report, client_of, now):
    finding = planned(cast, railway, finding_of(report(cast.driver)), now)
    assert "<p>Planned: Brackwater, road <bdi>3</bdi>" in page_of(client_of(cast.controller), finding)
    workflow.withdraw(finding, version=finding.version, by=cast.controller, now=now, why="x")
    page = page_of(client_of(cast.controller), finding)
    assert "<p>Planned:" not in page
    assert "Planned at Brackwater" in page, "the history keeps it"


def test_an_end_that_is_in_no_unit_just_now(cast, railway, report, client_of, now):
    finding = planned(cast, railway, finding_of(report(cast.driver)), now)
    railway.ends["201 A"].unit, railway.ends["201 A"].letter = None, ""
    railway.ends["201 A"].save()
    page = page_of(client_of(cast.controller), finding)
    assert "What the end of vehicle 201A may still do" in page
    assert "card.pdf" not in page


def test_a_merged_reference_keeps_working(cast, report, client_of, now):
    kept, gone = finding_of(report(cast.driver)), finding_of(report(cast.other_driver))
    Finding.objects.filter(pk=gone.pk).update(state="merged", merged_into=kept, closed=now)
    response = client_of(cast.driver).get(f"/findings/{gone.ref}/", follow=True)
    assert response.redirect_chain == [(f"/findings/{kept.ref}/", 302)]
    assert f"{gone.spoken_ref} was merged into this finding" in response.content.decode()
    assert response.content.decode().count("<h3>First report") == 2


def test_hostile_words_are_escaped(cast, report, client_of):
    finding = finding_of(report(cast.driver, note=HOSTILE, place=HOSTILE[:50], unit=HOSTILE[:38]))
    page = page_of(client_of(cast.controller), finding)
    assert ESCAPED in page
    assert "<script>alert" not in page
    listed = client_of(cast.controller).get("/findings/new/").content.decode()
    assert "<script>alert" not in listed


def test_marks_that_turn_text_do_not_reach_the_page(cast, report, client_of):
    turning = "\u200e\u200f\u202a\u202e\u2066\u2069"
    finding = finding_of(
        report(cast.driver, note=f"Ring{turning} cut", place=f"Road{turning} 3", unit=f"4{turning}71")
    )
    page = page_of(client_of(cast.controller), finding)
    for said in ("Ring cut", "<bdi>Road 3</bdi>", "Unit <bdi>471</bdi> is not"):
        assert said in page


def test_a_finding_graded_under_an_older_ruleset_is_explained_with_it(cast, report, client_of, now):
    finding = finding_of(report(cast.driver))
    text = RuleSet.objects.get().text.replace("Air seal torn, nicked or part missing", "Air seal torn indeed")
    RuleSet.objects.create(sha256="1" * 64, text=text, in_force_from=now, reason="words")
    page = page_of(client_of(cast.controller), finding)
    assert "Judged as: Air seal torn, nicked or part missing." in page
    assert grading.ruleset(later(now, hours=1)).modes["seal-torn"].name == "Air seal torn indeed"


# --- words --------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("hours", "passed", "said", "over"),
    [
        ("12", 1, "Examine by 18:00 today", False),
        ("24", 1, "Examine by 06:00 tomorrow", False),
        ("168", 1, "Examine by 06:00 on 1 December", False),
        ("24", 24, "Examine by 06:00 today", False),
        ("24", 25, "Overdue: examine by 06:00 today", True),
        ("0", 1, "Not to wait", True),
        (None, 1, "Examine at the next exam", False),
        ("4320", 1, "Examine by 07:00 on 23 May 2027", False),
    ],
)
def test_deadlines_in_words(cast, report, now, hours, passed, said, over):
    finding = finding_of(report(cast.driver))
    finding.first_seen, finding.current_grade.hours = now, hours and int(hours)
    due = words.deadline(finding, later(now, hours=passed))
    assert (due.words, due.over) == (said, over)


@pytest.mark.parametrize(
    ("at", "said"),
    [
        (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "01:30 BST"),
        (datetime(2026, 10, 25, 1, 30, tzinfo=UTC), "01:30 GMT"),
        (datetime(2026, 10, 25, 2, 30, tzinfo=UTC), "02:30"),
        (datetime(2026, 3, 29, 1, 30, tzinfo=UTC), "02:30"),
    ],
)
def test_the_hour_that_comes_twice_is_told_apart(at, said):
    assert words.clock(at) == said


@pytest.mark.parametrize(
    ("number", "said"), [(1, "1st"), (2, "2nd"), (3, "3rd"), (4, "4th"), (11, "11th"), (21, "21st"), (112, "112th")]
)
def test_ordinals(number, said):
    assert words.ordinal(number) == said
