"""S2: the report page without scripts: what is asked, what is sent, what comes back."""

import json
import re
from datetime import UTC, datetime, time, timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import QueryDict
from django.utils import timezone

from fleet.models import CouplerPattern, WeatherAlert
from inspections import photos, workflow
from inspections.forms.fault import mate_words
from inspections.forms.questions import asked
from inspections.forms.report import ReportForm, as_bytes, time_seen, with_ids
from inspections.models import Finding, InspectedEnd, Inspection, Observation, Photo, Submission
from tests.screens.desk import ESCAPED, HOSTILE
from tests.screens.driver import answered, opened, picture, sent

WORST = 3


@pytest.fixture
def driver(client_of, cast, railway):
    return client_of(cast.driver)


def body_of(submission):
    return json.loads(bytes(submission.body))


# ---- the common report


def test_a_plain_post_is_stored_graded_and_told(driver, cast):
    response, submission = sent(driver, photos=picture())
    assert response.status_code == 302
    assert response.headers["Location"] == f"/reports/{submission.uuid}/"
    assert submission.status == "stored"
    assert submission.author == cast.driver
    finding = Finding.objects.get()
    assert (finding.unit.number, finding.end.letter, finding.slot, finding.symptom) == (
        "201",
        "A",
        "air-upper",
        "seal-torn",
    )
    assert finding.worst == finding.current_grade.worst > 0
    page = driver.get(response.headers["Location"]).content.decode()
    assert finding.spoken_ref in page
    assert "Control has not looked yet." in page
    assert "Do not couple at this end." in page
    photo = Photo.objects.get()
    assert f"/photos/{photo.uuid}/" in page
    assert photo.state == "stored"
    assert driver.get(f"/photos/{photo.uuid}/").headers["Content-Type"] == "image/jpeg"


def test_the_unit_is_remembered_after_sending(driver):
    sent(driver, unit="301")
    assert 'Today’s unit <span class="unit-number">301</span>' in driver.get("/").content.decode()
    assert "Send for unit 301" in driver.get("/reports/new/").content.decode()


def test_sending_twice_is_one_report_and_one_photo(driver):
    data = answered(driver)
    first = driver.post("/reports/new/", data | {"photos": picture()})
    second = driver.post("/reports/new/", data | {"photos": picture()})
    assert first.headers["Location"] == second.headers["Location"]
    counts = [model.objects.count() for model in (Submission, Inspection, Finding, Observation, Photo)]
    assert counts == [1, 1, 1, 1, 1]


def test_other_answers_under_the_same_id_are_kept_aside_and_said(driver):
    data = answered(driver)
    driver.post("/reports/new/", data)
    response = driver.post("/reports/new/", data | {"sign": "seal-missing"}, follow=True)
    page = response.content.decode()
    assert "This report came before" in page
    assert Finding.objects.get().symptom == "seal-torn"
    assert [row.status for row in Submission.objects.order_by("pk")] == ["stored", "quarantined"]


def test_the_same_answers_give_the_same_bytes_whenever_they_are_read(driver, cast, railway):
    data = answered(driver, seen="05:48", note="cold", **{"fact-curve": "no"})
    now = timezone.now()

    def raw(at):
        posted = with_ids(_query(data), at)
        form = ReportForm(posted, asked=asked("201", at))
        assert form.is_valid(), form.errors
        return as_bytes(form.body(cast.driver.pk, 2))

    assert raw(now) == raw(now + timedelta(hours=30))


def _query(data):
    query = QueryDict(mutable=True)
    query.update(data)
    return query


# ---- photos


def test_a_file_that_is_no_photo_does_not_stop_the_report(driver):
    bad = SimpleUploadedFile("photo.jpg", b"this is no photo", "image/jpeg")
    response, submission = sent(driver, photos=[bad, picture()])
    assert submission.status == "stored"
    page = driver.get(response.headers["Location"]).content.decode()
    assert "Photo 1 was not taken: That file is not a JPEG, PNG or WebP photo." in page
    assert sorted(Photo.objects.values_list("state", flat=True)) == ["refused", "stored"]


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "That photo is empty."),
        (b"\xff\xd8\xff" + b"0" * photos.MAX_BYTES, "That photo is over 12 MB."),
    ],
    ids=["empty", "too big"],
)
def test_an_empty_or_huge_photo_is_told_and_the_report_stands(driver, data, said):
    response, submission = sent(driver, photos=SimpleUploadedFile("p.jpg", data, "image/jpeg"))
    assert submission.status == "stored"
    page = driver.get(response.headers["Location"]).content.decode()
    assert f"Photo 1 was not taken: {said}" in page
    assert "still to be sent" not in page
    assert f"Photo 1 was not taken: {said}" in driver.get(response.headers["Location"]).content.decode()


def test_a_disk_that_takes_no_photo_does_not_lose_the_report(driver, monkeypatch):
    def full(**_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(photos, "receive", full)
    response, submission = sent(driver, photos=picture())
    assert submission.status == "stored"
    page = driver.get(response.headers["Location"]).content.decode()
    assert "Photo 1: It could not be kept just now." in page
    assert "Photo 1 was not taken: It could not be kept just now." in page


def test_only_four_photos_go_with_a_report_and_the_rest_is_said(driver):
    pictures = [picture((n * 40, 0, 0)) for n in range(6)]
    response, _ = sent(driver, photos=pictures)
    assert Photo.objects.filter(state="stored").count() == 4
    assert (
        "2 photos were left out: at most 4 go with a fault."
        in driver.get(response.headers["Location"]).content.decode()
    )


def test_a_photo_picked_before_a_mistake_is_not_lost(driver):
    data = answered(driver, photos=picture())
    del data["situation"]
    response = driver.post("/reports/new/", data)
    assert response.status_code == 422
    assert "1 photo is in the logbook already and goes with this report." in response.content.decode()
    assert response.context["form"]["kept"].value() == "1"
    data |= {"situation": "U", "kept": "1", "photos": picture("blue")}
    page = driver.post("/reports/new/", data, follow=True).content.decode()
    assert page.count("<img src=") == 2
    assert len(body_of(Submission.objects.get())["faults"][0]["photos"]) == 2


def test_a_bad_photo_before_a_mistake_is_said_and_takes_no_place(driver):
    data = answered(driver, photos=SimpleUploadedFile("p.jpg", b"nothing", "image/jpeg"), situation="")
    response = driver.post("/reports/new/", data)
    form = response.context["form"]
    assert "That file is not a JPEG, PNG or WebP photo." in response.content.decode()
    assert form["kept"].value() == "0"
    assert form["photo1"].value() != data["photo1"]


# ---- mistakes


def test_a_form_with_mistakes_comes_back_with_every_answer(driver):
    data = opened(driver) | {"unit": "201", "part": "hook", "note": "it clicks", "mate": "305 B", "weather": "frost"}
    response = driver.post("/reports/new/", data)
    page = response.content.decode()
    assert response.status_code == 422
    assert "<title>Problem: Report damage, unit 201" in page
    for words in ("Choose which end", "Choose what is wrong", "Choose how this end is now"):
        assert page.count(words) == 2, words  # in the summary and by the field
    assert 'href="#id_end_0"' in page
    assert " novalidate " in page
    form = response.context["form"]
    assert [form[name].value() for name in ("part", "note", "mate", "weather")] == [
        "hook",
        "it clicks",
        "305 B",
        "frost",
    ]
    assert form["id"].value() == data["id"]
    assert not Submission.objects.exists()
    assert not Finding.objects.exists()


@pytest.mark.parametrize("unit", ["", "abc", "12", "1234567", "２０１", "20 1x", HOSTILE[:12]])
def test_a_unit_that_can_be_none_is_asked_for_again(driver, unit):
    response = driver.post("/reports/new/", answered(driver, unit=unit))
    assert response.status_code == 422
    assert response.content.decode().count("Enter the unit number, 3 to 6 digits") == 2
    assert not Submission.objects.exists()


def test_a_sign_of_another_part_is_asked_for_again(driver):
    response = driver.post("/reports/new/", answered(driver, part="hook"))
    assert (
        "Choose what is wrong with part 4 Lock hook: your answer is about another part" in response.content.decode()
    )
    assert not Submission.objects.exists()


def test_a_time_that_is_none_is_asked_for_again_with_its_line_open(driver):
    response = driver.post("/reports/new/", answered(driver, seen="half past"))
    assert "Enter the time you saw it, like 05:48" in response.content.decode()
    assert response.context["form"]["seen"].value() == "half past"


@pytest.mark.parametrize(
    "wrong",
    [
        {"id": "no uuid"},
        {"fault": ""},
        {"photo2": "x" * 500},
        {"made": "yesterday"},
        {"made": "2999-01-01T00:00:00+00:00"},
        {"kept": "-4"},
        {"kept": "9" * 30},
        {"found": HOSTILE},
    ],
    ids=str,
)
def test_hidden_fields_that_cannot_be_relied_on_do_not_lose_a_report(driver, wrong):
    assert driver.post("/reports/new/", answered(driver, **wrong)).status_code == 302
    assert Submission.objects.get().status == "stored"
    assert not Inspection.objects.get().doubtful


@pytest.mark.parametrize("name", ["end", "part", "sign", "situation", "stage", "weather", "occasion", "fact-curve"])
def test_an_answer_nobody_offered_is_asked_for_again(driver, name):
    response = driver.post("/reports/new/", answered(driver, **{name: HOSTILE}))
    assert response.status_code == 422
    assert HOSTILE not in response.content.decode()
    assert not Submission.objects.exists()


# ---- what is sent along


def test_lines_nobody_changed_say_nothing_but_now_and_the_walk_round(driver):
    _, submission = sent(driver)
    body = body_of(submission)
    assert (body["weather"], body["place"], body["occasion"]) == ("", "", "walk-round")
    assert body["seen"].startswith(body["sent"][:16])
    assert not Inspection.objects.get().doubtful


def test_lines_that_were_changed_are_sent(driver):
    _, submission = sent(driver, weather="frost", place="thornhope", occasion="coupling", note="seen from clear")
    body = body_of(submission)
    assert (body["weather"], body["place"], body["occasion"]) == ("frost", "THO", "coupling")
    assert body["faults"][0]["note"] == "seen from clear"
    assert Inspection.objects.get().place.name == "Thornhope"


def test_a_place_nobody_knows_is_kept_as_given(driver):
    sent(driver, place="behind the shed")
    assert Inspection.objects.get().place is None
    assert Inspection.objects.get().place_given == "behind the shed"


def test_an_alert_where_the_unit_is_stands_in_the_weather_line(driver, railway):
    sent(driver, place="Thornhope")
    WeatherAlert.objects.create(
        place=railway.places["THO"], weather="frost", since=timezone.now() - timedelta(hours=1)
    )
    assert "Weather: as alerted: frost or snow. Change" in driver.get("/reports/new/").content.decode()
    assert "Weather: not said. Change" in driver.get("/reports/new/?unit=301").content.decode()


@pytest.mark.parametrize(
    ("situation", "mate", "stage"), [("U", "", ""), ("C", "305 B", "contact"), ("R", "305 B", "contact")]
)
def test_a_mate_counts_only_where_there_is_one(driver, situation, mate, stage):
    sent(driver, situation=situation, mate="305b", stage="contact")
    end = InspectedEnd.objects.get()
    assert (end.mate_given, end.stage) == (mate, stage)


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("305 B", "305 B"),
        ("305b", "305 B"),
        (" 305-b end", "305 B"),
        ("305", "305"),
        ("loco", "loco"),
        ("the one from Pennick", "the one from Pennick"),
        ("", ""),
    ],
)
def test_mates_are_tidied_or_kept_as_given(typed, kept):
    assert mate_words(typed) == kept


SPRING, AUTUMN = "2026-03-29", "2026-10-25"  # local clocks go forward at 01:00 UTC, back at 01:00 UTC


@pytest.mark.parametrize(
    ("made", "clock", "seen"),
    [
        ("2026-11-24T06:00", None, "2026-11-24T06:00"),
        ("2026-11-24T06:00", "05:48", "2026-11-24T05:48"),
        ("2026-11-24T06:00", "06:00", "2026-11-24T06:00"),
        ("2026-11-24T06:00", "06:01", "2026-11-23T06:01"),
        ("2026-11-24T00:10", "23:50", "2026-11-23T23:50"),
        ("2026-07-01T06:00", "06:30", "2026-07-01T05:30"),
        (f"{SPRING}T01:10", "00:50", f"{SPRING}T00:50"),
        (f"{SPRING}T01:40", "02:30", f"{SPRING}T01:30"),
        (f"{SPRING}T02:00", "01:30", f"{SPRING}T01:30"),
        (f"{AUTUMN}T00:45", "01:30", f"{AUTUMN}T00:30"),
        (f"{AUTUMN}T01:45", "01:30", f"{AUTUMN}T01:30"),
        (f"{AUTUMN}T01:15", "01:30", f"{AUTUMN}T00:30"),
    ],
)
def test_a_clock_time_is_the_last_moment_that_showed_it(made, clock, seen):
    found = time_seen(datetime.fromisoformat(made).replace(tzinfo=UTC), time.fromisoformat(clock) if clock else None)
    assert found.astimezone(UTC) == datetime.fromisoformat(seen).replace(tzinfo=UTC)


# ---- facts


def test_only_facts_the_symptom_asks_are_sent(driver):
    told = {"fact-pull-test": "held", "fact-curve": "yes", "fact-may-fall": "not known"}
    _, submission = sent(driver, part="hook", sign="hook-marks", situation="R", **told)
    assert body_of(submission)["faults"][0]["facts"] == {"pull-test": "held", "seen-in": "R"}


def test_not_known_and_not_answered_are_the_same(driver):
    _, one = sent(driver, part="cover", sign="cover-hanging", **{"fact-may-fall": "not known"})
    _, other = sent(driver, part="cover", sign="cover-hanging", end="B")
    assert body_of(one)["faults"][0]["facts"] == body_of(other)["faults"][0]["facts"] == {}


def test_no_fact_is_asked_that_only_a_fitter_can_tell(driver):
    codes = {fact.code for fact in driver.get("/reports/new/?unit=201").context["asked"].facts}
    assert codes == {"may-fall", "control", "curve", "rough", "pull-test"}


# ---- parts


def test_each_part_offers_cant_tell(driver):
    questions = driver.get("/reports/new/?unit=201").context["asked"]
    assert [label for _, label in questions.parts][:2] == ["1 Front plate", "2 Guide cone"]
    assert questions.parts[-1][1] == "Another part, or I can't tell"
    for part, _ in questions.parts:
        assert questions.rules.symptoms_of(part)[-1].cant_tell, part


def test_a_draw_hook_has_its_own_parts(driver, railway):
    hook = CouplerPattern.objects.create(
        code="H", joins="by hand", drawing="H", parts=[{"slot": "hook"}, {"slot": "air-upper"}]
    )
    railway.units["301"].ends.update(pattern=hook)
    labels = [label for _, label in driver.get("/reports/new/?unit=301").context["asked"].parts]
    assert labels[:2] == ["4 Draw hook", "5 Air hoses"]
    assert not any(label[0].isdigit() for label in labels[2:])


def test_a_drawing_nobody_made_is_shown_as_the_usual_one(driver, railway):
    railway.units["301"].ends.update(
        pattern=CouplerPattern.objects.create(code="Z", joins="?", drawing="odd", parts=[])
    )
    response = driver.get("/reports/new/?unit=301")
    assert response.status_code == 200
    assert 'class="face"' in response.content.decode()


# ---- not on the list, not known, nothing found, still there


def test_a_unit_that_is_not_on_the_list_is_kept_as_given(driver):
    response, submission = sent(driver, unit="471")
    assert submission.status == "stored"
    assert Finding.objects.get().unit is None
    words = "Unit 471 is not on our list. We kept it as you gave it; control will sort it out. Is the number right?"
    assert words in driver.get(response.headers["Location"]).content.decode()


def test_cant_tell_everywhere_is_the_worst_case_and_a_call(driver):
    response, _ = sent(driver, end="?", part="other", sign="other-other", situation="R")
    finding = Finding.objects.get()
    assert finding.end is None
    assert finding.worst == WORST
    page = driver.get(response.headers["Location"]).content.decode().partition("<main")[2]
    call = page.index("Call control now. The call is the report.")
    assert call < page.index(finding.spoken_ref)
    assert "What the A end of 201 may still do" in page
    assert "What the B end of 201 may still do" in page


def test_looked_nothing_found_is_a_look_without_a_finding(driver):
    data = opened(driver, "?unit=201&found=nothing") | {"end": "B", "situation": "C", "note": "all well"}
    response = driver.post("/reports/new/", data, follow=True)
    assert not Finding.objects.exists()
    look = InspectedEnd.objects.get()
    assert (look.clean, look.end.letter, look.situation) == (True, "B", "C")
    assert Inspection.objects.get().note == "all well"
    page = response.content.decode()
    assert "The logbook has your look" in page
    assert "Nothing was found." in page


def test_the_page_of_a_clean_look_asks_no_part(driver):
    page = driver.get("/reports/new/?unit=201&found=nothing").content.decode()
    assert "question 3 of 3" in page
    assert "Which part is damaged?" not in page


def test_still_there_is_offered_first_and_adds_to_the_finding(driver, cast, report):
    ref = report(cast.other_driver).refs[0]
    page = driver.get("/reports/new/?unit=201").content.decode()
    words = "Already reported: The rubber is torn or has a flap. 5 Upper air seal, A end, seen 24 November 05:48"
    assert words in page
    assert page.index(words) < page.index("The rubber is missing")
    response, _ = sent(driver, sign=f"still:{ref}")
    assert Finding.objects.get().ref == ref
    assert list(Observation.objects.order_by("pk").values_list("kind", "by")) == [
        ("first report", cast.other_driver.pk),
        ("still there", cast.driver.pk),
    ]
    assert "Reported as: still there." in driver.get(response.headers["Location"]).content.decode()


def test_still_there_answers_part_and_end(driver, cast, report):
    ref = report(cast.other_driver, part="hook", symptom="hook-crack", end="B").refs[0]
    data = opened(driver) | {"unit": "201", "sign": f"still:{ref}", "situation": "U"}
    assert driver.post("/reports/new/", data).status_code == 302
    assert Observation.objects.latest("pk").slot == "hook"
    assert InspectedEnd.objects.latest("pk").end.letter == "B"


def test_still_there_of_a_finding_that_was_withdrawn_meanwhile_is_a_new_one(driver, cast, report, now):
    ref = report(cast.other_driver).refs[0]
    data = answered(driver, sign=f"still:{ref}")
    finding = Finding.objects.get()
    workflow.withdraw(finding, version=finding.version, by=cast.controller, now=now, why="a mistake")
    assert driver.post("/reports/new/", data).status_code == 302
    assert Finding.objects.open().get().symptom == "seal-torn"


def test_still_there_of_another_unit_is_asked_for_again(driver, cast, report):
    ref = report(cast.other_driver, unit="301").refs[0]
    assert driver.post("/reports/new/", answered(driver, sign=f"still:{ref}")).status_code == 422


def test_another_drivers_words_are_not_on_the_page(driver, cast, report):
    report(cast.other_driver, note="not for everybody")
    page = driver.get("/reports/new/?unit=201").content.decode()
    assert "Already reported" in page
    assert "not for everybody" not in page
    assert "Driver 2" not in page


# ---- the verdict before sending, another unit


def test_the_verdict_is_shown_before_sending_and_stores_nothing(driver):
    data = answered(driver, look="1", note="keep me", photos=picture())
    response = driver.post("/reports/new/", data)
    page = response.content.decode()
    assert response.status_code == 200
    assert "band-undesirable" in page
    assert "Do not couple at this end." in page
    assert not Submission.objects.exists()
    assert not Finding.objects.exists()
    form = response.context["form"]
    assert form["note"].value() == "keep me"
    assert form["id"].value() == data["id"]
    assert Photo.objects.get().state == "stored"  # a page cannot give a file back: it is kept


def test_the_verdict_says_call_where_the_grade_asks_for_it(driver):
    answers = {"part": "cover", "sign": "cover-hanging", "look": "1"}
    page = driver.post("/reports/new/", answered(driver, **answers)).content.decode()
    assert page.count("Call control now. The call is the report.") == 2
    assert page.rindex("Call control now") < page.index('name="send"')


def test_the_verdict_of_a_unit_that_is_not_on_the_list(driver):
    page = driver.post("/reports/new/", answered(driver, unit="471", look="1")).content.decode()
    assert "Ask control what this end may still do." in page


def test_an_incomplete_form_has_no_verdict(driver):
    response = driver.post("/reports/new/", opened(driver) | {"look": "1", "end": "A"})
    assert response.status_code == 422
    assert response.context["verdict"] is None


def test_another_unit_keeps_the_answers(driver):
    response = driver.post("/reports/new/", answered(driver, unit="401", change="1", note="kept"))
    page = response.content.decode()
    assert response.status_code == 200
    assert "Send for unit 401" in page
    form = response.context["form"]
    assert (form["sign"].value(), form["note"].value()) == ("seal-torn", "kept")
    assert not form.errors


def test_another_unit_that_can_be_none_is_asked_for_again(driver):
    response = driver.post("/reports/new/", answered(driver, unit="x", change="1"))
    assert response.status_code == 422
    assert "Enter the unit number" in response.content.decode()


def scripts(page):
    """Names of the scripts a page asks for, at once or late."""
    late = re.findall(r'data-late="([^"]*)"', page)
    return {
        path.rpartition("/")[2] for path in [*re.findall(r'<script src="([^"]*)"', page), *" ".join(late).split()]
    }


def test_the_report_page_has_the_scripts_of_every_page_and_few_of_them_at_once(driver):
    page = driver.get("/reports/new/?unit=201").content.decode()
    assert scripts(page) >= scripts(driver.get("/units/").content.decode()) - {"shell.js"}
    assert {path.rpartition("/")[2] for path in re.findall(r'<script src="([^"]*)"', page)} == {
        "theme.js", "report.js",
    }  # fmt: skip


def test_no_answer_is_given_beforehand(driver):
    page = driver.get("/reports/new/?unit=201").content.decode()
    checked = [line for line in page.splitlines() if " checked" in line]
    lines = ("weather", "occasion", "other")  # what is sent along unless it is changed
    assert all(any(f'name="{name}"' in line for name in lines) for line in checked)
    assert len(checked) == len(lines)


# ---- hostile words, rights, size


def test_hostile_words_are_shown_as_words(driver, client_of, cast):
    response, submission = sent(driver, note=HOSTILE, mate=HOSTILE, place=HOSTILE, situation="R", unit="471")
    for address in (response.headers["Location"], "/reports/", "/"):
        page = driver.get(address).content.decode()
        assert "<script>alert" not in page, address
    assert ESCAPED in driver.get(response.headers["Location"]).content.decode()
    back = driver.post("/reports/new/", answered(driver, note=HOSTILE, place=HOSTILE, end="")).content.decode()
    assert "<script>alert" not in back
    assert ESCAPED in back


def test_nul_and_lone_halves_do_not_break_the_page(driver):
    assert driver.post("/reports/new/", answered(driver, note="a\x00b")).status_code == 422
    assert sent(driver, note="😀 Ж ‮ \ufffe")[0].status_code == 302


@pytest.mark.parametrize("method", ["get", "post"])
def test_who_has_no_role_reports_nothing(client_of, cast, railway, method):
    assert getattr(client_of(cast.outsider), method)("/reports/new/").status_code == 403
    assert not Submission.objects.exists()


@pytest.mark.parametrize("role", ["fitter", "controller", "manager"])
def test_colleagues_may_report(client_of, cast, railway, role):
    assert sent(client_of(getattr(cast, role)))[1].status == "stored"


def test_nobody_signed_in_is_led_to_the_sign_in(client, railway):
    assert client.get("/reports/new/").headers["Location"].startswith("/sign-in/")


def test_the_page_asks_the_database_no_more_with_thirty_findings(driver, cast, report, django_assert_max_num_queries):
    report(cast.other_driver)
    driver.get("/reports/new/?unit=201")
    with django_assert_max_num_queries(30) as one:
        driver.get("/reports/new/?unit=201")
    for number in range(30):
        report(cast.other_driver, end="AB"[number % 2], part="hook", symptom="hook-slow")
    with django_assert_max_num_queries(len(one)):
        response = driver.get("/reports/new/?unit=201")
    assert len(response.context["asked"].still) == 12


def test_the_steps_count_the_questions(driver):
    page = driver.get("/reports/new/?unit=201").content.decode()
    for place in range(2, 7):
        assert f"Unit 201, question {place} of 6" in page
    assert "Unit 201, question 1 of 6" not in page  # the unit is remembered
    assert "Question 1 of 6" in driver.get("/reports/new/").content.decode()


def test_still_there_on_the_other_end_is_refused_by_name(cast, railway, report, client_of):
    ref = report(cast.driver, end="B", part="hook", symptom="hook-marks").refs[0]
    client = client_of(cast.driver)
    page = client.get("/reports/new/?unit=201")
    data = {field.html_name: field.value() or "" for field in page.context["form"]}
    data |= {"unit": "201", "end": "A", "sign": f"still:{ref}", "situation": "U", "send": "1"}
    answer = client.post("/reports/new/", data)
    assert answer.status_code == 422
    assert "That report is on the B end" in answer.content.decode()
    assert Observation.objects.count() == 1
    assert client.post("/reports/new/", data | {"end": "?"}).status_code == 302
    assert Finding.objects.get().observations.count() == 2


def test_a_unit_that_cannot_be_read_is_asked_for(cast, railway, client_of):
    client = client_of(cast.driver)
    client.post("/units/pick/", {"unit": "201"})
    assert 'value="201"' in client.get("/reports/new/").content.decode()
    assert "201" not in client.get("/reports/new/?unit=999X").context["number"]


@pytest.mark.parametrize("typed", ["205 A", "205a", "205 B end"])
def test_a_unit_typed_with_its_end_is_taken_by_its_number(driver, typed):
    response = driver.get("/reports/new/", {"unit": typed})
    assert response.context["number"] == "205"
    assert response.context["form"]["end"].value() in (None, "")


@pytest.mark.parametrize(
    ("name", "label", "most"),
    [("mate", "The other unit and its end:", 40), ("note", "Anything else?", 4000), ("place", "Where are you?", 60)],
)
def test_words_that_cannot_be_taken_name_their_field(driver, name, label, most):
    for words, said in [("x" * (most + 1), f"Use {most} characters at most"), ("a\0b", "Use letters, figures")]:
        response = driver.post("/reports/new/", answered(driver, **{name: words}))
        assert response.status_code == 422
        (error,) = response.context["form"].errors[name]
        assert error.startswith(f"{label} {said}")


def test_an_answer_nobody_offered_names_its_question(driver):
    response = driver.post("/reports/new/", answered(driver, stage="sideways"))
    assert response.context["form"].errors["stage"] == ["How far did they join? Choose one of the answers"]


@pytest.mark.parametrize("typed", ["2" * 13, "20\0001"])
def test_a_unit_too_long_or_of_odd_signs_is_asked_for_in_words(driver, typed):
    response = driver.post("/reports/new/", answered(driver, unit=typed))
    assert set(response.context["form"].errors["unit"]) == {"Enter the unit number, 3 to 6 digits"}
