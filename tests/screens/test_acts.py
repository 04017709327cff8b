"""Each act: works, a colleague may, the wrong role 403, GET 405, nothing saved after an error, stale, double post."""

from datetime import UTC, datetime, time, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from inspections import workflow
from inspections.forms.acts import PlanForm, RestrictForm, TellForm
from inspections.forms.fields import ClockTime
from inspections.models import Finding, LogEntry, Observation, Restriction, Visit
from inspections.rules.limits import Limits
from tests.conftest import uuid_of
from tests.screens.desk import ESCAPED, HOSTILE, finding_of, looked, planned, taken

pytestmark = pytest.mark.django_db

SOON = timezone.localdate() + timedelta(days=30)
PLAN = {"depot": "BRK", "day": SOON.isoformat(), "shift": "late", "road": "3"}
# act, state it starts from, what is posted, who may, who may too, the state after it
ACTS = [
    ("look", "reported", {}, "controller", "other_controller", "acknowledged"),
    ("tell", "acknowledged", {"whom": "Driver of 1A12", "how": "by radio"}, "controller", "other_controller",
     "acknowledged"),
    ("raise", "acknowledged", {"to": "3", "why": "It hangs."}, "controller", "fitter", "acknowledged"),
    ("plan", "acknowledged", PLAN, "controller", "other_controller", "planned"),
    ("take", "planned", {}, "fitter", "other_fitter", "in work"),
    ("withdraw", "reported", {"why": "Wrong unit."}, "controller", "other_controller", "withdrawn"),
]  # fmt: skip
IDS = [act[0] for act in ACTS]
# What is wrong with a posted form, and the sentence it brings.
ERRORS = [
    ("tell", {"whom": "  ", "how": "by radio"}, "Say who was told"),
    ("tell", {"whom": "X", "how": "by pigeon"}, "Choose how they were told"),
    ("tell", {"whom": "X", "how": "by radio", "when": "2099-01-01T10:00"}, "That time is still to come"),
    ("tell", {"whom": "X", "how": "by radio", "when": "ten to six"}, "Enter a date and time"),
    ("raise", {"to": "3", "why": " "}, "Say why"),
    ("raise", {"to": "0", "why": "lower"}, "Choose a category"),
    ("plan", {**PLAN, "depot": "THO"}, "Choose a depot"),
    ("plan", {**PLAN, "day": "2020-01-01"}, "That day is past"),
    ("plan", {**PLAN, "day": "2099-01-01"}, "more than a year away"),
    ("plan", {**PLAN, "shift": ""}, "Choose a shift"),
    ("plan", {**PLAN, "shift": "dawn"}, "Choose a shift"),
    ("plan", {**PLAN, "day": "someday"}, "“Day” is no date: enter it like 24/11/2026"),
    ("plan", {**PLAN, "road": "x" * 21}, "“Road” is too long: at most 20 characters"),
    ("tell", {"whom": "x" * 121, "how": "by radio"}, "“Who was told” is too long: at most 120 characters"),
    ("tell", {"whom": "\u202e\u2066 ", "how": "by radio"}, "Say who was told"),
    ("tell", {"whom": "X", "how": "by radio", "when": "1900-01-01T10:00"}, "more than seven days ago"),
    ("withdraw", {"why": "x" * 301}, "“Why is it withdrawn?” is too long: at most 300 characters"),
    ("withdraw", {"why": "x", "version": ""}, "This page had lost part of itself"),
    ("withdraw", {"why": "x", "version": "1x"}, "This page had lost part of itself"),
    ("withdraw", {"why": "x", "version": "-1"}, "This page had lost part of itself"),
    ("withdraw", {"why": ""}, "Say why"),
]


@pytest.fixture
def at(cast, railway, report, now):
    """A finding brought to a state."""

    def make(state, **more):
        finding = finding_of(report(cast.driver, **more))
        step = {"reported": None, "acknowledged": looked, "planned": planned, "in work": taken}[state]
        if step is None:
            return finding
        return step(cast, finding, now) if step is looked else step(cast, railway, finding, now)

    return make


def address(finding, act):
    return f"/findings/{finding.ref}/{act}/"


def state_of(finding):
    return Finding.objects.values_list("state", "version").get(pk=finding.pk)


@pytest.mark.parametrize(("act", "start", "posted", "who", "too", "after"), ACTS, ids=IDS)
def test_works(at, cast, client_of, act, start, posted, who, too, after):
    finding = at(start)
    response = client_of(getattr(cast, who)).post(address(finding, act), {"version": finding.version, **posted})
    assert response.status_code == 302
    assert response["Location"] == f"/findings/{finding.ref}/"
    assert state_of(finding) == (after, finding.version + 1)


@pytest.mark.parametrize(("act", "start", "posted", "who", "too", "after"), ACTS, ids=IDS)
def test_a_colleague_may(at, cast, client_of, act, start, posted, who, too, after):
    finding = at(start)
    response = client_of(getattr(cast, too)).post(address(finding, act), {"version": finding.version, **posted})
    assert response.status_code == 302
    assert state_of(finding)[0] == after


@pytest.mark.parametrize(("act", "start", "posted", "who", "too", "after"), ACTS, ids=IDS)
def test_the_wrong_role_gets_403_and_changes_nothing(at, cast, client_of, act, start, posted, who, too, after):
    finding = at(start)
    wrong = [cast.driver, cast.manager, cast.outsider] + ([cast.fitter] if act in ("look", "tell", "plan") else [])
    for person in wrong:
        response = client_of(person).post(address(finding, act), {"version": finding.version, **posted})
        assert response.status_code == 403, person
    assert state_of(finding) == (start, finding.version)


@pytest.mark.parametrize("act", [*IDS])
def test_get_is_not_an_act(at, cast, client_of, act):
    finding = at("reported")
    assert client_of(cast.controller).get(address(finding, act)).status_code == 405


@pytest.mark.parametrize("act", [*IDS])
def test_a_mistyped_or_unknown_reference_is_404(cast, client_of, act):
    client = client_of(cast.fitter if act == "take" else cast.controller)
    for ref in ("00000014", "00099992"):
        assert client.post(f"/findings/{ref}/{act}/", {"version": 1}).status_code == 404


@pytest.mark.parametrize(("act", "posted", "sentence"), ERRORS)
def test_nothing_is_saved_after_an_error(at, cast, client_of, act, posted, sentence):
    finding = at("acknowledged")
    written = LogEntry.objects.count()
    response = client_of(cast.controller).post(address(finding, act), {"version": finding.version, **posted})
    page = response.content.decode()
    assert response.status_code == 422
    assert sentence in page
    for default in ("Select a valid", "Enter a valid", "Ensure", "This field", "\u202e"):
        assert default not in page.replace(posted.get("whom", "-"), "")
    assert "<title>Problem: " in page
    assert state_of(finding) == ("acknowledged", finding.version)
    assert LogEntry.objects.count() == written
    assert not Visit.objects.exists()


@pytest.mark.parametrize(("act", "start", "posted", "who", "too", "after"), ACTS, ids=IDS)
def test_stale_says_who_and_keeps_what_was_typed(at, cast, client_of, now, act, start, posted, who, too, after):
    finding = at(start)
    seen = finding.version
    workflow.tell(finding, version=seen, by=cast.other_controller, now=now, whom="Signaller", how="by phone")
    client = client_of(getattr(cast, who))
    response = client.post(address(finding, act), {"version": seen, **posted})
    page = response.content.decode()
    assert response.status_code == 409
    assert "Controller 2 recorded who was told at 06:00. See what changed before you save." in page
    assert "Told: <bdi>Signaller, by phone</bdi>" in page
    for typed in (posted.get("why"), posted.get("whom"), posted.get("road")):
        assert typed is None or typed in page
    assert state_of(finding) == (start, seen + 1)
    assert f'name="version" value="{seen + 1}"' in page
    # Having seen what changed, the same form goes through.
    assert client.post(address(finding, act), {"version": seen + 1, **posted}).status_code == 302
    assert state_of(finding)[0] == after


@pytest.mark.parametrize(("act", "start", "posted", "who", "too", "after"), ACTS, ids=IDS)
def test_a_double_post_acts_once(at, cast, client_of, act, start, posted, who, too, after):
    finding = at(start)
    client = client_of(getattr(cast, who))
    answers = [client.post(address(finding, act), {"version": finding.version, **posted}) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [302, 302]
    assert state_of(finding) == (after, finding.version + 1)


def test_a_colleague_who_was_first_is_no_second_press(at, cast, client_of, now):
    finding = at("reported")
    seen = finding.version
    workflow.look(finding, version=seen, by=cast.other_controller, now=now)
    response = client_of(cast.controller).post(address(finding, "look"), {"version": seen})
    assert response.status_code == 409
    assert "Controller 2 looked at this at 06:00. See what changed before you save." in response.content.decode()


def test_telling_the_same_person_again_later_is_no_second_press(at, cast, client_of, now):
    finding = at("acknowledged")
    seen = finding.version
    workflow.tell(finding, version=seen, by=cast.controller, now=now, whom="Signaller", how="by phone")
    posted = {"version": seen, "whom": "Signaller", "how": "by phone"}
    client = client_of(cast.controller)
    assert client.post(address(finding, "tell"), posted).status_code == 409
    assert client.post(address(finding, "tell"), {**posted, "version": seen + 1}).status_code == 302
    assert LogEntry.objects.filter(kind="told").count() == 2


def test_planning_another_day_on_a_stale_page_is_no_second_press(at, cast, client_of):
    finding = at("acknowledged")
    client = client_of(cast.controller)
    posted = {"version": finding.version, **PLAN}
    assert client.post(address(finding, "plan"), posted).status_code == 302
    other = {**posted, "day": (SOON + timedelta(days=1)).isoformat()}
    assert client.post(address(finding, "plan"), other).status_code == 409
    assert Visit.objects.count() == 1


def test_a_unit_that_is_not_on_the_list_cannot_be_planned(at, cast, client_of):
    finding = at("acknowledged", unit="471")
    response = client_of(cast.controller).post(address(finding, "plan"), {"version": finding.version, **PLAN})
    assert response.status_code == 422
    assert "The unit is not on the list yet: say which unit it is first." in response.content.decode()


def test_what_is_no_longer_possible_keeps_the_typed_words(at, cast, client_of, now):
    finding = at("reported")
    seen = finding.version
    workflow.withdraw(finding, version=seen, by=cast.other_controller, now=now, why="Wrong unit.")
    typed = "Seen twice at the yard"
    response = client_of(cast.controller).post(address(finding, "raise"), {"version": seen, "to": "3", "why": typed})
    page = response.content.decode()
    assert response.status_code == 409
    assert "Controller 2 withdrew this at 06:00." in page
    assert "It is withdrawn now" in page
    assert typed in page
    assert '<button class="primary">Raise' not in page
    assert not Observation.objects.filter(kind="raised").exists()


@pytest.mark.parametrize(
    ("act", "state"),
    [
        ("look", "acknowledged"),
        ("take", "reported"),
        ("plan", "in work"),
        ("withdraw", "in work"),
        ("take", "in work"),
    ],
)
def test_an_act_that_does_not_fit_the_state_is_refused_in_words(at, cast, client_of, act, state):
    finding = at(state)
    who = cast.other_fitter if act == "take" else cast.controller
    posted = {"version": finding.version, **PLAN, "why": "x"}
    response = client_of(who).post(address(finding, act), posted)
    assert response.status_code == 422
    assert f"This finding is {state}" in response.content.decode()
    assert state_of(finding) == (state, finding.version)


def test_typed_text_is_escaped_wherever_it_is_shown(at, cast, client_of):
    finding = at("acknowledged")
    client = client_of(cast.controller)
    refused = client.post(address(finding, "tell"), {"version": 99, "whom": HOSTILE, "how": "by radio"})
    assert (
        client.post(
            address(finding, "tell"), {"version": finding.version, "whom": HOSTILE, "how": "by radio"}
        ).status_code
        == 302
    )
    for page in (refused.content.decode(), client.get(f"/findings/{finding.ref}/").content.decode()):
        assert ESCAPED in page
        assert "<script>alert" not in page


def test_raising_regrades_and_shows(at, cast, client_of):
    finding = at("acknowledged")
    client_of(cast.controller).post(
        address(finding, "raise"), {"version": finding.version, "to": "3", "why": "It hangs over the rail."}
    )
    page = client_of(cast.fitter).get(f"/findings/{finding.ref}/").content.decode()
    assert "band-intolerable" in page
    assert "Raised to intolerable: <bdi>It hangs over the rail.</bdi>" in page


def test_plan_makes_one_visit_for_a_shift(at, cast, client_of):
    first, second = at("acknowledged"), at("acknowledged", part="hook", symptom="hook-marks")
    client = client_of(cast.controller)
    for finding in (first, second):
        client.post(address(finding, "plan"), {"version": finding.version, **PLAN})
    visit = Visit.objects.get()
    assert timezone.localtime(visit.since).replace(tzinfo=None) == datetime.combine(SOON, time(14))
    assert {first.ref, second.ref} == set(visit.findings.values_list("ref", flat=True))


def test_planning_the_same_shift_on_another_road_moves_it_there(at, cast, client_of):
    finding = at("acknowledged")
    client = client_of(cast.controller)
    stale = {"version": finding.version, **PLAN}
    assert client.post(address(finding, "plan"), stale).status_code == 302
    assert client.post(address(finding, "plan"), {**stale, "road": "7"}).status_code == 409, "no second press"
    other = {**stale, "version": finding.version + 1, "road": "7"}
    assert client.post(address(finding, "plan"), other).status_code == 302
    assert Visit.objects.get().road == "7"
    page = client.get(f"/findings/{finding.ref}/").content.decode()
    assert "road <bdi>7</bdi>, " in page
    for road in "37":
        assert f"late shift: <bdi>road {road}</bdi>" in page
    kept = {**other, "version": finding.version + 2, "road": ""}
    assert client.post(address(finding, "plan"), kept).status_code == 302
    assert Visit.objects.get().road == "7"


def test_who_acted_on_a_page_of_their_own_is_you(at, cast, client_of):
    finding = at("acknowledged")
    client = client_of(cast.controller)
    client.post(address(finding, "plan"), {"version": finding.version, **PLAN})
    page = client.post(address(finding, "withdraw"), {"version": finding.version, "why": "x"}).content.decode()
    assert "You planned this at " in page
    assert "Controller 1 planned" not in page


def test_a_version_that_never_was_claims_no_change(at, cast, client_of):
    finding = at("acknowledged")
    posted = {"version": "9" * 20, "why": "x"}
    response = client_of(cast.controller).post(address(finding, "withdraw"), posted)
    page = response.content.decode()
    assert response.status_code == 422
    assert "This page does not fit what stands here now. Look at it again before you save." in page
    assert "hanged" not in page
    assert state_of(finding) == ("acknowledged", finding.version)


def test_marks_that_turn_text_are_not_kept(at, cast, client_of):
    finding = at("acknowledged")
    turning = "\u200e\u200f\u202a\u202e\u2066\u2069"
    posted = {"version": finding.version, "whom": f"Sig{turning}naller \u05d0", "how": "by phone"}
    assert client_of(cast.controller).post(address(finding, "tell"), posted).status_code == 302
    assert LogEntry.objects.get(kind="told").data["whom"] == "Signaller \u05d0"


def test_told_before_it_was_entered_shows_both_times(at, cast, client_of):
    finding = at("acknowledged")
    posted = {"whom": "Signaller", "how": "by phone", "when": "2026-11-24T05:50"}
    client_of(cast.controller).post(address(finding, "tell"), {"version": finding.version, **posted})
    entry = LogEntry.objects.get(kind="told")
    assert entry.happened == datetime(2026, 11, 24, 5, 50, tzinfo=UTC)
    page = client_of(cast.controller).get(f"/findings/{finding.ref}/").content.decode()
    assert "24 November 2026, 05:50 GMT</time> Told: <bdi>Signaller, by phone</bdi>" in page
    assert "(entered " in page


# --- clock changes ------------------------------------------------------------------------------------------------
CLOCKS = [
    ("2026-03-29T01:30", None),  # the hour that never was
    ("2026-03-29T02:30", datetime(2026, 3, 29, 1, 30, tzinfo=UTC)),
    ("2025-10-26T01:30", datetime(2025, 10, 26, 1, 30, tzinfo=UTC)),  # came twice: the later one
    ("2025-10-26T00:30", datetime(2025, 10, 25, 23, 30, tzinfo=UTC)),
    ("24/11/2025 05:50", datetime(2025, 11, 24, 5, 50, tzinfo=UTC)),
]


@pytest.mark.parametrize(("typed", "meant"), CLOCKS)
def test_clock_times_across_a_change(typed, meant):
    field = ClockTime(required=False)
    if meant is None:
        with pytest.raises(ValidationError, match="That time did not happen"):
            field.clean(typed)
    else:
        assert field.clean(typed) == meant


@pytest.mark.parametrize(
    ("day", "shift", "start"),
    [
        ("2026-10-25", "early", datetime(2026, 10, 25, 6, 0, tzinfo=UTC)),
        ("2026-03-29", "early", datetime(2026, 3, 29, 5, 0, tzinfo=UTC)),
        ("2026-03-28", "night", datetime(2026, 3, 28, 22, 0, tzinfo=UTC)),
    ],
)
def test_shifts_start_at_their_clock_time(cast, report, day, shift, start):
    finding = finding_of(report(cast.driver))
    data = {"version": "1", "depot": "BRK", "day": day, "shift": shift}
    form = PlanForm(data, finding=finding, now=datetime(2026, 3, 1, tzinfo=UTC))
    assert form.is_valid(), form.errors
    assert form.cleaned_data["since"] == start


# --- restrictions -------------------------------------------------------------------------------------------------
RESTRICT = {"uuid": uuid_of("form"), "where": "A", "couple": "not", "limits_why": "Lock marks not in line."}


def test_control_restricts_an_end(railway, cast, client_of):
    response = client_of(cast.controller).post("/units/201/restrict/", RESTRICT)
    assert response.status_code == 302
    assert response["Location"] == "/units/201/"
    restriction = Restriction.objects.get()
    assert (restriction.end, restriction.unit) == (railway.ends["201 A"], None)
    assert restriction.limits == Limits(couple="not")
    assert restriction.by == cast.controller


def test_control_restricts_the_whole_unit(railway, cast, client_of):
    posted = {"where": "unit", "move": "to depot", "passengers": "no", "speed": "40", "limits_why": "Shank bent."}
    client = client_of(cast.other_controller)
    assert client.post("/units/201/restrict/", posted | {"uuid": uuid_of("form")}).status_code == 302
    restriction = Restriction.objects.get()
    assert (restriction.end, restriction.unit) == (None, railway.units["201"])
    assert restriction.limits == Limits(move="to depot", passengers="no", speed=40)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"couple": "normal"}, "Choose at least one limit"),
        ({"couple": "never"}, "“Coupling at this end”: choose one of the answers shown"),
        ({"limits_why": "  "}, "Say why"),
        ({"where": ""}, "Choose an end or the whole unit"),
        ({"where": "C"}, "Choose an end or the whole unit"),
        ({"speed": "0"}, "“Highest speed”: at least 1"),
        ({"speed": "401"}, "“Highest speed”: at most 400"),
        ({"speed": "fast"}, "“Highest speed”: enter a whole number"),
    ],
)
def test_a_restriction_that_says_nothing_is_refused(railway, cast, client_of, changes, sentence):
    response = client_of(cast.controller).post("/units/201/restrict/", {**RESTRICT, **changes})
    assert response.status_code == 422
    assert sentence in response.content.decode()
    assert not Restriction.objects.exists()


def test_restricting_twice_with_one_form_restricts_once(railway, cast, client_of):
    client = client_of(cast.controller)
    assert [client.post("/units/201/restrict/", RESTRICT).status_code for _ in range(2)] == [302, 302]
    assert Restriction.objects.count() == 1


@pytest.mark.parametrize("who", ["driver", "fitter", "manager", "outsider"])
def test_only_control_restricts_and_lifts(railway, cast, client_of, now, who):
    restriction = workflow.restrict(
        end=railway.ends["201 A"], unit=None, limits=Limits(couple="not"), why="x", by=cast.controller, now=now
    )
    client = client_of(getattr(cast, who))
    assert client.post("/units/201/restrict/", RESTRICT).status_code == 403
    assert client.post(f"/restrictions/{restriction.pk}/lift/", {"why": "x"}).status_code == 403
    assert Restriction.objects.in_force(timezone.now()).count() == 1


def test_restrict_and_lift_by_get_are_405_and_unknown_ones_404(railway, cast, client_of):
    client = client_of(cast.controller)
    assert client.get("/units/201/restrict/").status_code == 405
    assert client.get("/restrictions/1/lift/").status_code == 405
    assert client.post("/units/999/restrict/", RESTRICT).status_code == 404
    assert client.post("/restrictions/999/lift/", {"why": "x"}).status_code == 404


def test_lifting_leaves_the_others_and_says_why(railway, cast, client_of, now):
    kept, lifted = [
        workflow.restrict(end=railway.ends["201 A"], unit=None, limits=limits, why="x", by=cast.controller, now=now)
        for limits in (Limits(couple="not"), Limits(rescue="no"))
    ]
    client = client_of(cast.other_controller)
    address = f"/restrictions/{lifted.pk}/lift/"
    assert client.post(address, {"why": " "}).status_code == 422
    assert client.post(address, {"why": "Tested."}).status_code == 302
    assert list(Restriction.objects.in_force(timezone.now())) == [kept]
    lifted.refresh_from_db()
    assert (lifted.lifted_by, lifted.lifted_why) == (cast.other_controller, "Tested.")
    # Pressed twice by the same person: done once. By another: told so.
    assert client.post(address, {"why": "Tested."}).status_code == 302
    refused = client_of(cast.controller).post(address, {"why": "Again."})
    assert refused.status_code == 422
    assert "This restriction was lifted already." in refused.content.decode()


def test_forms_of_one_page_have_ids_of_their_own(cast, railway, report, now):
    finding = finding_of(report(cast.driver))
    ids = [field.auto_id for form in (TellForm(finding=finding, now=now), PlanForm(finding=finding, now=now))
           for field in form]  # fmt: skip
    form = RestrictForm(unit=railway.units["201"], ends=railway.units["201"].ends.all(), dial_words={})
    ids += [field.auto_id for field in form]
    assert len(ids) == len(set(ids))
