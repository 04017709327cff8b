"""S2 with several faults and both ends in one report, and what became of a fault reported before; without scripts."""

import json
from datetime import timedelta
from uuid import uuid4

import pytest
from django.utils import timezone

from inspections import workflow
from inspections.forms.body import MAX_FAULTS
from inspections.models import Finding, InspectedEnd, Observation, Photo, Submission
from tests.conftest import uuid_of
from tests.screens.desk import HOSTILE
from tests.screens.driver import answered, opened, picture

HOOK = {"end": "B", "part": "hook", "sign": "hook-crack", "situation": "U"}
HOSTILE_NUMBER = "9" * 300


@pytest.fixture
def driver(client_of, cast, railway):
    return client_of(cast.driver)


def post(client, data, **answers):
    return client.post("/reports/new/", data | answers)


def next_page(response):
    """What a browser would post from this page before anything is answered on it."""
    form = response.context["form"]
    return {field.html_name: str(field.value() or "") for field in form if field.html_name != "photos"}


def one_more(client, data, **answers):
    """Press *Add another fault*; gives what the page then has to post."""
    response = post(client, data, another="1", **answers)
    assert response.status_code == 200, response.context["form"].errors
    return next_page(response)


def body_of(submission):
    return json.loads(bytes(submission.body))


def errors_of(response):
    assert response.status_code == 422
    return [message for messages in response.context["form"].errors.values() for message in messages]


# ---- several faults


def test_a_report_takes_two_faults_at_two_ends(driver):
    first = answered(driver, note="by the bolt")
    second = one_more(driver, first)
    assert post(driver, second, **HOOK, note="hairline").status_code == 302
    submission = Submission.objects.get()
    assert submission.status == "stored"
    assert str(submission.uuid) == first["id"]
    body = body_of(submission)
    assert body["v"] == 1
    assert [(f["id"], f["end"], f["part"], f["note"]) for f in body["faults"]] == [
        (first["fault"], "A", "air-upper", "by the bolt"),
        (second["fault"], "B", "hook", "hairline"),
    ]
    assert [(end["end"], end["situation"], end["clean"]) for end in body["ends"]] == [
        ("A", "U", False),
        ("B", "U", False),
    ]
    assert Finding.objects.count() == 2
    receipt = driver.get(f"/reports/{submission.uuid}/").content.decode()
    for finding in Finding.objects.all():
        assert finding.spoken_ref in receipt


def test_the_page_for_one_more_lists_the_first_and_asks_anew(driver):
    response = post(driver, answered(driver, note="n", weather="frost", place="Thornhope"), another="1")
    page, form = response.content.decode(), response.context["form"]
    assert "In this report so far" in page
    assert "A end, uncoupled. 5 Upper air seal: The rubber is torn or has a flap" in page
    assert "Remove fault 1" in page
    assert [form[name].value() for name in ("end", "part", "sign", "situation", "note")] == [None] * 5
    assert [form[name].value() for name in ("unit", "weather", "place")] == ["201", "frost", "Thornhope"]
    assert not Submission.objects.exists()


def test_one_more_that_is_not_answered_says_what_is_missing_and_keeps_the_first(driver):
    data = one_more(driver, answered(driver))
    assert "Choose what is wrong" in errors_of(post(driver, data, end="B", part="hook", situation="U"))
    assert "Choose which end" in errors_of(post(driver, data, another="1"))
    assert not Submission.objects.exists()


def test_sending_with_nothing_more_answered_sends_what_is_there(driver):
    assert post(driver, one_more(driver, answered(driver))).status_code == 302
    assert len(body_of(Submission.objects.get())["faults"]) == 1


def test_a_photo_alone_is_no_fault(driver):
    data = one_more(driver, answered(driver))
    response = post(driver, data, photos=picture())
    assert "Choose which end" in errors_of(response)
    assert response.context["form"]["kept"].value() == "1"


def test_a_fault_can_be_removed_and_the_questions_keep_their_answers(driver):
    first = answered(driver)
    data = one_more(driver, one_more(driver, first), **HOOK)
    response = post(driver, data, remove=first["fault"], note="kept")
    form = response.context["form"]
    assert response.status_code == 200
    assert [row["words"].split(".")[0] for row in form.so_far] == ["B end, uncoupled"]
    assert form["note"].value() == "kept"
    assert post(driver, next_page(response) | {"note": ""}).status_code == 302
    assert [fault["part"] for fault in body_of(Submission.objects.get())["faults"]] == ["hook"]


def test_sending_several_twice_is_one_report(driver):
    data = one_more(driver, answered(driver)) | HOOK
    assert post(driver, data).headers["Location"] == post(driver, data).headers["Location"]
    assert [model.objects.count() for model in (Submission, Finding, Observation)] == [1, 2, 2]


def test_the_last_fault_a_report_holds_is_taken_and_one_more_is_refused_in_words(driver):
    data = answered(driver)
    for _ in range(MAX_FAULTS - 1):
        data = one_more(driver, data, **{name: HOOK[name] for name in HOOK})
    page = post(driver, data, remove="none").content.decode()
    assert "Add another fault" not in page
    assert f"A report holds {MAX_FAULTS} faults. Send this one, then start another" in errors_of(
        post(driver, one_more(driver, data, **HOOK), **HOOK)
    )
    assert post(driver, data, **HOOK).status_code == 302
    assert len(body_of(Submission.objects.get())["faults"]) == MAX_FAULTS


def test_the_verdict_before_sending_counts_every_fault_and_shows_each_end(driver):
    data = one_more(driver, answered(driver, part="cover", sign="cover-hanging"))
    response = post(driver, data, look="1", **HOOK | {"sign": "hook-stiff"} | {"sign": "hook-crack"})
    page = response.content.decode()
    assert "What the A end of 201 may still do" in page
    assert "What the B end of 201 may still do" in page
    assert page.count("Call control now. The call is the report.") == 2
    assert not Submission.objects.exists()


# ---- photos belong to the fault they were taken for


def test_photos_go_with_their_own_fault(driver):
    first = answered(driver)
    second = one_more(driver, first, photos=[picture("red"), picture("blue")])
    post(driver, second, **HOOK, photos=picture("green"))
    faults = body_of(Submission.objects.get())["faults"]
    assert [len(fault["photos"]) for fault in faults] == [2, 1]
    for fault in faults:
        stored = Photo.objects.filter(owner=fault["id"], state="stored")
        assert {str(photo.uuid) for photo in stored} == set(fault["photos"])


def test_each_fault_takes_four_photos_and_a_fifth_is_said_wherever_it_comes(driver):
    five = [picture((n * 40, 0, 0)) for n in range(5)]
    response = post(driver, answered(driver), another="1", photos=five)
    assert "1 photo was left out: at most 4 go with a fault." in response.content.decode()
    page = post(driver, next_page(response), photos=[picture((0, n * 40, 0)) for n in range(5)], **HOOK | {"end": ""})
    assert "1 photo was left out: at most 4 go with a fault." in page.content.decode()
    assert Photo.objects.filter(state="stored").count() == 8


# ---- ends


def test_the_other_end_was_looked_at_and_is_sound(driver):
    post(driver, answered(driver, other="R"))
    rows = InspectedEnd.objects.order_by("pk").values_list("end_given", "situation", "clean")
    assert list(rows) == [("A", "U", False), ("B", "R", True)]


def test_a_look_that_found_nothing_may_be_of_both_ends(driver):
    data = opened(driver, "?unit=201&found=nothing") | {"end": "B", "situation": "C", "other": "U"}
    assert post(driver, data).status_code == 302
    rows = InspectedEnd.objects.order_by("pk").values_list("end_given", "situation", "clean")
    assert list(rows) == [("B", "C", True), ("A", "U", True)]
    assert not Finding.objects.exists()


@pytest.mark.parametrize(
    ("first", "second", "said"),
    [
        ({"end": "A"}, HOOK, "The other end: both ends are in this report. Choose “Not looked at”"),
        ({"end": "?"}, None, "The other end: which end is the other cannot be told. Choose “Not looked at”"),
    ],
)
def test_the_other_end_of_a_report_that_has_none(driver, first, second, said):
    data = answered(driver, **first)
    data = one_more(driver, data) | second if second else data
    assert said in errors_of(post(driver, data, other="U"))


def test_an_end_is_in_one_situation_and_need_not_be_said_twice(driver):
    data = one_more(driver, answered(driver, situation="R", mate="305 B"))
    again = {"end": "A", "part": "hook", "sign": "hook-crack"}
    (said,) = errors_of(post(driver, data, **again, situation="U"))
    assert said == "You said before that the A end is coupled. Choose that, or remove that fault"
    assert post(driver, data, **again, stage="contact").status_code == 302
    (end,) = body_of(Submission.objects.get())["ends"]
    assert end == {"end": "A", "situation": "R", "clean": False, "mate": "305 B", "stage": "contact"}


def test_three_ends_are_one_too_many(driver):
    data = one_more(driver, one_more(driver, answered(driver)), **HOOK)
    said = "A report is about two ends at most. Choose one you named, or send this one first"
    assert said in errors_of(post(driver, data, **HOOK | {"end": "?"}))


# ---- the hidden field


def tampered(data, **changes):
    row = json.loads(data["said"])[0]
    return json.dumps([{name: words for name, words in (row | changes).items() if words is not None}])


@pytest.mark.parametrize(
    "said",
    [
        "nonsense",
        "{}",
        "[1]",
        "[[]]",
        "null",
        '[], "more": []',
        "[" * 40 + "]" * 40,
        '[{"fault": "x"}]',
        "[NaN]",
        f"[{HOSTILE_NUMBER}]",
        json.dumps([{"fault": str(uuid4()), "photos": []} for _ in range(MAX_FAULTS + 1)]),
        "x" * 300_000,
        HOSTILE,
    ],
    ids=lambda said: said[:12],
)
def test_a_hidden_field_that_is_not_ours_is_emptied_and_that_is_said(driver, said):
    response = post(driver, answered(driver), said=said)
    assert any("lost part of itself" in message for message in errors_of(response))
    assert response.context["form"]["said"].value() == ""
    assert "<script>alert" not in response.content.decode()
    assert not Submission.objects.exists()
    assert post(driver, next_page(response)).status_code == 302


@pytest.mark.parametrize(
    "changes",
    [
        {"fault": "no uuid"},
        {"fault": None},
        {"photos": None},
        {"photos": "x"},
        {"photos": ["x"]},
        {"photos": [str(uuid_of(n)) for n in range(5)]},
        {"photos": [str(uuid_of(1))] * 2},
        {"note": 5},
        {"note": "x" * 4001},
        {"unit": "301"},
        {"end": ["A"]},
    ],
    ids=str,
)
def test_a_fault_in_it_that_no_page_wrote_is_not_believed(driver, changes):
    data = one_more(driver, answered(driver))
    assert any("lost part" in message for message in errors_of(post(driver, data, said=tampered(data, **changes))))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"end": "C"}, "Choose which end"),
        ({"end": None}, "Choose which end"),
        ({"part": HOSTILE}, "Choose the part"),
        ({"sign": "hook-crack"}, "your answer is about another part"),
        ({"situation": ""}, "Choose how this end is now"),
        ({"changed": "gone"}, "Choose one of the answers"),
        ({"stage": "sideways"}, "Choose one of the answers"),
    ],
    ids=str,
)
def test_a_fault_in_it_is_checked_like_any_other_and_named(driver, changes, said):
    data = one_more(driver, answered(driver))
    response = post(driver, data, said=tampered(data, **changes))
    (message,) = errors_of(response)
    assert message.startswith("Fault 1 in this report: ")
    assert said in message
    assert HOSTILE not in response.content.decode()
    assert not Submission.objects.exists()


def test_two_situations_of_one_end_in_it_are_named(driver):
    data = one_more(driver, one_more(driver, answered(driver)), end="A", part="hook", sign="hook-crack")
    rows = json.loads(data["said"])
    rows[1]["situation"] = "R"
    (message,) = errors_of(post(driver, data, said=json.dumps(rows)))
    assert message == ("Fault 2 in this report says the A end is coupled, another says uncoupled. Remove one of them")


def test_hostile_words_in_a_fault_before_are_shown_as_words(driver):
    response = post(driver, answered(driver, note=HOSTILE), another="1")
    assert "<script>alert" not in response.content.decode()
    post(driver, next_page(response))
    assert body_of(Submission.objects.get())["faults"][0]["note"] == HOSTILE


def test_another_unit_keeps_the_faults_and_says_which_do_not_fit(driver, report, cast):
    ref = report(cast.other_driver).refs[0]
    data = one_more(driver, answered(driver, sign=f"still:{ref}"))
    response = post(driver, data, unit="301", change="1")
    assert len(response.context["form"].so_far) == 1
    assert any(
        m.startswith("Fault 1 in this report: Choose what is wrong")
        for m in errors_of(post(driver, next_page(response)))
    )


# ---- the same, worse, not there now


@pytest.fixture
def reported(report, cast):
    """A finding of another driver's: its reference."""
    return report(cast.other_driver, part="cover", symptom="cover-hanging", facts={"may-fall": "no"}).refs[0]


@pytest.mark.parametrize(
    ("changed", "kind"),
    [("", "still there"), ("still there", "still there"), ("worse", "worse"), ("not there now",) * 2],
)
def test_what_became_of_it_is_one_more_observation_of_the_same_finding(driver, reported, changed, kind):
    response = post(driver, answered(driver, sign=f"still:{reported}", changed=changed), follow=True)
    finding = Finding.objects.get()
    assert finding.ref == reported
    assert finding.state == "reported"
    assert finding.observations.latest("pk").kind == kind
    submission = Submission.objects.latest("pk")
    page = driver.get(f"/reports/{submission.uuid}/").content.decode()
    assert f"Reported as: {kind}." in page
    assert response.status_code == 302


def test_it_is_asked_only_where_something_was_reported(driver, report, cast):
    assert "Has it changed?" not in driver.get("/reports/new/?unit=201").content.decode()
    report(cast.other_driver)
    assert "Has it changed?" in driver.get("/reports/new/?unit=201").content.decode()


def test_a_new_fault_cannot_have_changed(driver):
    post(driver, answered(driver, changed="worse"))
    assert body_of(Submission.objects.get())["faults"][0]["kind"] == "first report"


def test_not_there_now_is_evidence_and_never_closes_or_lowers(driver, reported):
    before = Finding.objects.get()
    post(driver, answered(driver, sign=f"still:{reported}", changed="not there now", **{"fact-may-fall": "no"}))
    finding = Finding.objects.get()
    assert finding.is_open
    assert finding.worst == before.worst
    assert finding.current_grade.modes == before.current_grade.modes
    assert body_of(Submission.objects.latest("pk"))["faults"][0]["facts"] == {}


def test_worse_makes_unsaid_what_it_does_not_say_again(driver, report, cast):
    told = {"pull-test": "held"}
    ref = report(cast.other_driver, part="hook", symptom="hook-marks", situation="R", facts=told).refs[0]
    before = Finding.objects.get()
    post(driver, answered(driver, sign=f"still:{ref}", situation="R"))
    same = Finding.objects.get()
    assert (same.worst, same.current_grade.modes) == (before.worst, before.current_grade.modes)
    post(driver, answered(driver, sign=f"still:{ref}", situation="R", changed="worse"))
    worse = Finding.objects.get()
    assert worse.worst >= before.worst
    assert set(worse.current_grade.modes) >= set(before.current_grade.modes)


def test_gone_of_a_finding_closed_meanwhile_opens_none(driver, reported, cast, now):
    data = answered(driver, sign=f"still:{reported}", changed="not there now")
    finding = Finding.objects.get()
    workflow.withdraw(finding, version=finding.version, by=cast.controller, now=now, why="a mistake")
    assert post(driver, data).status_code == 302
    finding = Finding.objects.get()
    assert finding.state == "withdrawn"
    assert finding.observations.latest("pk").kind == "not there now"


def test_worse_of_a_finding_closed_meanwhile_is_a_new_one(driver, reported, now):
    Finding.objects.update(state="closed", closed=timezone.now() - timedelta(hours=1))
    data = answered(driver) | {"sign": f"still:{reported}", "part": "cover", "changed": "worse"}
    assert post(driver, data).status_code == 302
    assert Finding.objects.open().get().repeat_of.ref == reported


def test_what_was_reported_already_can_be_one_of_several(driver, reported):
    data = one_more(driver, answered(driver, sign=f"still:{reported}", changed="worse", part=""))
    page = post(driver, data, remove="none").content.decode()
    assert f"8 Electric head cover: It hangs or flaps ({reported[:4]} {reported[4:]}: worse)" in page
    assert post(driver, data, **HOOK).status_code == 302
    kinds = [fault["kind"] for fault in body_of(Submission.objects.latest("pk"))["faults"]]
    assert kinds == ["worse", "first report"]
    assert Finding.objects.count() == 2
