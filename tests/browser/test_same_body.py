"""The phone and the page without scripts make one body of the same answers: compared as JSON, answer by answer."""

import json

import pytest
from django.http import QueryDict
from django.utils import timezone
from playwright.sync_api import expect

from inspections import carried
from inspections.forms import earlier
from inspections.forms.questions import asked
from inspections.forms.report import ReportForm
from tests.browser.reporting import PHONE, answer, common, in_situation, open_report, open_shell, photo, posted

pytestmark = pytest.mark.browser

OPENED = [open_report, open_shell]


@pytest.fixture
def page(chromium, live_server, sign_in, cast, railway):
    """A driver's phone by the railway's own clock."""
    context = chromium.new_context(viewport=PHONE, base_url=live_server.url, timezone_id="Europe/London")
    page = context.new_page()
    page.set_default_timeout(10_000)
    sign_in(page, cast.driver)
    yield page
    context.close()


def phones(page):
    """The body the phone would save now."""
    return json.loads(page.evaluate("JSON.stringify(Body.make(Answers.rows()))"))


def pages(page, author, photos=0):
    """The body the server would make of the same page without scripts."""
    data = QueryDict(mutable=True)
    data.update(posted(page))
    now, number = timezone.now(), data["unit"]
    questions = asked(number, now, [data.get("sign", ""), *earlier.signs(data["said"])], carried.facts(now, [number]))
    form = ReportForm(data, asked=questions)
    assert form.is_valid(), form.errors
    return json.loads(json.dumps(form.body(author.pk, photos)))


def same(page, author, photos=0):
    phone, plain = phones(page), pages(page, author, photos)
    assert phone == plain
    return phone


def pick(page, name, value):
    """Answer a radio wherever it stands."""
    page.evaluate(
        """([name, value]) => {
          const radio = document.querySelector(`input[name="${name}"][value="${value}"]`);
          radio.checked = true;
          radio.dispatchEvent(new Event("change", { bubbles: true }));
        }""",
        [name, value],
    )


def write(page, name, words):
    page.evaluate(
        "([name, words]) => { document.getElementById('report').elements[name].value = words; }", [name, words]
    )


@pytest.mark.parametrize("opened", OPENED)
def test_the_common_report(page, cast, opened):
    opened(page)
    common(page)
    body = same(page, cast.driver)
    assert (body["v"], body["unit"], body["faults"][0]["symptom"], body["faults"][0]["facts"]) == (
        1,
        "201",
        "seal-torn",
        {},
    )


@pytest.mark.parametrize("opened", OPENED)
def test_every_line_that_can_be_changed(page, cast, opened):
    opened(page)
    common(page, "About to couple")
    pick(page, "weather", "frost")
    pick(page, "occasion", "coupling")
    pick(page, "stage", "contact")
    pick(page, "other", "R")
    write(page, "place", " thornHOPE ")
    write(page, "mate", " 305-b end")
    write(page, "note", '  Zug 5:\nüñ 😀 "quoted" <b>\n')
    body = same(page, cast.driver)
    assert (body["place"], body["weather"], body["occasion"]) == ("THO", "frost", "coupling")
    assert body["ends"][0] | {"clean": None} == {
        "end": "A", "situation": "C", "clean": None, "mate": "305 B", "stage": "contact",
    }  # fmt: skip
    assert body["ends"][1]["clean"] is True
    assert body["faults"][0]["note"] == 'Zug 5:\nüñ 😀 "quoted" <b>'


def test_mates_as_typed(ready_page, cast):
    common(ready_page, "Coupled")
    for typed in ["305", "the one from Pennick", "305B", "12345678901234 B", " 7a "]:
        write(ready_page, "mate", typed)
        same(ready_page, cast.driver)


@pytest.fixture
def ready_page(page):
    open_report(page)
    return page


SPRING, AUTUMN = "2026-03-29", "2026-10-25"  # local clocks go forward at 01:00 UTC, back at 01:00 UTC


MOMENTS = [
    ("2026-11-24T06:00:00+00:00", "05:48"),
    ("2026-11-24T06:00:00+00:00", "06:00"),
    ("2026-11-24T06:00:00.500+00:00", "06:01"),
    ("2026-11-24T00:10:59.999+00:00", "23:50"),
    ("2026-07-01T06:00:00+00:00", "06:30"),
    ("2026-07-01T06:00:00+00:00", ""),
    (f"{SPRING}T01:10:00+00:00", "00:50"),
    (f"{SPRING}T01:40:00+00:00", "02:30"),
    (f"{AUTUMN}T00:45:00+00:00", "01:30"),
    (f"{AUTUMN}T01:45:00+00:00", "01:30"),
    (f"{AUTUMN}T01:15:00+00:00", "01:30"),
]


def test_times_seen(ready_page, cast):
    common(ready_page)
    for made, clock in MOMENTS:
        write(ready_page, "made", made)
        write(ready_page, "seen", clock)
        same(ready_page, cast.driver)


def test_facts_that_are_asked_told_not_known_and_left_out(ready_page, cast):
    answer(ready_page, "end", "B end")
    answer(ready_page, "part", "4 Lock")
    answer(ready_page, "sign", "lock marks")
    in_situation(ready_page, "Coupled")
    assert same(ready_page, cast.driver)["faults"][0]["facts"] == {"seen-in": "R"}
    pick(ready_page, "fact-pull-test", "held")
    pick(ready_page, "fact-curve", "yes")  # this symptom does not ask it
    assert same(ready_page, cast.driver)["faults"][0]["facts"] == {"seen-in": "R", "pull-test": "held"}
    pick(ready_page, "fact-pull-test", "not known")
    assert same(ready_page, cast.driver)["faults"][0]["facts"] == {"seen-in": "R"}


@pytest.mark.parametrize("opened", OPENED)
@pytest.mark.parametrize("changed", ["", "still there", "worse", "not there now"])
def test_what_was_reported_already(page, cast, report, opened, changed):
    report(cast.other_driver, part="cover", symptom="cover-hanging", end="B")
    opened(page)
    answer(page, "end", "can’t tell")
    answer(page, "part", "8 Electric head cover")
    answer(page, "sign", "Already reported")
    if changed:
        pick(page, "changed", changed)
        pick(page, "fact-may-fall", "no")
    in_situation(page, "Coupled")
    fault = same(page, cast.driver)["faults"][0]
    assert (fault["end"], fault["kind"], fault["symptom"]) == ("B", changed or "still there", "cover-hanging")


@pytest.mark.parametrize("opened", OPENED)
def test_several_faults_with_photos_at_both_ends(page, cast, opened):
    opened(page)
    common(page, "Coupled")
    write(page, "mate", "305 B")
    page.set_input_files("#id_photos_album", [photo("a.jpg"), photo("b.jpg", "blue")])
    expect(page.locator("#shots img")).to_have_count(2)
    page.click("#another")
    answer(page, "end", "A end")
    answer(page, "part", "4 Lock")
    answer(page, "sign", "lock marks")
    assert page.evaluate("Report.value('situation')") == "R"  # said with the first
    pick(page, "stage", "contact")
    page.click("#another")
    answer(page, "end", "B end")
    answer(page, "part", "8 Electric head cover")
    answer(page, "sign", "stays open")
    in_situation(page, "Uncoupled")
    page.set_input_files("#id_photos_album", photo("c.jpg", "green"))
    expect(page.locator("#shots img")).to_have_count(1)
    body = same(page, cast.driver, photos=1)
    assert [len(fault["photos"]) for fault in body["faults"]] == [2, 0, 1]
    assert [(end["end"], end["mate"], end["stage"]) for end in body["ends"]] == [
        ("A", "305 B", "contact"),
        ("B", "", ""),
    ]
    kept = page.evaluate("Answers.state.photos.map(({ id, owner }) => [id, owner])")
    assert kept == [[photo, fault["id"]] for fault in body["faults"] for photo in fault["photos"]]
    page.click("#another")
    assert same(page, cast.driver)["faults"] == body["faults"]  # nothing more was answered


@pytest.mark.parametrize("opened", OPENED)
def test_a_look_that_found_nothing(page, cast, opened):
    opened(page, "?unit=201&found=nothing")
    answer(page, "end", "B end")
    in_situation(page, "About to couple")
    pick(page, "other", "U")
    write(page, "note", "all well")
    write(page, "mate", "305b")
    body = same(page, cast.driver)
    assert (body["note"], body["faults"]) == ("all well", [])
    assert [(end["end"], end["clean"]) for end in body["ends"]] == [("B", True), ("A", True)]


def test_units_as_typed(ready_page, cast):
    common(ready_page)
    for unit in ["471", "205 A", "205b", " 3 01 "]:
        write(ready_page, "unit", unit)
        assert phones(ready_page)["unit"] == pages_of(ready_page, cast.driver, unit)


def pages_of(page, author, unit):
    """The unit the server reads of it."""
    data = QueryDict(mutable=True)
    data.update(posted(page) | {"unit": unit})
    form = ReportForm(data, asked=asked("", timezone.now()))
    assert form.is_valid(), form.errors
    return form.body(author.pk, 0)["unit"]
