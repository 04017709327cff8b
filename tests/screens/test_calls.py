"""A report typed in by control for a caller: the same questions, who told it, how and when, read back."""

import json
from datetime import UTC, timedelta
from uuid import UUID

import pytest
from django.utils import timezone

from inspections import intake
from inspections.forms.report import IDS
from inspections.models import Finding, LogEntry, Observation, Submission
from tests.conftest import uuid_of
from tests.look.probes import axe_faults
from tests.screens.desk import ESCAPED, HOSTILE

pytestmark = pytest.mark.django_db
PAGE = "/calls/new/"
CALLED = timezone.now().replace(second=0, microsecond=0) - timedelta(minutes=20)


def wall(at):
    """A time as a browser's field sends it."""
    return f"{timezone.localtime(at):%Y-%m-%dT%H:%M}"


@pytest.fixture
def desk(client_of, cast, railway):
    return client_of(cast.controller)


@pytest.fixture
def call(cast):
    """What is posted for the common call; `changes` replace or add."""

    def made(key="1", **changes):
        ids = {name: str(uuid_of(name, key)) for name in IDS}
        told = {
            "channel": "phone",
            "reporter": cast.driver.pk,
            "caller": "",
            "called": wall(CALLED),
            "readback": "on",
        }
        seen = {"unit": "201", "end": "A", "part": "air-upper", "sign": "seal-torn", "situation": "U"}
        return ids | told | seen | {"readback": "on", "kept": "0", "occasion": "walk-round", "send": "1"} | changes

    return made


def send(desk, data):
    return desk.post(PAGE, {name: value for name, value in data.items() if value is not None})


def body_of(submission):
    return json.loads(bytes(submission.body))


def test_a_call_is_filed_under_its_caller_with_what_control_said(desk, cast, call):
    answer = desk.post(PAGE, call(), follow=True)
    assert answer.status_code == 200
    page = answer.content.decode()
    row = Submission.objects.get()
    assert (row.channel, row.status, row.author, row.submitted_by) == (
        "typed",
        "stored",
        cast.driver,
        cast.controller,
    )
    finding = Finding.objects.get()
    assert finding.spoken_ref in page
    assert "Tell the caller." in page
    assert "Told by phone" in page
    assert "read back" in page
    assert "Driver 1" in page
    look = Observation.objects.get()
    assert (look.by, look.seen) == (cast.driver, CALLED)
    (entry,) = LogEntry.objects.filter(kind="typed in")
    assert (entry.subject, entry.actor) == (f"report:{row.uuid}", cast.controller)
    told = entry.data
    assert (told["how"], told["read_back"], told["listed"]) == ("phone", True, True)
    assert told["called"].startswith(f"{CALLED.astimezone(UTC):%Y-%m-%dT%H:%M}")
    assert "Driver 1" not in entry.payload


def test_seen_before_the_call(desk, call):
    send(desk, call(seen=f"{timezone.localtime(CALLED - timedelta(minutes=50)):%H:%M}"))
    assert Observation.objects.get().seen == CALLED - timedelta(minutes=50)


def test_a_caller_not_on_the_list_is_named_in_the_body_only(desk, cast, call, client_of):
    answer = desk.post(PAGE, call(reporter="", caller="Guard of a hired train", channel="radio"), follow=True)
    page = answer.content.decode()
    row = Submission.objects.get()
    assert row.author == cast.controller
    assert body_of(row)["call"]["by"] == "Guard of a hired train"
    assert "Guard of a hired train" in page
    assert "as given to Controller 1" in page
    assert "Told by radio" in page
    assert not [entry for entry in LogEntry.objects.all() if "Guard" in entry.payload]
    assert not [look for look in Observation.objects.all() if "Guard" in look.note]
    assert LogEntry.objects.get(kind="typed in").data["listed"] is False
    assert client_of(cast.driver).get(f"/reports/{row.uuid}/").status_code == 404


def test_the_same_post_again_is_one_report_and_one_entry(desk, call):
    first, second = send(desk, call()), send(desk, call())
    assert first.url == second.url
    assert (Submission.objects.count(), Finding.objects.count()) == (1, 1)
    assert LogEntry.objects.filter(kind="typed in").count() == 1


def test_the_same_page_with_other_answers_is_kept_apart(desk, call):
    send(desk, call())
    answer = desk.post(PAGE, call(note="One thing more"), follow=True)
    assert "control will sort it out" in answer.content.decode()
    assert Finding.objects.count() == 1
    assert Submission.objects.quarantined().count() == 1


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"channel": ""}, "Choose how the call came"),
        ({"channel": "letter"}, "Choose how the call came"),
        ({"reporter": ""}, "Say who reported it"),
        ({"caller": "Guard"}, "You chose a person and wrote a name"),
        ({"reporter": "999999"}, "choose one of the answers shown"),
        ({"called": ""}, "Enter the time of the call"),
        ({"called": "noon"}, "Enter a date and time"),
        ({"called": wall(CALLED + timedelta(hours=2))}, "That time is still to come"),
        ({"called": wall(CALLED - timedelta(days=8))}, "more than seven days ago"),
        ({"readback": None}, "Read it back to the caller, then tick it"),
        ({"unit": "x"}, "Enter the unit number, 3 to 6 digits"),
        ({"end": ""}, "Choose which end"),
        ({"part": ""}, "Choose the part"),
        ({"sign": "handle-stiff"}, "your answer is about another part"),
        ({"situation": ""}, "Choose how this end is now"),
        ({"said": "nonsense"}, "This page had lost part of itself"),
    ],
)
def test_what_is_wrong_is_said_and_everything_typed_stays(desk, call, changes, sentence):
    posted = call(note="Cut at the bottom <b>", place="By the signal") | changes
    answer = send(desk, posted)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert sentence in page
    assert "<title>Problem:" in page
    assert "Cut at the bottom &lt;b&gt;" in page
    assert not Submission.objects.exists()
    forms = [answer.context["form"], answer.context["call"]]
    kept = {name: form[name].value() for form in forms for name in posted if name in form.fields}
    for name in ("note", "place", "end", "part", "sign", "situation", "channel", "caller", "called", "unit"):
        assert kept[name] == posted[name], name


def test_hostile_words_stay_words(desk, call):
    assert ESCAPED in send(desk, call(note=HOSTILE, end="")).content.decode()
    page = desk.post(PAGE, call(reporter="", caller=HOSTILE), follow=True).content.decode()
    assert ESCAPED in page
    assert "<script>alert" not in page


def test_several_faults_in_one_call(desk, call):
    data = call()
    del data["send"]
    answer = desk.post(PAGE, data | {"another": "1"})
    form, told = answer.context["form"], answer.context["call"]
    assert len(form.earlier) == 1
    assert not Submission.objects.exists()
    said = {name: str(form[name].value() or "") for name in form.fields}
    kept = {name: told[name].value() for name in told.fields}
    assert (kept["channel"], str(kept["reporter"])) == ("phone", str(data["reporter"]))
    second = said | kept | {"part": "handle", "sign": "handle-stiff", "end": "A", "readback": "on", "send": "1"}
    assert send(desk, second).status_code == 302
    assert [look.slot for look in Observation.objects.order_by("pk")] == ["air-upper", "handle"]
    removed = desk.post(PAGE, said | kept | {"remove": form.earlier[0].fault}).context["form"]
    assert not removed.earlier


def test_another_unit_and_a_look_before_filing(desk, call, railway):
    data = call(unit="301")
    del data["send"]
    answer = desk.post(PAGE, data | {"change": "1"})
    assert answer.context["number"] == "301"
    assert answer.context["form"]["part"].value() == "air-upper"
    looked = desk.post(PAGE, data | {"look": "1"})
    assert looked.status_code == 200
    assert "What the A end of 301 may still do" in looked.content.decode()
    assert not Submission.objects.exists()


def test_they_looked_and_found_nothing(desk, call, cast):
    posted = call(part=None, sign=None, found="nothing", situation="R")
    answer = desk.post(PAGE, {k: v for k, v in posted.items() if v is not None}, follow=True)
    assert "Nothing was found" in answer.content.decode()
    assert not Finding.objects.exists()
    assert Submission.objects.get().author == cast.driver


def test_a_fault_reported_already_is_offered(desk, call, report, cast):
    ref = report(cast.other_driver).refs[0]
    page = desk.get(f"{PAGE}?unit=201").content.decode()
    assert f"still:{ref}" in page
    send(desk, call(sign=f"still:{ref}", changed="worse", part=None))
    assert Finding.objects.count() == 1
    assert Observation.objects.order_by("-pk").first().kind == "worse"


@pytest.mark.parametrize("role", ["driver", "fitter", "checker", "manager", "engineer", "outsider"])
def test_only_control_types_in(client_of, cast, railway, call, role):
    visitor = client_of(getattr(cast, role))
    assert visitor.get(PAGE).status_code == 403
    assert visitor.post(PAGE, call()).status_code == 403
    assert not Submission.objects.exists()


def test_ids_that_cannot_be_relied_on_are_made_anew(desk, call):
    send(desk, call(id="x", fault="", kept="99"))
    assert isinstance(Submission.objects.get().uuid, UUID)
    assert Finding.objects.count() == 1


@pytest.mark.browser
def test_only_what_can_be_wrong_with_the_part_is_offered(browser_page, sign_in, cast, railway, report):
    report(cast.driver)
    sign_in(browser_page, cast.controller)
    browser_page.goto(f"{PAGE}?unit=201")
    many = browser_page.locator("#div_id_sign label:visible").count()
    assert browser_page.locator("#div_id_changed").is_hidden()
    browser_page.locator("#div_id_part label", has_text="9 Release handle").click()
    few = browser_page.locator("#div_id_sign label:visible").all_inner_texts()
    assert 1 < len(few) < many / 3
    browser_page.locator("#div_id_sign label", has_text="The handle is stiff").click()
    browser_page.locator("#div_id_part label", has_text="5 Upper air seal").click()
    assert not browser_page.locator('input[name="sign"]:checked').count()
    browser_page.locator("#div_id_sign label", has_text="Already reported").click()
    assert browser_page.locator("#div_id_changed").is_visible()
    assert axe_faults(browser_page) == []


def test_a_call_that_the_log_had_no_time_for_is_logged_at_the_second_press(desk, call, cast, monkeypatch):
    """The report is committed first: a break before the log's entry loses nothing."""
    real = intake.receive

    def receive_and_break(**told):
        real(**told)
        raise OSError("no room")

    monkeypatch.setattr(intake, "receive", receive_and_break)
    with pytest.raises(OSError, match="no room"):
        send(desk, call())
    assert Submission.objects.count() == 1
    monkeypatch.undo()
    send(desk, call())
    assert Submission.objects.count() == 1
    assert LogEntry.objects.filter(kind="typed in").count() == 1
