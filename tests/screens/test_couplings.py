"""Coupled, parted, could not couple: the plain form, and the same page with its script, with and without signal."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from fleet.models import Coupling
from inspections import couplings, standing
from inspections.models import Deferral, Finding, Inspection, MateLook, Submission
from tests.conftest import uuid_of
from tests.look.probes import axe_faults, probe
from tests.screens.desk import ESCAPED, HOSTILE

PAGE = "/couplings/new/"
OPENED = timezone.now().replace(second=0, microsecond=0) - timedelta(minutes=2)


def wall(minutes):
    """What a local clock showed so many minutes before the page was opened, as a browser sends it."""
    return f"{timezone.localtime(OPENED - timedelta(minutes=minutes)):%Y-%m-%dT%H:%M}"


@pytest.fixture
def driver(client_of, cast, settings):
    settings.TIME_ZONE = "Europe/London"
    return client_of(cast.driver)


def answers(**changes):
    return {
        "id": str(uuid_of("coupling")),
        "made": OPENED.isoformat(),
        "unit": "201",
        "end": "A",
        "what": "coupled",
        "number": "202",
        "other_end": "B",
        "stage": "full",
        **changes,
    }


def known():
    """(outcome, stage, ends, parted) of every coupling."""
    return [
        (row.outcome, row.stage, sorted(str(side.end) for side in row.sides.all()), row.parted)
        for row in Coupling.objects.order_by("at")
    ]


# ---- without a script


def test_a_coupling_is_recorded_and_its_receipt_says_so(driver, railway):
    answer = driver.post(PAGE, answers(place="Thornhope"), follow=True)
    assert answer.status_code == 200
    text = answer.content.decode()
    assert "Coupled to 202 B." in text
    assert "Nothing was found" not in text
    assert known() == [("coupled", "full", ["201 A", "202 B"], None)]
    row = Coupling.objects.get()
    assert (row.at, row.place.code) == (OPENED, "THO")
    assert Inspection.objects.get().occasion == "coupling"
    assert "Coupled to 202 B" in driver.get("/reports/").content.decode()
    assert driver.session["unit"] == "201"


def test_the_same_post_again_records_nothing(driver, railway):
    first, second = driver.post(PAGE, answers()), driver.post(PAGE, answers())
    assert first.url == second.url
    assert (Coupling.objects.count(), Submission.objects.count()) == (1, 1)


def test_a_failed_attempt_and_a_parting(driver, railway):
    driver.post(PAGE, answers(seen=wall(9)))
    gone = {"number": "", "other_end": "", "stage": ""}
    driver.post(PAGE, answers(id=str(uuid_of("2")), what="parted", seen=wall(5), **gone))
    ends = Inspection.objects.order_by("-pk").first().ends.get()
    assert (ends.mate_given, ends.situation) == ("202 B", "U"), "the mate on record"
    failed = answers(id=str(uuid_of("3")), what="could not couple", stage="contact", number="301", seen=wall(1))
    receipt = driver.post(PAGE, failed, follow=True)
    assert "Could not couple to 301 B" in receipt.content.decode()
    parted = OPENED - timedelta(minutes=5)
    assert known() == [
        ("coupled", "full", ["201 A", "202 B"], parted),
        ("could not couple", "contact", ["201 A", "301 B"], None),
    ]


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"unit": "x"}, "Enter the unit number, 3 to 6 digits"),
        ({"end": ""}, "Choose which end"),
        ({"end": "C"}, "Choose which end"),
        ({"what": ""}, "Choose what happened"),
        ({"what": "married"}, "Choose what happened"),
        ({"number": ""}, "Choose the other unit, or type its number"),
        ({"number": "x"}, "Enter the unit number, 3 to 6 digits"),
        ({"other": "301"}, "You chose 301 and typed 202. Keep one of them"),
        ({"other_end": ""}, "Choose which end of the other unit"),
        ({"number": "201"}, "Both ends are of unit 201"),
        ({"stage": ""}, "Choose how far they joined"),
        ({"stage": "none"}, "“Did not meet” does not go with “Coupled”"),
        ({"what": "could not couple"}, "“Everything joined” does not go with “Could not couple”"),
        ({"seen": "yesterday"}, "Enter a date and time, like 24/11/2026 05:50"),
        ({"seen": wall(-200)}, "That time is still to come"),
        ({"seen": "2026-03-29T01:30"}, "That time did not happen"),
        ({"place": "x" * 61}, "Use 60 characters at most"),
    ],
)
def test_what_is_wrong_is_said_by_its_field_and_everything_stays(driver, railway, changes, sentence):
    posted = answers(place="By the “old” <signal>") | changes
    answer = driver.post(PAGE, posted)
    text = answer.content.decode()
    assert answer.status_code == 422
    assert sentence in text
    assert "Problem:" in text
    assert not Submission.objects.exists()
    assert str(uuid_of("coupling")) in text, "the same report once it is right"
    if "place" not in changes:
        assert "By the “old” &lt;signal&gt;" in text
    for name in ("end", "what", "stage", "other_end"):
        if posted[name] in ("A", "coupled", "full", "B"):
            assert f'name="{name}" value="{posted[name]}" id=' in text or f'value="{posted[name]}"' in text
    form = answer.context["form"]
    assert all(form[name].value() == posted[name] for name in posted if name in form.fields)


def test_another_unit_is_no_unit_until_its_number_is_typed(driver, railway):
    assert driver.post(PAGE, answers(other="another")).status_code == 302
    page = driver.post(PAGE, answers(id=str(uuid_of("2")), other="another", number=""))
    assert "Choose the other unit, or type its number" in page.content.decode()
    assert Coupling.objects.count() == 1


def test_hostile_words_stay_words(driver, railway):
    assert ESCAPED in driver.post(PAGE, answers(unit=HOSTILE[:12], place=HOSTILE)).content.decode()
    driver.post(PAGE, answers(place=HOSTILE))
    assert ESCAPED in driver.get("/reports/" + str(uuid_of("coupling")) + "/").content.decode()


def test_units_not_on_the_list_and_an_end_not_known_are_kept_as_given(driver, railway):
    driver.post(PAGE, answers(number="987654", other_end="?"))
    assert known() == [("coupled", "full", ["201 A"], None)]
    assert Inspection.objects.get().ends.get().mate_given == "987654 end not known"
    answer = driver.post(PAGE, answers(id=str(uuid_of("2")), unit="471"), follow=True)
    assert "471 is not on our list" in answer.content.decode()
    assert Coupling.objects.count() == 1


def test_a_new_page_knows_the_unit_its_mates_and_recent_units(driver, railway):
    driver.post(PAGE, answers(seen=wall(8)))
    page = driver.get(PAGE)
    text = page.content.decode()
    assert page.context["form"]["unit"].value() == "201"
    assert "The A end is recorded as coupled to 202 B." in text
    assert '<input type="radio" name="other" value="202"' in text
    assert "Save for unit 201" in text
    assert driver.get(f"{PAGE}?unit=<b>").context["number"] == ""


def test_hidden_fields_that_cannot_be_relied_on_are_made_anew(driver, railway):
    driver.post(PAGE, answers(id="nonsense", made="3026-11-24T05:58:00+00:00"))
    row = Submission.objects.get()
    assert row.status == "stored"
    assert abs(Coupling.objects.get().at - timezone.now()) < timedelta(minutes=1)


def test_whoever_has_no_role_records_nothing(client_of, cast, railway):
    visitor = client_of(cast.outsider)
    assert visitor.get(PAGE).status_code == 403
    assert visitor.post(PAGE, answers()).status_code == 403
    assert not Submission.objects.exists()


# ---- told late


def test_a_coupling_told_late_asks_for_its_mates_and_ends_a_deferral(cast, railway, report, now):
    receipt = report(cast.driver, part="face", symptom="face-marks", seen="2026-11-24T05:00:00+00:00")
    finding = Finding.objects.get(ref=receipt.refs[0])
    assert not MateLook.objects.exists()
    Deferral.objects.create(
        finding=finding, category=1, why="x", by=cast.controller, since=now - timedelta(hours=2),
        agreed=now - timedelta(hours=2), agreed_by=cast.engineer, until=now + timedelta(days=3),
        events=["next-coupling"],
    )  # fmt: skip
    end = railway.ends["201 A"]
    before = standing.of_ends([end], now)[end.pk].situations["C"].sources
    assert not [source for source in before if source.kind == "deferral"]
    row = {"end": "A", "situation": "R", "mate": "202 B", "stage": "full", "coupled": "coupled"}
    later = now + timedelta(hours=1)
    report(cast.driver, ends=[row], faults=[], occasion="coupling", seen="2026-11-24T04:30:00+00:00", received=later)
    assert [str(look.end) for look in MateLook.objects.all()] == ["202 B"]
    after = standing.of_ends([end], later)[end.pk].situations["C"].sources
    assert [source.kind for source in after if source.kind == "deferral"] == ["deferral"]


def test_the_mates_of_a_unit(client_of, cast, railway, report):
    row = {"end": "A", "situation": "R", "mate": "202 B", "stage": "full", "coupled": "coupled"}
    report(cast.driver, ends=[row], faults=[], occasion="coupling")
    told = client_of(cast.driver).get("/phone/mates/?unit=201").json()
    assert told == {"unit": "201", "mates": {"A": "202 B"}}
    assert client_of(cast.driver).get("/phone/mates/?unit=999999").json()["mates"] == {}
    assert client_of(cast.driver).get("/phone/mates/").json() == {"unit": "", "mates": {}}
    assert couplings.mates_of("202", timezone.now()) == {"B": "201 A"}


def test_the_shell_is_for_nobody(client_of, cast, railway, client):
    signed_in = client_of(cast.driver)
    signed_in.post("/units/pick/", {"unit": "201"})
    shell = signed_in.get("/phone/coupling/")
    assert shell.content == client.get("/phone/coupling/").content
    assert "csrf" not in shell.content.decode()
    assert "201" not in shell.content.decode().split("<main")[1]
    assert "Driver 1" not in shell.content.decode()
    assert not shell.cookies


# ---- with its script


@pytest.fixture
def page(browser_page, sign_in, cast, railway):
    """A driver's phone with today's unit and one met lately."""
    sign_in(browser_page, cast.driver)
    browser_page.set_default_timeout(10_000)
    browser_page.goto("/units/")
    browser_page.evaluate("Store.write([['put','meta','201','unit'],['put','meta',['201','301'],'recent']])")
    return browser_page


def open_page(page, address="/phone/coupling/"):
    page.goto(address)
    expect(page.locator("form[data-ready]")).to_be_attached()


class Taps:
    """Presses answers and counts them."""

    def __init__(self, page):
        self.page, self.count = page, 0

    def on(self, question, words):
        self.press(f"#div_id_{question} label:visible", words)

    def press(self, query, words):
        self.count += 1
        self.page.locator(query, has_text=words).first.click()


def saved(page):
    expect(page.locator("main .sync")).to_be_visible()


def bodies_here(page):
    return page.evaluate(
        "Store.all('reports').then((all) => all.map((row) => JSON.parse(new TextDecoder().decode(row.body))))"
    )


@pytest.mark.browser
def test_six_taps_without_signal_then_it_is_sent(page, cast):
    open_page(page)
    page.context.set_offline(True)
    taps = Taps(page)
    taps.on("end", "A end")
    taps.on("what", "Could not couple")
    taps.on("other", "301")
    taps.on("other_end", "B end")
    taps.on("stage", "Faces met")
    taps.press("#save", "Save")
    saved(page)
    assert taps.count == 6
    expect(page.locator("main .sync")).to_contain_text("Saved on this phone")
    assert not Submission.objects.exists()
    (body,) = bodies_here(page)
    assert body["ends"] == [
        {
            "end": "A",
            "situation": "U",
            "clean": False,
            "mate": "301 B",
            "stage": "contact",
            "coupled": "could not couple",
        }
    ]
    assert (body["occasion"], body["unit"], body["author"]) == ("coupling", "201", cast.driver.pk)
    page.context.set_offline(False)
    page.evaluate("Outbox.retryNow()")
    expect(page.locator("main .sync-received")).to_be_visible()
    assert known() == [("could not couple", "contact", ["201 A", "301 B"], None)]
    assert axe_faults(page) == []


@pytest.mark.browser
def test_a_parting_takes_three_taps_and_the_mate_on_record(page, report, cast):
    row = {"end": "B", "situation": "R", "mate": "202 A", "stage": "full", "coupled": "coupled"}
    at = timezone.now() - timedelta(hours=1)
    report(cast.driver, ends=[row], faults=[], occasion="coupling", seen=at.isoformat(), received=at)
    page.reload()
    open_page(page)
    expect(page.locator('input[name="other"][value="202"]')).to_be_attached()
    taps = Taps(page)
    taps.on("end", "B end")
    taps.on("what", "Parted")
    assert page.locator("#div_id_stage").is_hidden()
    assert "recorded as coupled to 202 A" in page.locator("#recorded").inner_text()
    taps.on("end", "A end")
    assert not page.locator('input[name="other"]:checked').count(), "the mate of the other end is not this end's"
    taps.on("end", "B end")
    taps.press("#save", "Save")
    saved(page)
    assert taps.count == 5, "two of them to and fro"
    (body,) = bodies_here(page)
    assert body["ends"][0]["mate"] == "202 A"
    assert body["occasion"] == "uncoupling"


@pytest.mark.browser
def test_a_mate_recorded_here_is_known_here_without_signal(page):
    open_page(page)
    page.context.set_offline(True)
    for what in ("Coupled", "Parted"):
        taps = Taps(page)
        taps.on("end", "A end")
        taps.on("what", what)
        if what == "Coupled":
            taps.on("other", "301")
            taps.on("other_end", "I can’t tell")
            taps.on("other_end", "A end")
            taps.on("stage", "Lock home, no air")
        taps.press("#save", "Save")
        saved(page)
        page.context.set_offline(False)  # the page itself comes from the worker, once it has been told to keep it
        open_page(page)
        page.context.set_offline(True)
    assert [body["ends"][0]["mate"] for body in sorted(bodies_here(page), key=lambda b: b["seen"])] == [
        "301 A",
        "301 A",
    ]


@pytest.mark.browser
def test_the_page_says_what_is_missing_as_the_form_does(page):
    open_page(page)
    page.click("#save")
    box = page.locator(".problems")
    for sentence in ("Choose which end", "Choose what happened"):
        expect(box).to_contain_text(sentence)
    Taps(page).on("end", "A end")
    Taps(page).on("what", "Coupled")
    page.click("#save")
    for sentence in ("Choose the other unit, or type its number", "Choose how far they joined"):
        expect(box).to_contain_text(sentence)
    assert page.locator('input[name="end"]:checked').input_value() == "A"
    assert page.title().startswith("Problem: ")
    assert axe_faults(page) == []
    assert not bodies_here(page)
    assert page.locator("#div_id_stage label:visible").all_inner_texts() == [
        "Lock home, no air", "Air joined, no electrics", "Everything joined",
    ]  # fmt: skip


@pytest.mark.browser
def test_both_lives_of_the_page_make_one_body(page, driver):
    open_page(page, PAGE)
    taps = Taps(page)
    for question, words in [("end", "B end"), ("what", "Coupled"), ("other", "301"), ("other_end", "I can’t tell")]:
        taps.on(question, words)
    taps.on("stage", "Everything joined")
    page.locator("summary", has_text="Place").click()
    page.fill("[name=place]", "thornhope")
    page.locator("summary", has_text="Time").click()
    page.fill("[name=seen]", wall(8))
    page.click("#save")
    saved(page)
    expect(page.locator("main .sync-received")).to_be_visible()
    posted = answers(end="B", number="301", other_end="?", place="thornhope", seen=wall(8))
    driver.post(PAGE, posted)
    (one, other) = [json.loads(bytes(row.body)) for row in Submission.objects.order_by("pk")]
    for body in (one, other):
        del body["id"], body["sent"]
        body["seen"] = datetime.fromisoformat(body["seen"]).astimezone(UTC)
    assert one == other


@pytest.mark.browser
def test_two_presses_are_one_record(page):
    open_page(page, PAGE)
    taps = Taps(page)
    for question, words in [("end", "A end"), ("what", "Coupled"), ("other", "301"), ("other_end", "A end")]:
        taps.on(question, words)
    taps.on("stage", "Everything joined")
    page.evaluate("() => { const save = document.getElementById('save'); save.click(); save.click(); }")
    saved(page)
    expect(page.locator("main .sync-received")).to_be_visible()
    assert len(bodies_here(page)) == Submission.objects.count() == 1


@pytest.mark.browser
def test_a_browser_that_keeps_nothing_posts_the_plain_form(page):
    page.add_init_script(
        "Object.defineProperty(self, 'indexedDB', { value: { open() { throw new Error('shut'); } } })"
    )
    page.goto(PAGE)
    expect(page.locator("#words")).to_contain_text("This browser keeps nothing")
    taps = Taps(page)
    taps.on("end", "A end")
    taps.on("what", "Coupled")
    taps.on("other", "Another unit")
    page.fill("[name=number]", "301")
    taps.on("other_end", "A end")
    taps.on("stage", "Everything joined")
    page.fill("[name=unit]", "202")
    page.click("#save")
    page.wait_for_url("**/reports/*/")
    assert known() == [("coupled", "full", ["202 A", "301 A"], None)]


@pytest.mark.browser
def test_sizes_at_every_width(page):
    open_page(page, PAGE)
    for width in (320, 360, 768, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        assert probe(page, "sideways") == [], width
    page.set_viewport_size({"width": 360, "height": 3000})
    assert probe(page, "smallTargets", 44, 64) == []
    for theme in ("day", "night"):
        page.evaluate("(theme) => (document.documentElement.dataset.theme = theme)", theme)
        assert axe_faults(page) == []
        assert probe(page, "contrast", 7)["low"] == []
