"""The driver's pages in a real browser: taps, sizes, picture and list, verdict, photos, both themes, no script."""

import json
from urllib.parse import urlsplit
from uuid import uuid4

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from fleet.models import WeatherAlert
from inspections import intake, workflow
from inspections.models import Finding, Observation, Photo, Submission
from inspections.rules.limits import Limits
from tests.browser.reporting import (
    all_sent,
    answer,
    common,
    forget_drafts,
    in_situation,
    open_report,
    photo,
    posted,
    received,
)
from tests.look.probes import axe_faults

pytestmark = pytest.mark.browser

SEND_BAR = 80
BIG, GAP, NARROW = 64, 8, 47


@pytest.fixture
def page(browser_page, sign_in, cast, railway):
    """A driver's phone, signed in."""
    sign_in(browser_page, cast.driver)
    browser_page.set_default_timeout(10_000)
    return browser_page


@pytest.fixture
def ready(page):
    """The report page of unit 201, its table of cells loaded."""
    open_report(page)
    return page


def pick_unit(page, number="201"):
    page.goto("/units/pick/")
    page.fill("#id_unit", number)
    page.click("text=Use this unit")


# ---- taps and sizes


def test_the_common_report_with_a_photo_takes_seven_taps_and_no_typing(page, capsys):
    pick_unit(page)
    taps = []

    def tap(name, what):
        taps.append(name)
        what()

    keys = []
    page.expose_function("pressed", lambda key: keys.append(key))
    page.add_init_script("addEventListener('keydown', (e) => pressed(e.key))")
    page.goto("/")
    tap("Report damage", lambda: page.click("text=Report damage"))
    tap("A end", lambda: answer(page, "end", "A end"))
    tap("part 5 on the picture", lambda: page.click("svg [data-slot=air-upper]"))
    tap("torn", lambda: answer(page, "sign", "is torn"))
    tap("Uncoupled", lambda: answer(page, "situation", "Uncoupled"))
    expect(page.locator("#verdict")).to_contain_text("Do not couple at this end.")
    with page.expect_file_chooser() as camera:
        tap("Take a photo", lambda: page.click("text=Take a photo"))
    assert camera.value.element.get_attribute("capture") == "environment"
    camera.value.set_files(photo())
    tap("Send", lambda: page.click("#send"))
    received(page)
    expect(page.locator("main")).to_contain_text("Control has not looked yet.")
    with capsys.disabled():
        print(f"\n{len(taps)} taps from the first page to Send: {', '.join(taps)}")
    assert len(taps) <= 7
    assert keys == []
    assert Finding.objects.get().symptom == "seal-torn"
    all_sent(page)
    assert Photo.objects.get().state == "stored"


def test_answers_are_large_and_apart(ready, capsys):
    common(ready, "Coupled")
    for summary in ready.locator("summary").all():
        summary.click()
    sizes = ready.evaluate(
        """() => {
          const seen = (e) => e.offsetHeight > 0;
          const groups = [...document.querySelectorAll("main .answers")].map((group) =>
            [...group.querySelectorAll("label")].filter(seen).map((e) => e.getBoundingClientRect()));
          const gaps = groups.flatMap((boxes) => boxes.slice(1).map((box, i) => box.top - boxes[i].bottom));
          const others = [...document.querySelectorAll("main button, main .primary, main .pick label, main summary")];
          return {
            answers: groups.flat().map((box) => box.height), gaps,
            widths: groups.flat().map((box) => box.width),
            others: others.filter(seen).map((e) => e.getBoundingClientRect().height),
            bar: document.querySelector(".sendbar").getBoundingClientRect().height,
          };
        }"""
    )
    with capsys.disabled():
        print(
            f"\n{len(sizes['answers'])} answers: least height {min(sizes['answers']):g}, "
            f"least gap {min(sizes['gaps']):g}, least width {min(sizes['widths']):g}; "
            f"other targets from {min(sizes['others']):g}; bar {sizes['bar']:g} px"
        )
    assert len(sizes["answers"]) > 30
    assert min(sizes["answers"]) >= BIG
    assert min(sizes["gaps"]) >= GAP
    assert min(sizes["others"]) >= BIG
    assert sizes["bar"] <= SEND_BAR


def test_parts_of_the_picture_are_large(ready, capsys):
    boxes = ready.evaluate(
        """() => [...document.querySelectorAll("svg.face .s")].map((e) => {
          const box = e.getBoundingClientRect();
          return [e.parentElement.dataset.slot, box.width, box.height];
        })"""
    )
    with capsys.disabled():
        print("\n" + ", ".join(f"{slot} {w:.0f}×{h:.0f}" for slot, w, h in boxes))
    assert {slot for slot, _, _ in boxes} >= {
        "face",
        "cone",
        "cup",
        "hook",
        "air-upper",
        "air-lower",
        "contacts",
        "cover",
    }
    assert all(width >= NARROW and height >= NARROW for _, width, height in boxes)
    assert sum(min(width, height) < 48 for _, width, height in boxes) <= 1


def test_each_card_says_the_unit_and_all_answers_start_in_view(ready):
    for question, place in [("end", 2), ("part", 3), ("sign", 4), ("situation", 5), ("more", 6)]:
        expect(ready.locator(f"#q-{question} .step").first).to_have_text(f"Unit 201, question {place} of 6")
    expect(ready.locator("#send")).to_have_text("Send for unit 201")
    ready.evaluate("document.documentElement.style.scrollBehavior = 'auto'")
    expect(ready.locator("#q-end label").nth(2)).to_be_in_viewport(ratio=1)
    answer(ready, "end", "A end")
    expect(ready.locator("#q-part .step")).to_be_in_viewport()
    expect(ready.locator("svg.face")).to_be_in_viewport(ratio=1)
    ready.click("svg [data-slot=hook]")
    for place in range(4):
        expect(ready.locator("#q-sign label:visible").nth(place)).to_be_in_viewport(ratio=1)


# ---- picture, list, keyboard


def test_picture_list_and_keyboard_give_one_result(ready):
    results = []

    def note():
        expect(ready.locator("#picked")).to_have_text("Picked: 5 Upper air seal")
        results.append(ready.evaluate("document.querySelector('#report').elements.part.value"))
        assert ready.locator("svg .part.picked").get_attribute("data-slot") == "air-upper"

    ready.click("svg [data-slot=air-upper]")
    note()
    open_report(ready)
    answer(ready, "part", "5 Upper air seal")
    note()
    open_report(ready)
    ready.locator("input[name=part]").first.focus()
    for _ in range(4):
        ready.keyboard.press("ArrowDown")
    note()
    assert "focused" in ready.locator("svg [data-slot=air-upper]:visible").get_attribute("class")
    assert results == ["air-upper"] * 3


def test_arrow_keys_move_without_sending_or_jumping(ready):
    ready.evaluate("document.documentElement.style.scrollBehavior = 'auto'")
    ready.locator("input[name=end]").first.focus()
    for _ in range(5):
        ready.keyboard.press("ArrowDown")
    assert ready.evaluate("document.activeElement.name") == "end"
    expect(ready.locator("#q-end legend")).to_be_in_viewport()
    assert "/reports/new/" in ready.url
    assert not Submission.objects.exists()


def test_only_the_signs_of_the_part_are_shown_most_used_first(ready):
    ready.click("svg [data-slot=hook]")
    words = ready.locator("#q-sign label:visible").all_inner_texts()
    assert words[0] == "The lock marks are not in line"
    assert words[-1] == "Something else, or I can't tell"
    assert "A crack, a line of rust, a bright edge" in words
    answer(ready, "sign", "lock marks")
    expect(ready.locator("#q-facts")).to_contain_text("What did the pull test show?")
    expect(ready.locator("#q-facts fieldset:visible")).to_have_count(1)
    ready.click("svg [data-slot=cover]")
    assert ready.evaluate("document.querySelector('#report').elements.sign.value") == ""
    expect(ready.locator("#q-facts")).to_be_hidden()


def test_mate_and_stage_only_where_there_is_a_mate(ready):
    expect(ready.locator("#joining")).to_be_hidden()
    answer(ready, "situation", "About to couple")
    expect(ready.locator("#joining")).to_be_visible()
    answer(ready, "situation", "Uncoupled")
    expect(ready.locator("#joining")).to_be_hidden()


# ---- the verdict


def verdict_words(page):
    """(band, call shown, [(title, [(heading, limits)…])…]) of the verdict box."""
    band, standings = page.evaluate(
        """() => {
          const box = document.querySelector("#verdict");
          const words = (all) => [...all].map((e) => e.textContent);
          const said = (part) => [part.firstElementChild.textContent, words(part.querySelectorAll("li"))];
          const parts = (of) => [...of.querySelectorAll(".standing-now, .standing-then")].map(said);
          return [box.querySelector(".band-name").textContent,
            [...box.querySelectorAll(".standing")].map((of) => [of.querySelector("h2").textContent, parts(of)])];
        }"""
    )
    return band, page.locator("#call").is_visible(), standings


def servers_verdict(client, page):
    """The same as the server says of the answers on the page."""
    response = client.post("/reports/new/", posted(page) | {"look": "1"})
    assert response.status_code == 200, response.context["form"].errors
    verdict = response.context["verdict"]
    standings = [
        [of["title"][0].upper() + of["title"][1:], [said(at) for at in of["situations"]]]
        for of in verdict["standings"]
    ]
    return verdict["category"].capitalize(), verdict["call"], standings


def said(at):
    heading = f"Now: {at['words'].lower()}" if at["now"] else at["words"]
    return [heading, list(at["limits"])]


def agree(client, page):
    """The phone's verdict is the server's, band, call, limits and all; gives it."""
    expect(page.locator("#verdict .standing").first).to_be_visible()
    phone = verdict_words(page)
    server = servers_verdict(client, page)
    assert phone[:2] == server[:2]
    for mine, theirs in zip(phone[2], server[2], strict=True):
        assert mine == theirs
    return phone


COMPARED = [
    ("A end", "5 Upper", "is torn", "Uncoupled"),
    ("A end", "5 Upper", "is missing", "Coupled"),
    ("B end", "6 Lower", "blowing", "Uncoupled"),
    ("A end", "8 Electric head cover", "hangs or flaps", "Uncoupled"),
    ("A end", "4 Lock", "lock marks", "Coupled"),
    ("B end", "7 Electric head", "bent or crooked", "About to couple"),
    ("A end", "Another part", "I can't tell", "Coupled"),
    ("can’t tell", "5 Upper", "is torn", "Coupled"),
]


def fill_in(page, end, part, sign, situation):
    answer(page, "end", end)
    answer(page, "part", part)
    answer(page, "sign", sign)
    in_situation(page, situation)


def test_the_phones_verdict_is_the_servers(page, client_of, cast, report, railway, now):
    """Beside open findings of both ends and of none, limits that people set, and weather that was seen."""
    client = client_of(cast.driver)
    report(cast.other_driver, part="handle", symptom="handle-stiff")
    report(cast.other_driver, end="B", part="hook", symptom="hook-marks", facts={"pull-test": "held"})
    report(
        cast.other_driver,
        end="?",
        part="contacts",
        symptom="pins-dirty",
        weather="wet",
        seen=timezone.now().isoformat(),
    )
    end = railway.ends["201 A"]
    workflow.restrict(end=end, unit=None, limits=Limits(couple="attended"), why="x", by=cast.controller, now=now)
    seen = set()
    for answers in COMPARED:
        open_report(page, "?unit=201&plain=1")
        fill_in(page, *answers)
        seen.add(str(agree(client, page)))
        forget_drafts(page)
    assert len(seen) == len(COMPARED)


@pytest.mark.parametrize("changed", ["The same", "Worse", "Not there now"])
def test_what_was_reported_already_is_folded_as_the_server_folds_it(page, client_of, cast, report, changed):
    report(cast.other_driver, part="hook", symptom="hook-marks", situation="R", facts={"pull-test": "held"})
    report(cast.other_driver, part="cover", symptom="cover-open")
    open_report(page, "?unit=201&plain=1")
    fill_in(page, "A end", "4 Lock", "Already reported", "Coupled")
    answer(page, "changed", changed)
    agree(client_of(cast.driver), page)
    if changed != "Not there now":
        page.locator("#q-facts label:visible").first.click()
        agree(client_of(cast.driver), page)
    else:
        expect(page.locator("#q-facts")).to_be_hidden()


def test_several_faults_are_looked_up_together(page, client_of, cast, report):
    report(cast.other_driver, end="B", part="contacts", symptom="pins-dirty")
    open_report(page, "?unit=201&plain=1")
    fill_in(page, "A end", "5 Upper", "is torn", "Uncoupled")
    page.click("#another")
    fill_in(page, "A end", "8 Electric head cover", "stays open", "Uncoupled")
    _, _, standings = agree(client_of(cast.driver), page)
    assert [title for title, _ in standings] == ["What the A end of 201 may still do"]
    page.click("#another")
    fill_in(page, "B end", "4 Lock", "lock marks", "Coupled")
    _, _, standings = agree(client_of(cast.driver), page)
    assert len(standings) == 2


def test_weather_where_the_report_is_made_counts(page, client_of, cast, railway):
    WeatherAlert.objects.create(place=railway.places["THO"], weather="frost", since=timezone.now())
    open_report(page, "?unit=201&plain=1")
    fill_in(page, "A end", "8 Electric head cover", "stays open", "Uncoupled")
    dry = agree(client_of(cast.driver), page)
    page.click("summary:has-text('Place')")
    page.fill("#id_place", "Thornhope")
    page.locator("#id_place").blur()
    assert agree(client_of(cast.driver), page) != dry


def test_what_is_open_and_what_control_set_count_in_the_verdict(page, cast, railway, report, now):
    report(cast.other_driver, part="handle", symptom="handle-stiff")
    end = railway.ends["201 A"]
    workflow.restrict(
        end=end, unit=None, limits=Limits(move="to depot", couple="not"), why="x", by=cast.controller, now=now
    )
    open_report(page)
    common(page)
    box = page.locator("#verdict")
    expect(box).to_contain_text("To the depot only, as control arranges.")
    expect(box).to_contain_text("Do not couple at this end.")
    expect(box.locator(".standing-then").last).to_contain_text("Not to run coupled at this end.")
    answer(page, "end", "B end")
    expect(box).not_to_contain_text("To the depot only")


def test_the_verdict_is_spoken_and_goes_when_an_answer_does(ready):
    box = ready.locator("#verdict")
    expect(box).to_have_attribute("role", "status")
    common(ready)
    expect(box.locator(".band")).to_have_text("Undesirable")
    expect(ready.locator("#call")).to_be_hidden()
    ready.click("svg [data-slot=cover]")
    expect(box).to_be_empty()
    answer(ready, "sign", "hangs or flaps")
    expect(box).to_contain_text("Call control now. The call is the report.")
    above = ready.evaluate(
        "() => document.querySelector('#call').compareDocumentPosition(document.querySelector('#send')) & 4"
    )
    assert above
    expect(ready.locator("#call")).to_be_visible()


def test_weather_that_was_said_chooses_the_cell(ready):
    answer(ready, "end", "A end")
    answer(ready, "part", "8 Electric head cover")
    answer(ready, "sign", "stays open")
    answer(ready, "situation", "Uncoupled")
    dry = verdict_words(ready)
    ready.click("summary:has-text('Weather')")
    ready.locator("#div_id_weather label", has_text="Frost").click()
    assert verdict_words(ready) != dry


# ---- photos and sending


def test_photos_are_shown_limited_to_four_and_can_be_left_out(ready):
    common(ready)
    ready.set_input_files("#id_photos", photo("camera.jpg"))
    expect(ready.locator("#shots img")).to_have_count(1)
    ready.set_input_files("#id_photos_album", [photo(f"{n}.jpg", (0, n * 40, 0)) for n in range(5)])
    expect(ready.locator("#shots img")).to_have_count(4)
    expect(ready.locator("#photo-words")).to_have_text("2 photos were left out: at most 4 go with a fault.")
    loaded = "() => [...document.querySelectorAll('#shots img')].every((i) => i.complete && i.naturalWidth)"
    ready.wait_for_function(loaded)
    ready.click("text=Remove photo 2")
    expect(ready.locator("#shots img")).to_have_count(3)
    expect(ready.locator("p.picked")).to_have_text("3 photos picked")
    ready.click("#send")
    received(ready)
    all_sent(ready)
    assert Photo.objects.filter(state="stored").count() == 3
    ready.click("text=Open the receipt")
    expect(ready.locator(".shots img").first).to_have_attribute(
        "alt", "Photo: 5 Upper air seal, A end of 201, reported as: The rubber is torn or has a flap"
    )


def test_send_pressed_three_times_is_one_report(ready):
    common(ready)
    ready.set_input_files("#id_photos", photo())
    expect(ready.locator("#shots img")).to_have_count(1)
    ready.evaluate(
        "() => { const send = document.getElementById('send'); send.click(); send.click(); send.click(); }"
    )
    received(ready)
    all_sent(ready)
    assert [model.objects.count() for model in (Submission, Finding, Observation, Photo)] == [1, 1, 1, 1]


def test_a_mistake_leads_to_the_summary_and_from_there_to_the_question(ready):
    ready.click("#send")
    expect(ready).to_have_title("Problem: Report damage, unit 201 – Coupler Logbook")
    expect(ready.locator(".problems")).to_be_focused()
    ready.click(".problems a:has-text('Choose which end')")
    expect(ready.locator("#id_end_0")).to_be_focused()
    expect(ready.locator("#q-end .error")).to_be_visible()
    common(ready)
    ready.click("#send")
    received(ready)
    assert not ready.locator(".problems").count()


def summary_of(page):
    """The problems as the page lists them: (words, where its link leads)."""
    return page.eval_on_selector_all(
        ".problems li", "all => all.map((li) => [li.textContent.trim(), li.querySelector('a')?.hash ?? ''])"
    )


def test_the_phone_says_what_is_wrong_in_the_servers_words(ready, client_of, cast):
    client = client_of(cast.driver)

    def same(**changes):
        ready.click("#send")
        phone = summary_of(ready)
        assert not Submission.objects.exists()
        response = client.post("/reports/new/", posted(ready) | changes)
        form = response.context["form"]
        words = {str(error) for messages in form.errors.values() for error in messages}
        assert {said for said, _ in phone} == words
        for _, way in phone:
            assert ready.locator(f"main {way}").count() == 1
        assert ready.locator(".field.bad .error:visible").count() == len(phone)

    same()
    answer(ready, "end", "A end")
    same()
    common(ready)
    ready.click("#another")
    answer(ready, "end", "A end")
    answer(ready, "part", "4 Lock")
    answer(ready, "sign", "lock marks")
    in_situation(ready, "Coupled")
    same()
    in_situation(ready, "Uncoupled")
    answer(ready, "end", "B end")
    ready.click("summary:has-text('The other end')")
    ready.locator("#div_id_other label", has_text="Nothing found there, coupled").click()
    same()
    ready.click("#q-unit summary")
    ready.fill("#id_unit", "12")
    same()


def test_reported_already_is_one_tap_and_the_verdict_knows_it(page, cast, report):
    ref = report(cast.other_driver).refs[0]
    open_report(page)
    answer(page, "end", "A end")
    page.click("svg [data-slot=air-upper]")
    expect(page.locator("#q-sign label:visible").first).to_contain_text("Already reported: The rubber is torn")
    expect(page.locator("#q-changed")).to_be_hidden()
    answer(page, "sign", "Already reported")
    expect(page.locator("#q-changed")).to_be_visible()
    answer(page, "situation", "Uncoupled")
    expect(page.locator("#verdict .band")).to_have_text("Undesirable")
    page.click("#send")
    received(page)
    assert Finding.objects.get().ref == ref
    assert Observation.objects.latest("pk").kind == "still there"


@pytest.mark.parametrize(("words", "kind"), [("Worse", "worse"), ("Not there now", "not there now")])
def test_it_may_be_worse_or_gone(page, cast, report, words, kind):
    report(cast.other_driver)
    open_report(page)
    answer(page, "end", "A end")
    page.click("svg [data-slot=air-upper]")
    answer(page, "sign", "Already reported")
    answer(page, "changed", words)
    answer(page, "situation", "Uncoupled")
    page.click("#send")
    received(page)
    assert Finding.objects.get().is_open
    assert Observation.objects.latest("pk").kind == kind


def test_what_was_reported_on_the_other_end_is_not_offered(page, cast, report):
    report(cast.other_driver, end="B")
    open_report(page)
    answer(page, "end", "A end")
    page.click("svg [data-slot=air-upper]")
    expect(page.locator("#q-sign label:visible", has_text="Already reported")).to_have_count(0)
    answer(page, "end", "can’t tell")
    expect(page.locator("#q-sign label:visible", has_text="Already reported")).to_have_count(1)


def test_now_is_when_the_first_answer_was_given(page):
    page.clock.install()
    open_report(page)
    before = page.input_value("[name=made]")
    page.clock.fast_forward(5 * 60 * 1000)
    answer(page, "end", "A end")
    first = page.input_value("[name=made]")
    page.clock.fast_forward(60 * 1000)
    answer(page, "end", "B end")
    assert page.input_value("[name=made]") == first
    minutes = page.evaluate("([a, b]) => (Date.parse(b) - Date.parse(a)) / 60000", [before, first])
    assert 5 <= minutes < 6


# ---- without scripts


def test_everything_works_without_scripts(chromium, live_server, sign_in, cast, railway):
    context = chromium.new_context(
        viewport={"width": 360, "height": 640}, base_url=live_server.url, java_script_enabled=False
    )
    page = context.new_page()
    sign_in(page, cast.driver)
    pick_unit(page)
    page.click("text=Report damage")
    answer(page, "end", "A end")
    answer(page, "part", "5 Upper air seal")
    answer(page, "sign", "is torn")
    answer(page, "situation", "Uncoupled")
    page.click("text=See what this end may do first")
    expect(page.locator("#verdict")).to_contain_text("Do not couple at this end.")
    assert not Submission.objects.exists()
    page.set_input_files("#id_photos", photo())
    page.click("text=Add another fault")
    expect(page.locator("#so-far")).to_contain_text("A end, uncoupled. 5 Upper air seal: The rubber is torn")
    expect(page.locator("#so-far")).to_contain_text("1 photo")
    answer(page, "end", "B end")
    answer(page, "part", "8 Electric head cover")
    answer(page, "sign", "stays open")
    answer(page, "situation", "Uncoupled")
    page.click("text=Send for unit 201")
    expect(page.locator("main")).to_contain_text("Control has not looked yet.")
    assert Finding.objects.get(end__letter="A").worst == 2
    assert Finding.objects.count() == 2
    assert Photo.objects.get().state == "stored"
    context.close()


# ---- every state, both themes


def states(page, cast, report, sign_in):
    """(name, opener) of every page and state of the driver's screens."""
    receipt = report(cast.driver, photos=[str(uuid4())], note="seen from clear")
    report(cast.other_driver, end="?", part="other", symptom="other-other")
    odd = json.dumps({"v": 1, "id": str(uuid4()), "author": cast.driver.pk, "faults": "<b>"}).encode()
    kept = intake.receive(
        raw=odd, submitted_by=cast.driver, channel="phone", received=Submission.objects.first().received
    )

    def filled():
        open_report(page)
        common(page, "Coupled")
        page.set_input_files("#id_photos", photo())

    def wrong():
        open_report(page)
        page.click("#send")
        page.wait_for_selector(".problems")

    def came_back():
        open_report(page, "?unit=201&plain=1")
        common(page)
        page.evaluate("document.querySelector('.look').hidden = false")
        page.click("[name=look]")
        page.wait_for_url("**/#verdict")

    def several():
        open_report(page, "?unit=201")
        page.click("#another")

    def other_unit(number):
        pick_unit(page, number)
        page.goto("/")

    yield "no unit picked", lambda: page.goto("/")
    yield "pick", lambda: page.goto("/units/pick/")
    yield "start", lambda: other_unit("201")
    yield "start, unit not on the list", lambda: other_unit("471")
    yield "pick with recent units", lambda: page.goto("/units/pick/")
    yield "report", lambda: open_report(page)
    yield "report, no unit", lambda: open_report(page, "?unit=x")
    yield "report, wrong", wrong
    yield "report, answered", filled
    yield "report, came back", came_back
    yield "report, draft found", lambda: open_report(page)
    yield "report, discard?", lambda: page.click("text=Discard the draft")
    yield "report, several faults", several
    yield "report, draft of another unit", lambda: open_report(page, "?unit=301")
    yield "report, unit not on the list", lambda: open_report(page, "?unit=471")
    yield "clean look", lambda: open_report(page, "?unit=201&found=nothing")
    yield "receipt", lambda: page.goto(f"/reports/{receipt.id}/")
    yield "receipt, quarantine", lambda: page.goto(f"/reports/{kept.id}/")
    yield "my reports", lambda: page.goto("/reports/")
    yield "unit", lambda: page.goto("/units/201/")
    yield "unit, nothing open", lambda: page.goto("/units/301/")
    yield "unit, missing", lambda: page.goto("/units/471/")
    yield "units", lambda: page.goto("/units/")
    yield "control: unit", lambda: (sign_in(page, cast.controller), page.goto("/units/201/"))
    yield "control: quarantine", lambda: page.goto("/reports/quarantine/")
    yield "another driver: my reports", lambda: (sign_in(page, cast.other_driver), page.goto("/reports/"))


def test_axe_finds_nothing_nothing_runs_off_and_no_other_host_is_asked(
    page, cast, report, sign_in, live_server, capsys
):
    hosts, seen = set(), []
    page.on("request", lambda request: hosts.add(urlsplit(request.url).netloc))
    for name, open_state in states(page, cast, report, sign_in):
        page.set_viewport_size({"width": 360, "height": 640})
        open_state()
        page.set_viewport_size({"width": 360, "height": 4000})  # the send bar lies over nothing
        for theme in ("day", "night"):
            page.evaluate("(theme) => { document.documentElement.dataset.theme = theme; }", theme)
            assert axe_faults(page, colours_only=theme == "night") == [], (name, theme)
        for width in (320, 360, 1280):
            page.set_viewport_size({"width": width, "height": 640})
            off = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            assert off <= 0, (name, width, off)
        assert page.locator(".primary").count() <= 1, name
        assert page.locator("h1").count() == 1, name
        seen.append(name)
    with capsys.disabled():
        print(f"\naxe: nothing found on {len(seen)} states in both themes")
    assert hosts <= {urlsplit(live_server.url).netloc, ""}
    assert len(seen) == 26


def test_a_receipt_prints_on_one_page(page, cast, report):
    receipt = report(cast.driver, note="seen from clear")
    owner = Observation.objects.get().uuid
    page.goto(f"/reports/{receipt.id}/")
    page.click("summary:has-text('Add a photo')")
    page.set_input_files(f"#id_photos_{Observation.objects.get().pk}_album", [photo("a.jpg"), photo("b.jpg", "blue")])
    page.click("text=Send the photo")
    expect(page.locator(".shots img")).to_have_count(2)
    assert Photo.objects.filter(owner=owner).count() == 2
    printed = page.pdf(format="A4")
    assert printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page/") == 1


def test_the_page_knows_that_a_fault_came_back_and_where_it_curves(page, cast, railway, report):
    for _ in range(2):
        report(cast.driver, part="contacts", symptom="pins-dirty", seen=timezone.now().isoformat())
        Finding.objects.filter(closed=None).update(state="closed", closed=timezone.now())
    open_report(page)
    answer(page, "end", "A end")
    page.click("svg [data-slot=contacts]")
    answer(page, "sign", "dirty, green")
    page.locator("#q-situation label").get_by_text("About to couple", exact=True).click()
    expect(page.locator("#verdict")).to_contain_text("Do not couple at this end")
    answer(page, "end", "B end")
    expect(page.locator("#verdict")).not_to_contain_text("Do not couple at this end")


@pytest.mark.parametrize(
    ("slot", "words", "sign"),
    [
        ("air-upper", "is torn", "seal-torn"),
        ("contacts", "bent or crooked", "pin-bent"),
        ("hook", "not in line", "hook-marks"),
    ],
)
def test_going_back_never_picks_another_fault(ready, slot, words, sign):
    answer(ready, "end", "B end")
    ready.click(f"svg [data-slot={slot}]")
    answer(ready, "sign", words)
    answer(ready, "situation", "Uncoupled")
    ready.goto("/reports/")
    ready.go_back()
    ready.wait_for_load_state("networkidle")
    picked = ready.evaluate("document.querySelector('input[name=sign]:checked')?.value || ''")
    part = ready.evaluate("document.querySelector('input[name=part]:checked')?.value || ''")
    assert picked in ("", sign)
    if part:
        offered = ready.locator("#q-sign input:visible").evaluate_all("all => all.map((r) => r.dataset.for)")
        assert all(f"{part}:" in of for of in offered)
