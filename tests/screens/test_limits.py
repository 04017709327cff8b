"""The pages of control's further acts and of all that is in force: each act the same questions, then its own."""

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from django.db import connection
from django.template.loader import render_to_string
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from fleet.models import CouplerEnd, Unit
from inspections import deferring, labels, workflow
from inspections.models import (
    Deferral,
    Finding,
    Isolation,
    Label,
    LogEntry,
    MateLook,
    Observation,
    Restriction,
    Visit,
)
from inspections.rules.limits import Limits
from inspections.views.limits import in_force_on
from tests.conftest import uuid_of
from tests.screens.desk import ESCAPED, HOSTILE, finding_of, looked

pytestmark = pytest.mark.django_db
RELEASE = {"part": "handle", "symptom": "release-dead"}
HOSE = {"part": "hoses", "symptom": "hose-rubbed"}
HOUR = timedelta(hours=1)


def local(at):
    """A moment as the browser posts it."""
    return timezone.localtime(at).strftime("%Y-%m-%dT%H:%M")


@pytest.fixture
def real():
    """The views read the clock: what they act on must be of today."""
    return timezone.now().replace(second=0, microsecond=0)


@pytest.fixture
def fault(cast, report, real):
    """An acknowledged finding of this hour."""

    def make(who=None, *, seen=None, **more):
        at = seen or real - HOUR
        finding = finding_of(report(who or cast.driver, received=at, seen=at.isoformat(), **more))
        return fresh(looked(cast, finding, at))

    return make


def fresh(finding):
    return Finding.objects.select_related("end__pattern", "end__unit", "unit", "current_grade").get(pk=finding.pk)


@pytest.fixture
def restricted(cast, railway, real):
    """201 A is restricted and labelled since this morning."""
    at = real - HOUR
    end = {"end": railway.ends["201 A"], "unit": None}
    row = workflow.restrict(**end, limits=Limits(couple="not"), why="torn", by=cast.controller, now=at)
    labels.hang(number="7", shows="Do not couple", restriction=row, by=cast.fitter, now=at, **end)
    return row


@pytest.fixture
def left(cast, fault, real):
    """A fault that is left for three days."""
    finding = fault(**RELEASE)
    return deferring.defer(
        finding, version=2, by=cast.controller, now=real, until=real + 3 * 24 * HOUR, why="ordered"
    )


@pytest.fixture
def waits(cast, fault, restricted, real):
    """A fault that waits for an engineer."""
    finding = fault(**HOSE)
    return deferring.defer(finding, version=2, by=cast.controller, now=real, until=real + 12 * HOUR, why="no hose")


@pytest.fixture
def act(cast, railway, fault, left, waits, real):
    """Name → the finding it is about, its address, what is posted, who may, who may too, who may not, log entry."""

    def make(name):
        finding = fault()
        closed = fault(seen=real - 48 * HOUR)
        Finding.objects.filter(pk=closed.pk).update(state="closed", closed=real - 24 * HOUR)
        other = fault(cast.other_driver)
        why = "What was typed"
        row = {
            "merge": (finding, {"into": other.ref, "why": why}, "controller", "other_controller", "fitter", "merged"),
            "move": (finding, {"unit": "201", "end": "B", "part": "air-upper", "why": why}, "controller", "fitter",
                     "manager", "moved"),
            "repeat": (finding, {"of": closed.ref, "why": why}, "fitter", "controller", "manager", "repeat named"),
            "occurrence": (finding, {"reportable": "no", "why": why}, "manager", "controller", "fitter",
                           "occurrence decided"),
            "defer": (fault(unit="202", **RELEASE), {"until": local(real + 24 * HOUR), "why": why}, "controller",
                      "other_controller", "engineer", "deferred"),
            "agree": (waits.finding, {}, "engineer", "engineer", "controller", "deferral agreed"),
            "extend": (left.finding, {"until": local(real + 24 * HOUR), "why": why}, "engineer", "engineer",
                       "controller", "deferral extended"),
            "recall": (left.finding, {"why": why}, "controller", "engineer", "fitter", "deferral ended"),
        }[name]  # fmt: skip
        about, posted, who, too, wrong, kind = row
        deferral = {"agree": waits, "extend": left, "recall": left}.get(name)
        address = f"/deferrals/{deferral.pk}/{name}/" if deferral else f"/findings/{about.ref}/{name}/"
        about = fresh(about)
        return SimpleNamespace(
            finding=about, address=address, posted={"version": about.version, **posted}, who=getattr(cast, who),
            too=getattr(cast, too), wrong=getattr(cast, wrong), kind=kind, why=posted.get("why"),
        )  # fmt: skip

    return make


ACTS = ["merge", "move", "repeat", "occurrence", "defer", "agree", "extend", "recall"]
PAGES = ["merge", "move", "repeat", "occurrence", "defer"]
EVERYTHING = (Finding, Observation, Restriction, Label, Isolation, Deferral, MateLook, Visit, LogEntry)


def rows():
    return [list(table.objects.order_by("pk").values()) for table in EVERYTHING]


# --- every act on a finding ----------------------------------------------------------------------------------------
@pytest.mark.parametrize("name", ACTS)
def test_works_and_a_second_press_does_nothing_more(act, client_of, name):
    it = act(name)
    client = client_of(it.who)
    answer = client.post(it.address, it.posted)
    assert answer.status_code == 302, answer.content.decode()
    assert answer["Location"] == f"/findings/{it.finding.ref}/" + ("moved/" if name == "move" else "")
    assert fresh(it.finding).version == it.finding.version + 1
    assert LogEntry.objects.filter(subject=f"finding:{it.finding.ref}", kind=it.kind).count() == 1
    after = rows()
    assert client.post(it.address, it.posted).status_code == 302
    assert rows() == after


@pytest.mark.parametrize("name", ACTS)
def test_a_colleague_may(act, client_of, name):
    it = act(name)
    assert client_of(it.too).post(it.address, it.posted).status_code == 302
    assert fresh(it.finding).version == it.finding.version + 1


@pytest.mark.parametrize("name", ACTS)
def test_the_wrong_role_gets_403_and_changes_nothing(act, cast, client_of, name):
    it = act(name)
    before = rows()
    for person in (it.wrong, cast.driver, cast.outsider):
        assert client_of(person).post(it.address, it.posted).status_code == 403, person
    assert rows() == before


@pytest.mark.parametrize("name", sorted(set(ACTS) - set(PAGES)))
def test_get_is_not_an_act(act, client_of, name):
    it = act(name)
    assert client_of(it.who).get(it.address).status_code == 405


@pytest.mark.parametrize("name", PAGES)
def test_a_page_says_what_it_does_and_reading_it_changes_nothing(act, client_of, name):
    it = act(name)
    before = rows()
    page = client_of(it.who).get(it.address)
    assert page.status_code == 200
    assert page.content.decode().count('class="primary"') == 1
    assert f"/findings/{it.finding.ref}/" in page.content.decode()
    assert rows() == before


@pytest.mark.parametrize("name", ACTS)
def test_stale_says_who_and_keeps_what_was_typed(act, cast, client_of, real, name):
    it = act(name)
    workflow.tell(it.finding, version=it.finding.version, by=cast.other_controller, now=real, whom="Signaller X",
                  how="by phone")  # fmt: skip
    before = rows()
    client = client_of(it.who)
    answer = client.post(it.address, it.posted)
    page = answer.content.decode()
    assert answer.status_code == 409
    assert "Controller 2 recorded who was told at " in page
    assert "Told: <bdi>Signaller X, by phone</bdi>" in page
    assert it.why is None or it.why in page
    assert it.posted.get("until", "") in page
    for chosen in ("into", "of", "reportable"):
        if chosen in it.posted:
            assert f'value="{it.posted[chosen]}" id="id_{name}_{chosen}_' in page.replace(" checked", "")
            assert " checked" in page
    assert rows() == before
    # Having seen what changed, the same form goes through.
    assert f'name="version" value="{it.finding.version + 1}"' in page
    assert client.post(it.address, {**it.posted, "version": it.finding.version + 1}).status_code == 302


@pytest.mark.parametrize("name", ACTS)
def test_what_is_no_longer_possible_keeps_the_words(act, cast, client_of, name):
    it = act(name)
    Finding.objects.filter(pk=it.finding.pk).update(state="closed", closed=timezone.now())
    before = rows()
    answer = client_of(it.who).post(it.address, it.posted)
    page = answer.content.decode()
    if name == "occurrence":
        assert answer.status_code == 302
        return
    assert answer.status_code == 422
    assert "This finding is closed" in page
    assert "It is closed now, so “" in page
    assert it.why is None or it.why in page
    assert rows() == before
    if name in PAGES and name != "defer":
        gone = client_of(it.who).get(it.address, follow=True)
        assert "This finding is closed; this is not possible now." in gone.content.decode()


ERRORS = [
    ("merge", {"into": ""}, "Choose a report"),
    ("merge", {"into": "other"}, "Enter the reference of the other report"),
    ("merge", {"into": "other", "ref": "0000 0014"}, "0000 0014 is mistyped"),
    ("merge", {"into": "other", "ref": "0010 4289"}, "No finding has the reference 0010 4289"),
    ("merge", {"ref": "0010 4289"}, "Choose “Another one”, or leave this empty"),
    ("merge", {"into": "99999999"}, "choose one of the answers shown"),
    ("move", {"why": " "}, "Say why"),
    ("move", {"unit": "471"}, "Unit 471 is not on our list. Enter one that is"),
    ("move", {"unit": ""}, "Enter the unit number"),
    ("move", {"end": ""}, "Choose which end"),
    ("move", {"end": "A"}, "It is there already. Change the unit, the end or the part."),
    ("move", {"part": "wheel"}, "choose one of the answers shown"),
    ("move", {"part": "cover"}, "The part is another one: choose what is wrong with it"),
    ("move", {"part": "cover", "symptom": "seal-torn"}, "choose one of the answers shown"),
    ("repeat", {"of": ""}, "Choose what it is"),
    ("repeat", {"why": ""}, "Say why"),
    ("occurrence", {"reportable": ""}, "Choose whether it is reportable"),
    ("occurrence", {"reportable": "yes"}, "Give its reference, or say where it will be"),
    ("occurrence", {"reportable": "no", "why": ""}, "Say why it is not reportable"),
    ("defer", {"until": ""}, "Say until when"),
    ("defer", {"until": "tomorrow"}, "Enter a date and time, like 24/11/2026 05:50"),
    ("defer", {"until": "2020-01-01T10:00"}, "Choose a time that is still to come"),
    ("defer", {"until": "2199-01-01T10:00"}, "The longest it may be left is until "),
    ("defer", {"why": "x" * 301}, "too long: at most 300 characters"),
    ("defer", {"events": "full-moon"}, "choose one of the answers shown"),
    ("defer", {"version": ""}, "This page had lost part of itself"),
    ("extend", {"why": ""}, "Say why"),
    ("extend", {"until": "2199-01-01T10:00"}, "The longest it may be left is until "),
    ("recall", {"why": " "}, "Say why"),
]


@pytest.mark.parametrize(("name", "change", "sentence"), ERRORS)
def test_nothing_is_saved_after_an_error(act, client_of, name, change, sentence):
    it = act(name)
    before = rows()
    answer = client_of(it.who).post(it.address, {**it.posted, **change})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert sentence in page
    assert "<title>Problem: " in page
    for default in ("Select a valid", "Enter a valid", "Ensure", "This field"):
        assert default not in page
    assert rows() == before


@pytest.mark.parametrize("name", [name for name in ACTS if name != "agree"])
def test_typed_text_is_escaped(act, client_of, name):
    it = act(name)
    page = client_of(it.who).post(it.address, {**it.posted, "version": 99, "why": HOSTILE}).content.decode()
    assert ESCAPED in page
    assert "<script>alert" not in page


@pytest.mark.parametrize("name", ["agree", "extend", "recall"])
def test_a_deferral_that_is_not_there_is_404(cast, railway, client_of, name):
    who = cast.engineer
    assert client_of(who).post(f"/deferrals/99/{name}/", {"version": 1}).status_code == 404


# --- merge ---------------------------------------------------------------------------------------------------------
def test_merge_offers_the_same_unit_and_part_and_takes_a_reference(cast, fault, client_of):
    finding = fault()
    same, elsewhere, other_part = fault(cast.other_driver), fault(end="B"), fault(part="hook", symptom="hook-dry")
    unknown, other_unit = fault(end="?"), fault(unit="202")
    page = client_of(cast.controller).get(f"/findings/{finding.ref}/merge/").content.decode()
    assert "<strong>Both references keep working</strong>" in page
    offered = {f.ref for f in (same, elsewhere, other_part, unknown, other_unit) if f'value="{f.ref}"' in page}
    assert offered == {same.ref, unknown.ref}
    typed = {"version": finding.version, "into": "other", "ref": same.spoken_ref}
    client = client_of(cast.controller)
    assert client.post(f"/findings/{finding.ref}/merge/", typed).status_code == 302
    for ref in (finding.ref, same.ref):
        answer = client.get(f"/findings/{ref}/", follow=True)
        assert "<title>201, A end: 5 Upper air seal" in answer.content.decode()
    assert "Took in" in answer.content.decode()
    assert fresh(finding).merged_into == same


def test_what_cannot_be_merged_is_said(cast, fault, client_of):
    finding, part, end, unit = fault(), fault(part="hook", symptom="hook-dry"), fault(end="B"), fault(unit="202")
    client = client_of(cast.controller)
    for other, sentence in (
        (part, "The two are about different parts"),
        (end, "The two are at different ends"),
        (unit, "The two are on different units"),
        (finding, "That is the same report"),
    ):
        typed = {"version": finding.version, "ref": other.ref}
        answer = client.post(f"/findings/{finding.ref}/merge/", typed)
        assert answer.status_code == 422
        assert sentence in answer.content.decode()


# --- move ----------------------------------------------------------------------------------------------------------
def test_after_a_move_both_ends_are_stated_and_who_must_be_told(cast, railway, fault, restricted, client_of, real):
    finding = fault()
    Restriction.objects.update(finding=finding)
    client = client_of(cast.controller)
    posted = {"version": finding.version, "unit": "201", "end": "B", "part": "air-upper", "why": "Wrong cab."}
    page = client.post(f"/findings/{finding.ref}/move/", posted, follow=True).content.decode()
    for said in (
        "What the A end of 201 may still do",
        "What the B end of 201 may still do",
        "<li>Driver 1, who reported it</li>",
        "<li>Whoever can move label 7: it hangs at the A end of 201</li>",
        "201, A end: 5 Upper air seal",
        "Wrong cab.",
    ):
        assert said in page, said
    there = client_of(cast.other_driver).get(f"/findings/{finding.ref}/").content.decode()
    assert "Moved here " in there
    assert "Wrong cab." not in there
    assert client_of(cast.driver).get(f"/findings/{finding.ref}/moved/").status_code == 403
    assert f'href="/findings/{finding.ref}/moved/"' in client.get(f"/findings/{finding.ref}/").content.decode()
    listed = client.get("/in-force/?kind=to-move").content.decode()
    assert "To be moved: its restriction is on the B end of 201." in listed


def test_another_part_asks_what_is_wrong_with_it(cast, fault, client_of):
    finding = fault()
    client, address = client_of(cast.controller), f"/findings/{finding.ref}/move/"
    posted = {"version": finding.version, "unit": "201", "end": "A", "part": "cover", "why": "It was the flap."}
    page = client.post(address, posted).content.decode()
    assert "What is wrong with it (electric head cover)" in page
    assert 'value="cover-open"' in page
    assert 'value="seal-torn"' not in page
    assert "It was the flap." in page
    assert client.post(address, {**posted, "symptom": "cover-open"}).status_code == 302
    assert (fresh(finding).slot, fresh(finding).symptom) == ("cover", "cover-open")


def test_a_unit_not_on_the_list_is_named_by_moving(cast, fault, client_of):
    finding = fault(unit="471")
    client, address = client_of(cast.fitter), f"/findings/{finding.ref}/move/"
    assert 'value="471"' in client.get(address).content.decode()
    posted = {"version": finding.version, "unit": "471", "end": "A", "part": "air-lower", "symptom": "seal-torn"}
    assert client.post(address, {**posted, "why": "lower"}).status_code == 302
    assert fresh(finding).unit is None
    named = {**posted, "version": finding.version + 1, "unit": "201", "part": "air-lower", "why": "201 it was"}
    del named["symptom"]
    assert client.post(address, named).status_code == 302
    assert fresh(finding).unit.number == "201"


def test_what_never_moved_has_no_such_page(cast, fault, client_of):
    assert client_of(cast.controller).get(f"/findings/{fault().ref}/moved/").status_code == 404


# --- repeat, occurrence --------------------------------------------------------------------------------------------
def test_repeat_offers_closed_ones_of_this_end_or_coupler_and_none(cast, railway, fault, client_of, real):
    was, other_end, open_one = fault(seen=real - 90 * 24 * HOUR), fault(seen=real - 90 * 24 * HOUR, end="B"), fault()
    for finding in (was, other_end):
        Finding.objects.filter(pk=finding.pk).update(state="closed", closed=real - 80 * 24 * HOUR)
    finding = fault()
    client, address = client_of(cast.controller), f"/findings/{finding.ref}/repeat/"
    page = client.get(address).content.decode()
    assert [f.ref for f in (was, other_end, open_one) if f'value="{f.ref}"' in page] == [was.ref]
    client.post(address, {"version": finding.version, "of": was.ref, "why": "same cut"})
    assert fresh(finding).repeat_of == was
    assert "come back" in client.get(address).content.decode()
    client.post(address, {"version": finding.version + 1, "of": "none", "why": "another ring"})
    assert fresh(finding).repeat_of is None


def test_an_occurrence_is_offered_by_its_hazards_and_nothing_is_sent(cast, fault, client_of, mailoutbox):
    parted, mild = fault(part="handle", symptom="release-parted"), fault(part="cover", symptom="cover-lip")
    client = client_of(cast.controller)
    pages = {f.ref: client.get(f"/findings/{f.ref}/").content.decode() for f in (parted, mild)}
    assert f"/findings/{parted.ref}/occurrence/" in pages[parted.ref]
    assert f"/findings/{mild.ref}/occurrence/" not in pages[mild.ref]
    posted = {"version": parted.version, "reportable": "yes", "reference": "12/26", "why": "Parted in the loop."}
    page = client.post(f"/findings/{parted.ref}/occurrence/", posted, follow=True).content.decode()
    assert "The decision is recorded. Nothing was sent." in page
    assert "<strong>reportable</strong>, reference <bdi>12/26</bdi>" in page
    assert "by Controller 1" in page
    assert mailoutbox == []
    other = client_of(cast.other_driver).get(f"/findings/{parted.ref}/").content.decode()
    assert "<strong>reportable</strong>" in other
    assert "12/26" not in other


# --- defer ---------------------------------------------------------------------------------------------------------
def test_the_page_shows_the_terms_and_what_is_missing_with_its_link(cast, fault, client_of):
    finding = fault(**HOSE)
    page = client_of(cast.controller).get(f"/findings/{finding.ref}/defer/").content.decode()
    for said in (
        "band-undesirable",
        "uncoupled, about to couple or coupled and running: what is left",
        "An engineer must agree; it counts from then",
        "Nothing but the time",
        f'<a href="/findings/{finding.ref}/#acts">Set a restriction first.</a>',
        '<a href="/units/201/#in-force">Have the restriction shown by a label where it stands first.</a>',
        "Coupled and running: May run to the end of this trip, as control agrees; then out of service.",
    ):
        assert said in page, said
    assert 'name="until"' not in page


def test_the_page_of_what_is_never_left_says_why(cast, fault, client_of):
    finding = fault(part="hook", symptom="hook-marks", situation="C")
    page = client_of(cast.controller).get(f"/findings/{finding.ref}/defer/").content.decode()
    assert "It is intolerable in a situation that is left: nobody may leave it." in page
    assert 'name="until"' not in page
    refused = client_of(cast.controller).post(
        f"/findings/{finding.ref}/defer/", {"version": finding.version, "until": "2199-01-01T10:00", "why": "Typed"}
    )
    assert refused.status_code == 422
    assert "Typed" in refused.content.decode()


def test_left_with_more_events_and_shown_to_all(cast, fault, client_of, real):
    finding = fault(**RELEASE)
    client = client_of(cast.controller)
    address = f"/findings/{finding.ref}/defer/"
    page = client.get(address).content.decode()
    assert "Ten couplings at this end" in page
    posted = {"version": finding.version, "until": local(real + 48 * HOUR), "why": "Valve on order"}
    posted |= {"interim": "By hand", "events": ["next-wash"]}
    assert client.post(address, posted).status_code == 302
    assert Deferral.objects.get().events == ["next-wash", "ten-couplings"]
    own = client.get(address).content.decode()
    assert "Left not to repair yet." in own
    assert "Valve on order" in own
    assert "Meanwhile: <bdi>By hand</bdi>" in own
    driver = client_of(cast.other_driver).get(f"/findings/{finding.ref}/").content.decode()
    assert "Not repaired yet: 9 Release handle" in driver
    assert "or ten couplings at this end" in driver.replace("the next wash or", "or")
    assert "Valve on order" not in driver


def test_the_engineer_sees_what_waits_and_agrees(cast, waits, client_of):
    client = client_of(cast.engineer)
    page = client.get("/in-force/").content.decode()
    assert '<a href="?kind=waiting">1 deferral waits for an engineer to agree</a>' in page
    listed = client.get("/in-force/?kind=waiting").content.decode()
    address = f"/findings/{waits.finding.ref}/defer/"
    assert f'href="{address}"' in listed
    terms = client.get(address).content.decode()
    assert f'action="/deferrals/{waits.pk}/agree/"' in terms
    assert f'action="/deferrals/{waits.pk}/agree/"' not in client_of(cast.controller).get(address).content.decode()
    client.post(f"/deferrals/{waits.pk}/agree/", {"version": fresh(waits.finding).version})
    assert "Agreed by Manager 2" in client.get(address).content.decode()
    assert "waits for an engineer" not in client.get("/in-force/").content.decode()


def test_extended_once_is_offered_no_more(cast, left, client_of, real):
    client = client_of(cast.engineer)
    address = f"/findings/{left.finding.ref}/defer/"
    assert f'action="/deferrals/{left.pk}/extend/"' in client.get(address).content.decode()
    posted = {"version": fresh(left.finding).version, "until": local(real + 6 * 24 * HOUR), "why": "late"}
    assert client.post(f"/deferrals/{left.pk}/extend/", posted).status_code == 302
    page = client.get(address).content.decode()
    assert "Extended once" in page
    assert "/extend/" not in page


@pytest.fixture
def clock(monkeypatch):
    """Set the clock the views read."""

    def set_to(at):
        monkeypatch.setattr("django.utils.timezone.now", lambda: at)

    return set_to


@pytest.mark.parametrize(("which", "hour"), [("first", 0), ("second", 1)])
def test_the_hour_that_comes_twice_is_asked_and_either_is_kept(cast, fault, client_of, clock, which, hour):
    day = datetime(2026, 10, 24, 20, 0, tzinfo=UTC)
    finding = fault(seen=day - HOUR, **RELEASE)
    clock(day)
    client, address = client_of(cast.controller), f"/findings/{finding.ref}/defer/"
    posted = {"version": finding.version, "until": "2026-10-25T01:30", "why": "Typed words"}
    asked = client.post(address, posted)
    page = asked.content.decode()
    assert asked.status_code == 422
    assert "01:30 comes twice on 25 October, when the clocks go back. Which is it?" in page
    assert "The first, 01:30 BST" in page
    assert "The second, 01:30 GMT, an hour later" in page
    assert "Typed words" in page
    assert not Deferral.objects.exists()
    assert client.post(address, {**posted, "which": which}).status_code == 302
    assert Deferral.objects.get().until == datetime(2026, 10, 25, hour, 30, tzinfo=UTC)
    shown = client.get(address).content.decode()
    assert f"Until 01:30 {'GMT' if hour else 'BST'} tomorrow" in shown


def test_the_hour_that_never_comes_is_refused(cast, fault, client_of, clock):
    day = datetime(2027, 3, 27, 20, 0, tzinfo=UTC)
    finding = fault(seen=day - HOUR, **RELEASE)
    clock(day)
    posted = {"version": finding.version, "until": "2027-03-28T01:30", "why": "Typed words"}
    answer = client_of(cast.controller).post(f"/findings/{finding.ref}/defer/", posted)
    assert answer.status_code == 422
    assert (
        "01:30 does not come on 28 March: the clocks go forward over it. Choose another time"
        in answer.content.decode()
    )
    assert "Typed words" in answer.content.decode()
    assert not Deferral.objects.exists()


# --- restrictions, labels, isolations ------------------------------------------------------------------------------
def test_a_restriction_because_of_a_finding_with_isolations(cast, fault, client_of):
    finding = fault()
    client = client_of(cast.controller)
    page = client.get(f"/findings/{finding.ref}/").content.decode()
    assert "Electric head to be isolated, labelled, written down." in page
    assert f'name="because" value="{finding.ref}"' in page
    posted = {"uuid": uuid_of("form"), "where": "A", "couple": "not", "isolations": ["electric-head", "mrp-cock"],
              "limits_why": "Torn.", "because": finding.ref}  # fmt: skip
    answers = [client.post("/units/201/restrict/", posted) for _ in range(2)]
    assert [answer["Location"] for answer in answers] == [f"/findings/{finding.ref}/"] * 2
    row = Restriction.objects.get()
    assert (row.finding, row.limits) == (
        finding, Limits(couple="not", isolations=frozenset({"electric-head", "mrp-cock"})))  # fmt: skip
    page = client.get(f"/findings/{finding.ref}/").content.decode()
    assert "In force because of this" in page
    assert "No label shows it there." in page


def test_the_same_form_with_other_words_is_no_double_press(cast, railway, client_of):
    client = client_of(cast.controller)
    posted = {"uuid": uuid_of("form"), "where": "A", "couple": "not", "limits_why": "Torn."}
    assert client.post("/units/201/restrict/", posted).status_code == 302
    answer = client.post("/units/201/restrict/", {**posted, "couple": "attended", "limits_why": "Only attended"})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "This form was sent before, and set another restriction." in page
    assert "Only attended" in page
    assert str(uuid_of("form")) not in page
    assert Restriction.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"uuid": ""}, "This page had lost part of itself"),
        ({"isolations": "window"}, "“To be isolated”: choose one of the answers shown"),
        ({"because": "99999999"}, "“Because of this report”: choose one of the answers shown"),
    ],
)
def test_a_restriction_that_is_not_whole_is_refused(cast, railway, client_of, change, sentence):
    posted = {"uuid": uuid_of("form"), "where": "A", "couple": "not", "limits_why": "Torn.", **change}
    answer = client_of(cast.controller).post("/units/201/restrict/", posted)
    assert answer.status_code == 422
    assert sentence in answer.content.decode()
    assert not Restriction.objects.exists()


LABEL = {"number": "12", "where": "A", "shows": ""}
ISOLATE = {"kind": "mrp-cock", "where": "A", "place": "Under the cab", "key": "12, Fitter 1", "because": ""}
ASSIST = {"way": "Locomotive draws it", "means": "Adapter", "agreed": "Duty engineer"}


@pytest.fixture
def unit_act(cast, railway, restricted, real):
    """Name → address, what is posted, who may, who may too, who may not, the table it adds to or None."""

    def make(name):
        if name == "assistance":
            workflow.restrict(end=railway.ends["201 B"], unit=None, limits=Limits(rescue="no"), why="x",
                              by=cast.controller, now=real - HOUR)  # fmt: skip
        shut = labels.isolate(kind="bp-cock", where="x", key="", end=railway.ends["201 B"], unit=None, by=cast.fitter,
                              now=real - HOUR)  # fmt: skip
        both = ("controller", "fitter", "manager")
        return {
            "label": ("/units/201/label/", {**LABEL, "restriction": restricted.pk}, *both),
            "take-down": (f"/labels/{Label.objects.get().pk}/take-down/", {}, *both),
            "isolate": ("/units/201/isolate/", ISOLATE, *both),
            "restore": (f"/isolations/{shut.pk}/restore/", {}, *both),
            "assistance": ("/units/201/assistance/", ASSIST, "controller", "other_controller", "fitter"),
        }[name]

    return make


UNIT_ACTS = ["label", "take-down", "isolate", "restore", "assistance"]


@pytest.mark.parametrize("name", UNIT_ACTS)
def test_on_a_unit_it_works_once(unit_act, cast, client_of, name):
    address, posted, who, *_ = unit_act(name)
    client = client_of(getattr(cast, who))
    entries = LogEntry.objects.count()
    answer = client.post(address, posted)
    assert (answer.status_code, answer["Location"]) == (302, "/units/201/")
    assert LogEntry.objects.count() == entries + 1
    after = rows()
    assert client.post(address, posted).status_code == 302
    assert rows() == after


@pytest.mark.parametrize("name", UNIT_ACTS)
def test_on_a_unit_a_colleague_may_and_others_may_not(unit_act, cast, client_of, name):
    address, posted, _, too, wrong = unit_act(name)
    before = rows()
    for person in (getattr(cast, wrong), cast.driver, cast.outsider):
        assert client_of(person).post(address, posted).status_code == 403
    assert client_of(getattr(cast, too)).get(address).status_code == 405
    assert rows() == before
    assert client_of(getattr(cast, too)).post(address, posted).status_code == 302
    assert rows() != before


@pytest.mark.parametrize("name", UNIT_ACTS)
def test_of_two_people_the_second_is_told(unit_act, cast, client_of, name):
    address, posted, who, too, _ = unit_act(name)
    assert client_of(getattr(cast, who)).post(address, posted).status_code == 302
    after = rows()
    answer = client_of(getattr(cast, too)).post(address, posted)
    if name in (
        "isolate",
        "assistance",
    ):  # another cock of the kind may be shut there; a plan agreed again is the plan
        assert answer.status_code == 302
        return
    sentence = {"label": "Label 12 hangs on 201 A already"}.get(name, "Somebody recorded that already")
    assert answer.status_code == 422
    assert sentence in answer.content.decode()
    assert answer.content.decode().count('class="primary"') == 1
    assert rows() == after


UNIT_ERRORS = [
    ("label", {"number": " "}, "Enter the number printed on the label"),
    ("label", {"restriction": ""}, "Choose what it shows"),
    ("label", {"restriction": "none"}, "Say what the label shows"),
    ("label", {"restriction": "99"}, "choose one of the answers shown"),
    ("label", {"where": ""}, "Choose an end or the whole unit"),
    ("label", {"where": "B"}, "A label hangs at the end that its restriction is on"),
    ("label", {"number": "x" * 13}, "at most 12 characters"),
    ("isolate", {"kind": ""}, "Choose what was isolated"),
    ("isolate", {"kind": "window"}, "choose one of the answers shown"),
    ("isolate", {"place": ""}, "Say where it was isolated"),
    ("isolate", {"where": "C"}, "Choose an end or the whole unit"),
    ("assistance", {"way": ""}, "Say how it would be got away"),
    ("assistance", {"means": " "}, "Say with what"),
    ("assistance", {"agreed": ""}, "Say with whom this was agreed"),
]


@pytest.mark.parametrize(("name", "change", "sentence"), UNIT_ERRORS)
def test_on_a_unit_nothing_is_saved_after_an_error(unit_act, cast, client_of, name, change, sentence):
    address, posted, who, *_ = unit_act(name)
    before = rows()
    answer = client_of(getattr(cast, who)).post(address, {**posted, **change})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert sentence in page
    assert "<title>Problem: " in page
    for typed in ("number", "place", "key", "way", "means", "agreed"):
        kept = {**posted, **change}.get(typed, "")
        assert len(kept) > 12 or kept in page
    assert rows() == before


def test_unknown_units_and_rows_are_404(cast, railway, client_of):
    client = client_of(cast.controller)
    for address in ("/units/999/label/", "/units/999/isolate/", "/units/999/assistance/", "/labels/99/take-down/",
                    "/isolations/99/restore/"):  # fmt: skip
        assert client.post(address).status_code == 404


def test_a_vehicle_in_no_unit_leads_back_to_the_list(cast, restricted, client_of):
    CouplerEnd.objects.filter(vehicle="201A").update(unit=None, letter="")
    client = client_of(cast.controller)
    assert "Vehicle 201A, in no unit" in client.get("/in-force/").content.decode()
    for address, posted in ((f"/labels/{Label.objects.get().pk}/take-down/", {}),
                            (f"/restrictions/{restricted.pk}/lift/", {"why": "x"})):  # fmt: skip
        assert client.post(address, posted)["Location"] == "/in-force/"
    refused = client.post(f"/restrictions/{restricted.pk}/lift/", {"why": ""})
    assert refused["Location"] == "/in-force/", "lifted already by the same person"


# --- everything in force -------------------------------------------------------------------------------------------
def test_nothing_in_force_says_when_it_was_checked(cast, railway, client_of):
    page = client_of(cast.driver).get("/in-force/").content.decode()
    assert "Nothing is in force on any unit. Checked at " in page
    assert page.count('class="primary"') == 1
    assert "Show only" not in page


def test_the_list_by_unit_with_links_that_narrow_it(cast, railway, fault, left, restricted, client_of):
    fault(unit="202")
    client = client_of(cast.controller)
    page = client.get("/in-force/").content.decode()
    assert page.index("<h2>201</h2>") < page.index("<h2>202</h2>")
    for said in (
        "A end, uncoupled: Do not couple at this end.",
        "A end: Restriction by control",
        "by Controller 1: <bdi>torn</bdi>",
        "A end: Label 7: Do not couple",
        "A end: Not repaired yet: 9 Release handle",
        "A end: Undesirable: 5 Upper air seal. The rubber is torn or has a flap",
        'href="?kind=restriction">Restrictions (1)</a>',
        'href="?kind=label">Labels (1)</a>',
        'href="?kind=deferral">Deferrals (1)</a>',
        'href="?unit=202">202</a>',
    ):
        assert said in page, said
    for link, shown, hidden in (
        ("?kind=label", ["Label 7"], ["Restriction by control", "<h2>202</h2>"]),
        ("?unit=202", ["<h2>202</h2>"], ["<h2>201</h2>"]),
        ("?unit=202&kind=label", ["Nothing of this is in force."], ["Label 7:"]),
        ("?kind=finding", ["5 Upper air seal", "<h2>202</h2>"], ["Label 7:"]),
        (f"?kind={HOSTILE}&unit=x", ["Nothing of this is in force."], ["<script>alert"]),
    ):
        page = client.get(f"/in-force/{link}").content.decode()
        assert all(said in page for said in shown), link
        assert not [said for said in hidden if said in page], link


def test_a_driver_reads_limits_and_no_names_or_reasons(cast, restricted, left, client_of):
    page = client_of(cast.other_driver).get("/in-force/").content.decode()
    assert "Do not couple at this end." in page
    assert not [said for said in ("torn", "Controller 1", "ordered", "Fitter 1") if f"<bdi>{said}" in page or
                f"by {said}" in page]  # fmt: skip
    assert client_of(cast.outsider).get("/in-force/").status_code == 403


def test_a_deferral_that_ran_out_is_said_with_why_and_what_it_stops(cast, left, client_of, clock, real):
    clock(real + 4 * 24 * HOUR)
    client = client_of(cast.controller)
    page = client.get("/in-force/?kind=over").content.decode()
    assert "its time is past.</strong>" in page
    assert "Do not couple at this end." in page
    terms = client.get(f"/findings/{left.finding.ref}/defer/").content.decode()
    assert "The deferral has run out" in terms.replace("the deferral has run out", "The deferral has run out")
    assert "/recall/" not in terms


def test_a_unit_not_on_the_list_is_not_forgotten(cast, fault, client_of):
    fault(unit="471")
    page = client_of(cast.controller).get("/in-force/").content.decode()
    assert "1 open report on units that are not on our list" in page


def test_a_missing_plan_is_said_wherever_the_unit_is_planned_to_move(cast, railway, fault, client_of, real):
    finding = fault(part="hook", symptom="hook-crack")
    fault(part="hook", symptom="hook-crack", end="B")
    workflow.plan(
        finding, version=2, by=cast.controller, now=real, depot=railway.places["BRK"], since=real, shift="late"
    )
    client = client_of(cast.controller)
    wanted = {
        f"/findings/{finding.ref}/": "It must not leave for there without an assistance plan.",
        "/in-force/": "201 needs an assistance plan before it leaves",
        "/in-force/?kind=assistance": "No plan is recorded.",
        "/work/?depot=BRK": "201 must not leave for here without an assistance plan",
    }
    for address, said in wanted.items():
        assert said in client.get(address).content.decode(), address
    assert client.post("/units/201/assistance/", ASSIST).status_code == 302
    for address, said in wanted.items():
        assert said not in client.get(address).content.decode(), address
    page = client.get(f"/findings/{finding.ref}/").content.decode()
    assert "<bdi>Locomotive draws it</bdi> With: <bdi>Adapter</bdi>. Agreed with: <bdi>Duty engineer</bdi>" in page
    assert "Locomotive" not in client_of(cast.driver).get(f"/findings/{finding.ref}/").content.decode()


def queries(client, address):
    with CaptureQueriesContext(connection) as found:
        assert client.get(address).status_code == 200
    return len(found)


def test_the_list_asks_as_often_for_five_units_as_for_sixty(cast, railway, client_of, real):
    def more(first, count):
        units = Unit.objects.bulk_create(
            Unit(number=str(n), type=railway.types["2V"]) for n in range(first, first + count)
        )
        ends = CouplerEnd.objects.bulk_create(
            CouplerEnd(vehicle=f"{u.number}{x}", unit=u, letter=x, pattern=railway.patterns["P"])
            for u in units
            for x in "AB"
        )
        for end in ends:
            row = Restriction.objects.create(end=end, couple="not", why="x", by=cast.controller, since=real)
            Label.objects.create(number=end.vehicle, end=end, shows="x", restriction=row, by=cast.fitter, since=real)

    client = client_of(cast.controller)
    more(500, 5)
    client.get("/in-force/")
    few = queries(client, "/in-force/")
    more(600, 55)
    assert queries(client, "/in-force/") == few
    assert few <= 40, few


def test_the_pages_of_a_finding_ask_as_often_with_thirty_others(cast, fault, restricted, client_of):
    finding = fault()
    fault(end="B")
    client = client_of(cast.controller)
    addresses = [
        f"/findings/{finding.ref}/{page}" for page in ("", "merge/", "move/", "repeat/", "occurrence/", "defer/")
    ]
    few = {address: queries(client, address) and queries(client, address) for address in addresses}
    for n in range(30):
        fault(end="AB"[n % 2])
    assert {address: queries(client, address) for address in addresses} == few
    assert max(few.values()) <= 45, few


# --- the part of the unit's page -----------------------------------------------------------------------------------
def test_the_part_of_the_units_page_says_the_same(cast, railway, restricted, left, fault, rf, real):
    finding = fault()
    place = {"end": railway.ends["201 A"], "unit": None, "by": cast.fitter, "now": real}
    labels.isolate(kind="mrp-cock", where="Cab", key="12", finding=finding, **place)
    parts = {}
    for who in ("controller", "fitter", "driver"):
        request = rf.get("/")
        here = in_force_on(railway.units["201"], getattr(cast, who), real)
        parts[who] = render_to_string("finding/_in_force_of_unit.html", {"here": here}, request)
    control = parts["controller"]
    for said in (
        "A end: Restriction by control",
        "A end: Label 7: Do not couple",
        "A end: Main reservoir cock shut, Cab",
        "A end: Not repaired yet: 9 Release handle",
        f'action="/restrictions/{restricted.pk}/lift/"',
        'action="/units/201/restrict/"',
    ):
        assert said in control, said
    for act in ('/take-down/"', '/restore/"', 'action="/units/201/label/"', 'action="/units/201/isolate/"'):
        assert act in control
        assert act in parts["fitter"]
        assert act not in parts["driver"]
    assert "/lift/" not in parts["fitter"]
    assert "csrfmiddlewaretoken" in control
    assert "torn" not in parts["driver"].replace("torn or has a flap", "")


def test_the_part_of_the_units_page_of_a_unit_with_nothing(cast, railway, rf, real):
    here = in_force_on(railway.units["202"], cast.driver, real)
    assert "<p>None in force.</p>" in render_to_string("finding/_in_force_of_unit.html", {"here": here}, rf.get("/"))
