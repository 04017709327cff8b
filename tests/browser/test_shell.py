"""The pages without signal in a real browser, by their address, from what this phone keeps."""

import json
from datetime import timedelta
from uuid import uuid4

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from fleet.models import CouplerEnd, Unit
from inspections import standing
from inspections.models import Finding, Submission
from inspections.views.units import unit_line
from tests.conftest import PASSWORD
from tests.look.probes import axe_faults, probe
from tests.phone.conftest import busy  # noqa: F401 - a fixture

pytestmark = pytest.mark.browser

READY = """async () => {
  await navigator.serviceWorker.ready;
  const kept = async () =>
    (await Store.read("facts", "facts").catch(() => null)) && (await Store.read("facts", "table")) &&
    (await caches.match("/phone/"));
  for (let n = 0; n < 150 && !(await kept()); n++) await new Promise((done) => setTimeout(done, 100));
  return Boolean(await kept());
}"""
AMEND = "async ([id, fields]) => { await Store.change('reports', id, (row) => ({...row, ...fields})); }"
SITUATIONS = {"U": "uncoupled", "C": "about to couple", "R": "coupled and running"}
BLOCKED = "indexedDB.open = () => { throw new DOMException('denied', 'UnknownError'); };"


@pytest.fixture
def page(browser_page, sign_in, cast, railway):
    """A driver's phone, signed in."""
    sign_in(browser_page, cast.driver)
    browser_page.set_default_timeout(15_000)
    return browser_page


def get_ready(page):
    """One visit with signal: worker, facts and rules are on the phone."""
    page.goto("/")
    assert page.evaluate(READY)


def away(page, path):
    """The page at this address without signal."""
    page.context.set_offline(True)
    page.goto(path)
    expect(page.locator("#shell[data-said]")).to_be_attached()


def keep(page, *changes):
    """Write into the phone's store as its own scripts do."""
    page.evaluate("(changes) => Store.write(changes)", [list(change) for change in changes])


def save(page, author, *, unit="201", end="A end", ago=0, photos=0, worst=2, **fields):
    """A report saved on this phone some milliseconds ago, as the report page does; gives its id."""
    body = {"v": 1, "id": str(uuid4()), "author": author.pk, "unit": unit, "ends": [{"end": "A", "situation": "U"}]}
    fault = {"id": str(uuid4()), "end": "A", "part": "air-upper", "symptom": "seal-torn"}
    body |= {"seen": timezone.now().isoformat(timespec="seconds"), "faults": [fault]}
    about = {"unit": unit, "end": end, "part": "5 Upper air seal", "fault": "The rubber is torn or has a flap"}
    page.evaluate(
        """async ([body, about, count, owner]) => {
          const photos = [...Array(count)].map(() => ({
            id: crypto.randomUUID(), owner, type: "image/jpeg", bytes: new Uint8Array([255, 216, 255]).buffer }));
          await Outbox.save({ id: body.id, body, about: { ...about, faults: [about], told: {} }, photos });
        }""",
        [body, {**about, "worst": worst}, photos, fault["id"]],
    )
    saved = page.evaluate("() => Date.now()") - ago
    page.evaluate(AMEND, [body["id"], {"saved": saved, **fields}])
    return body["id"]


def texts(locator):
    return [" ".join(text.split()) for text in locator.all_inner_texts()]


# ---- looks


def test_every_page_is_whole_by_day_and_night_at_every_width(page, cast, report):
    report(cast.driver)
    report(cast.driver, end="?", part="cover", symptom="cover-open")
    get_ready(page)
    save(page, cast.driver, ago=3 * 3600_000)
    keep(page, ["put", "meta", "201", "unit"], ["put", "meta", ["201", "301"], "recent"])
    page.context.set_offline(True)
    titles = {
        "/": "Today’s unit 201",
        "/phone/": "Today’s unit 201",
        "/units/": "Units",
        "/units/201/": "Unit 201",
        "/units/999/": "Unit 999 is not on the list on this phone",
        "/units/pick/": "Which unit do you have?",
        "/reports/": "My reports",
        "/findings/00000018/": "No signal here",
        "/nowhere/at/all/": "No signal here",
    }
    for path, title in titles.items():
        away(page, path)
        assert texts(page.locator("h1")) == [title]
        assert page.title() == f"{title} – Coupler Logbook"
        assert page.locator("main .primary").count() == (0 if path == "/units/" else 1), path
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            assert axe_faults(page, colours_only=scheme == "dark") == [], (path, scheme)
            assert probe(page, "contrast", 7)["low"] == [], (path, scheme)
        assert probe(page, "smallTargets", 44, 64) == [], path
        assert probe(page, "smallText", 16) == [], path
        for width in (320, 360, 768, 1280):
            page.set_viewport_size({"width": width, "height": 640})
            assert probe(page, "sideways") == [], (path, width)
        page.set_viewport_size({"width": 360, "height": 640})
    assert page.locator("main a:visible").first.evaluate("(n) => n.getBoundingClientRect().height") >= 64


# ---- standing


def test_units_say_without_signal_what_the_logbook_says(page, busy):  # noqa: F811
    get_ready(page)
    now = timezone.now()
    rows = list(Unit.objects.all())
    known = standing.of_units(rows, now)
    away(page, "/units/")
    assert page.locator("li.card").count() == len(rows)
    said_somewhere = 0
    for row in rows:
        line = unit_line(row, known[row.pk], None)
        want = [*line["words"], *(f"{letter} end: {word}" for letter, words in line["ends"] for word in words)]
        box = page.locator(f'li.card[data-unit="{row.number}"]')
        assert texts(box.locator(".limits li")) == want, row
        said_somewhere += len(want)
        count = Finding.objects.open().filter(unit=row).count()
        assert f"{count} open report" in box.inner_text()
    assert said_somewhere > 20

    ends = CouplerEnd.objects.filter(unit__number="202").select_related("unit", "pattern").order_by("letter")
    theirs = standing.of_ends(list(ends), now)
    away(page, "/units/202/")
    for place, end in enumerate(ends):
        box = page.locator("section.standing").nth(place)
        order = [theirs[end.pk].now, *(s for s in SITUATIONS if s != theirs[end.pk].now)]
        titles = texts(box.locator(".standing-when"))
        assert titles == [f"Now: {SITUATIONS[order[0]]}", *(SITUATIONS[s].capitalize() for s in order[1:])]
        for block, code in enumerate(order):
            want = list(theirs[end.pk].situations[code].words) or ["No limit is recorded here."]
            assert texts(box.locator(":scope > div").nth(block).locator(".limits li, p.limits")) == want
        assert "As known at" in box.inner_text()
        assert "No entry here is leave to run" in box.inner_text()

    away(page, "/units/201/")
    cards = texts(page.locator("li.card"))
    graded = {
        found.spoken_ref: found.get_worst_display() for found in Finding.objects.open().filter(unit__number="201")
    }
    assert len(cards) == len(graded) == 6
    for ref, word in graded.items():
        (mine,) = [card for card in cards if ref in card]
        assert word in mine
    assert "End not known: both ends carry the worst case" in texts(page.locator("h2"))
    first = page.locator("svg.face").first
    marked = first.locator(".part.marked").evaluate_all("(all) => all.map((one) => one.dataset.slot).sort()")
    assert marked == ["air-lower", "air-upper", "contacts", "cover", "hook"]
    shown = page.locator("main").inner_text()
    assert not [word for word in ("Driver", "Controller", "fell off", "Secret") if word in shown]


def test_the_start_page_tells_todays_unit_and_leads_on(page, cast, report):
    report(cast.driver, situation="C")
    get_ready(page)
    keep(page, ["put", "meta", "201", "unit"])
    away(page, "/")
    end = CouplerEnd.objects.select_related("unit", "pattern").get(vehicle="201A")
    words = standing.of_ends([end], timezone.now())[end.pk].current.words
    box = page.locator(".standing-now").first
    assert texts(box.locator("li")) == list(words) != []
    assert "A end, about to couple" in box.inner_text()
    page.click("text=All of 201: 1 open report")
    expect(page.locator("h1")).to_have_text("Unit 201")
    page.click("text=Report damage on this unit")
    expect(page.locator("#report[data-ready]")).to_be_attached()
    expect(page.locator("h1")).to_contain_text("201")
    away(page, "/")
    page.click("text=Report damage")
    expect(page.locator("#report[data-ready]")).to_be_attached()
    expect(page.locator("h1")).to_contain_text("201")


@pytest.mark.parametrize(
    ("hours", "said", "warned"),
    [(0, "", False), (3, "3 hours ago", False), (14, "14 hours ago", True), (80, "3 days ago", True)],
)
def test_old_facts_say_how_old_they_are(page, hours, said, warned):
    get_ready(page)
    at = (timezone.now() - timedelta(hours=hours, minutes=1)).isoformat(timespec="minutes")
    page.evaluate("(at) => Store.change('facts', 'facts', (facts) => ({...facts, at}))", at)
    keep(page, ["put", "meta", "201", "unit"], ["put", "meta", timezone.now().timestamp() * 1000, "asked"])
    for path in ("/", "/units/", "/units/201/"):
        away(page, path)
        assert (said in page.locator(".known").first.inner_text()) is True
        assert ("ago" in page.locator(".known").first.inner_text()) is bool(said)
        warning = page.locator(".message.warning")
        assert warning.count() == warned
        assert not warned or "Ask control what the unit may do." in warning.inner_text()


def test_a_clock_that_is_wrong_does_not_make_facts_old(page):
    get_ready(page)
    keep(page, ["put", "meta", "201", "unit"])
    page.context.set_offline(True)
    page.add_init_script("const real = Date.now.bind(Date); Date.now = () => real() + 20 * 3600000;")
    keep(page, ["put", "meta", 20 * 3600_000, "clock"])
    away(page, "/")
    assert "ago" not in page.locator(".known").inner_text()
    assert page.locator(".message.warning").count() == 0


# ---- finding and picking a unit


def test_a_unit_is_found_by_its_number(page):
    get_ready(page)
    away(page, "/units/")
    expect(page.locator("#count")).to_have_text("4 units")
    page.get_by_label("Find a unit").fill("20")
    expect(page.locator("#count")).to_have_text("2 units")
    assert texts(page.locator("li.card:visible h2")) == ["201 2V", "202 2V"]
    page.get_by_label("Find a unit").fill("999")
    expect(page.locator("#count")).to_have_text("0 units")
    page.get_by_label("Find a unit").fill("")
    expect(page.locator("#count")).to_have_text("4 units")


def test_a_unit_is_picked_without_signal_and_told_to_the_logbook_later(page, cast):
    get_ready(page)
    keep(page, ["put", "meta", ["301"], "recent"])
    away(page, "/units/pick/")
    page.keyboard.press("Tab")  # skip link
    page.get_by_label("Unit number").focus()
    page.keyboard.type("no unit")
    page.keyboard.press("Enter")
    error = page.get_by_role("alert")
    expect(error).to_have_text("Enter the unit number, 3 to 6 digits")
    assert page.evaluate("document.activeElement.id") == "id_unit"
    assert page.get_by_label("Unit number").get_attribute("aria-describedby") == error.get_attribute("id")
    assert axe_faults(page) == []
    page.get_by_label("Unit number").fill(" 202 a end ")
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_have_text("Today’s unit 202")
    away(page, "/units/pick/")
    assert texts(page.locator(".parts button")) == ["202", "301"]
    page.get_by_label("Unit number").fill("47123")
    page.click("text=Use this unit")
    expect(page.locator("h1")).to_have_text("Today’s unit 47123")
    expect(page.locator("main")).to_contain_text(
        "Nothing is known of unit 47123 on this phone. Ask control what it may do."
    )
    away(page, "/units/pick/?then=report")
    page.click(".parts button >> text=202")
    expect(page.locator("#report[data-ready]")).to_be_attached()
    page.context.set_offline(False)
    page.goto("/reports/")
    page.wait_for_timeout(100)
    for _ in range(50):
        if page.evaluate("() => Store.read('meta', 'unit-picked')") is None:
            break
        page.wait_for_timeout(100)
    page.goto("/")
    expect(page.locator("h1")).to_have_text("Today’s unit 202")
    assert not page.locator("#shell").count()


def test_the_unit_picked_in_the_logbook_is_todays_without_signal(page):
    get_ready(page)
    for number in ("301", "202"):
        page.goto("/units/pick/")
        page.fill("#id_unit", number)
        page.click("text=Use this unit")
        expect(page.locator("h1")).to_contain_text(number)
    expect(page.locator("#ready h2")).to_be_visible()
    away(page, "/")
    expect(page.locator("h1")).to_have_text("Today’s unit 202")
    away(page, "/units/pick/")
    assert texts(page.locator(".parts button")) == ["202", "301"]


# ---- my reports


def test_reports_are_shown_in_the_words_of_where_they_are(page, cast):
    get_ready(page)
    page.context.set_offline(True)
    now = page.evaluate("() => Date.now()")
    got = {"state": "received", "filed": "stored", "received": now, "refs": ["00104289"]}
    cases = {
        "201": ({"ago": 1000}, ["Saved on this phone. Not sent yet."], "sync-phone"),
        "202": ({"ago": 3 * 3600_000}, ["Saved on this phone. Not sent yet."], "sync-phone"),
        "301": (got, ["The logbook has your report, 0010 4289, ", "Control has not looked yet."], ""),
        "302": ({**got, "seen": "2026-11-24T06:09:00+00:00"}, ["0010 4289", "Seen by control 24 November, "], ""),
        "401": ({**got, "states": ["Repaired and tested 09:40 today."]}, ["0010 4289", "Repaired and tested"], ""),
        "402": ({**got, "photos_": 2}, ["0010 4289", "2 photos are still on this phone."], "sync-phone"),
        "403": (
            {"state": "attention", "words": "Another report came under its id."},
            ["We couldn’t send it. It is safe on this phone.", "Another report came under its id."],
            "sync-failed",
        ),
        "404": ({**got, "filed": "quarantined", "refs": [], "words": "Kept whole."}, ["Kept whole."], ""),
        "405": ({"worst": 3}, ["Call control now. The call is the report.", "Not sent yet."], "sync-phone"),
    }
    ids = {}
    for unit, (given, _, _) in cases.items():
        fields = dict(given)
        ids[unit] = save(page, cast.driver, unit=unit, photos=fields.pop("photos_", 0), **fields)
    away(page, "/reports/")
    assert page.locator("li.card").count() == len(cases)
    for unit, (_, words, css) in cases.items():
        card = page.locator("li.card", has_text=f"{unit}, A end: 5 Upper air seal")
        for line in words:
            expect(card).to_contain_text(line)
        assert css in (card.get_attribute("class") or "")
        assert card.locator("a.whole").get_attribute("href") == f"/reports/new/#sent-{ids[unit]}"
    old = page.locator(".old")
    assert texts(old) == ["This report has been on your phone for 3 hours. Nobody else can see it."]
    assert int(old.evaluate("(n) => getComputedStyle(n).fontWeight")) >= 700
    assert axe_faults(page) == []
    page.goto(f"/reports/{ids['202']}/")
    page.wait_for_url(f"**/reports/new/#sent-{ids['202']}")
    expect(page.locator("main")).to_contain_text("Saved on this phone")


def test_a_receipt_that_is_not_on_this_phone_needs_the_logbook(page):
    get_ready(page)
    away(page, f"/reports/{uuid4()}/")
    expect(page.locator("h1")).to_have_text("No signal here")


def test_send_now_sends_when_there_is_signal_again(page, cast):
    get_ready(page)
    page.context.set_offline(True)
    save(page, cast.driver)
    away(page, "/reports/")
    page.click("#send-now")
    expect(page.locator("li.card")).to_contain_text("Not sent yet")
    assert not Submission.objects.exists()
    assert page.locator("#again").inner_text() == ""
    page.context.set_offline(False)
    page.click("#send-now")
    expect(page.locator("li.card")).to_contain_text("The logbook has your report")
    assert page.locator("#send-now").count() == 0
    assert Submission.objects.get().submitted_by == cast.driver
    expect(page.locator("#again")).to_contain_text("There is signal again.")
    page.click("#again a")
    expect(page.locator("h1")).to_have_text("My reports")
    assert page.locator("#shell").count() == 0


def test_what_is_not_sent_is_handed_over_as_a_file(page, cast):
    get_ready(page)
    page.context.set_offline(True)
    mine = save(page, cast.driver, photos=1)
    away(page, "/reports/")
    with page.expect_download() as made:
        page.click("#hand-over")
    file = json.loads(made.value.path().read_text())
    assert [report["id"] for report in file["reports"]] == [mine]
    assert file["from"] == cast.driver.pk
    assert len(file["reports"][0]["photos"]) == 1
    assert made.value.suggested_filename.startswith("reports-")
    expect(page.get_by_role("status").filter(has_text="Give it to control")).to_contain_text(
        made.value.suggested_filename
    )


def test_a_draft_is_offered_where_it_was_left(page, cast):
    get_ready(page)
    draft = {"id": str(uuid4()), "author": cast.driver.pk, "unit": "201", "at": 1790000000000}
    other = {"id": str(uuid4()), "author": cast.other_driver.pk, "unit": "401", "at": 1790000000000}
    keep(page, ["put", "drafts", draft], ["put", "drafts", other])
    away(page, "/")
    expect(page.locator(".message", has_text="You started a report on unit 201")).to_contain_text("It’s all here.")
    assert page.locator("text=Carry on").get_attribute("href") == "/reports/new/?unit=201"
    assert page.locator("text=401").count() == 0


# ---- nobody, nothing, other people


def test_signed_out_nothing_is_shown_but_the_number_of_what_waits(page, cast, report):
    report(cast.driver)
    get_ready(page)
    page.context.set_offline(True)
    save(page, cast.driver)
    away(page, "/")
    expect(page.locator("#person span")).to_have_text("Driver 1")
    page.on("dialog", lambda dialog: dialog.accept())
    page.click("#person button")
    expect(page.locator("h1")).to_have_text("Nobody is signed in on this phone")
    assert page.url.endswith("/phone/")
    for path in ("/", "/units/", "/units/201/", "/units/pick/", "/reports/"):
        away(page, path)
        expect(page.locator("h1")).to_have_text("Nobody is signed in on this phone")
        text = page.locator("body").inner_text()
        assert "1 report of another person waits on this phone." in text
        assert not [word for word in ("Driver 1", "201", "Upper air seal", "Do not couple") if word in text]
        assert page.locator("#nav").is_hidden()
        assert page.locator("main a.primary").get_attribute("href") == f"/sign-in/?next={path.replace('/', '%2F')}"
        assert axe_faults(page) == []
    page.context.set_offline(False)  # the cookie still lives; whoever signed out stays signed out
    page.wait_for_timeout(1500)
    page.goto("/phone/")
    expect(page.locator("h1")).to_have_text("Nobody is signed in on this phone")
    assert page.evaluate("() => Store.read('meta', 'user')") is None
    page.click("main a.primary")
    page.fill("input[name=username]", "driver2")
    page.fill("input[name=password]", PASSWORD)
    page.click("main button.primary")
    expect(page.locator("body")).to_contain_text("Driver 2")
    page.goto("/reports/")
    expect(page.locator("#phone-strip")).to_contain_text("1 report of another person waits on this phone.")
    assert page.locator("#on-phone").is_hidden()
    assert not Submission.objects.filter(submitted_by=cast.other_driver).exists()


def test_a_phone_that_knows_no_units_yet_says_so(page, cast):
    page.goto("/")
    page.evaluate(READY)
    keep(page, ["delete", "facts", "facts"], ["delete", "facts", "table"], ["put", "meta", "201", "unit"])
    for path in ("/", "/units/", "/units/201/"):
        away(page, path)
        expect(page.locator(".message")).to_contain_text("The units are not on this phone yet.")
    away(page, "/")
    assert page.locator("main a.primary").inner_text() == "Report damage"
    keep(page, ["delete", "meta", "unit"])
    away(page, "/")
    expect(page.locator("h1")).to_have_text("No unit picked yet")
    expect(page.locator(".empty")).to_have_text("No report is on this phone.")
    away(page, "/reports/")
    expect(page.locator(".empty")).to_contain_text("You have not reported anything on this phone.")


def test_a_browser_that_keeps_nothing_is_told_what_that_means(page):
    page.add_init_script(BLOCKED)
    page.goto("/phone/")
    expect(page.locator("h1")).to_have_text("This browser keeps nothing")
    assert page.locator("main a.primary").get_attribute("href") == "/reports/new/?plain=1"
    assert axe_faults(page) == []


def test_new_facts_fill_a_page_that_is_open_and_a_search_is_left_alone(page, cast, report):
    get_ready(page)
    away(page, "/units/201/")
    assert page.locator("li.card").count() == 0
    report(cast.driver)
    page.context.set_offline(False)
    page.evaluate("() => Outbox.refresh(true)")
    expect(page.locator("li.card")).to_contain_text("5 Upper air seal: The rubber is torn or has a flap")
    page.context.set_offline(True)
    away(page, "/units/")
    page.get_by_label("Find a unit").fill("40")
    page.evaluate("(at) => Store.change('facts', 'facts', (facts) => ({...facts, at}))", "2026-11-24T01:00Z")
    page.evaluate("() => dispatchEvent(new Event('outbox-send'))")
    page.wait_for_timeout(800)
    assert page.get_by_label("Find a unit").input_value() == "40"
    assert texts(page.locator("li.card:visible h2")) == ["401 3N"]


@pytest.mark.parametrize("part", ["%E0%A4%A", "%3Cimg%20src=x%3E", "constructor", "201A"])
def test_an_odd_number_in_the_address_is_a_unit_that_is_not_on_the_list(page, part):
    get_ready(page)
    away(page, f"/units/{part}/")
    expect(page.locator("h1")).to_contain_text("is not on the list on this phone")
    assert page.locator("main img").count() == 0


def test_without_the_store_of_pages_units_are_shown_without_their_picture(page, cast, report):
    report(cast.driver)
    get_ready(page)
    keep(page, ["put", "meta", "201", "unit"])
    page.add_init_script("Object.defineProperty(self, 'caches', {value: undefined})")
    away(page, "/units/201/")
    assert page.locator("svg.face").count() == 0
    assert page.locator("li.card").count() == 1


def test_nothing_personal_is_in_the_shell(client_of, cast, report):
    report(cast.driver)
    client = client_of(cast.driver)
    client.get("/")
    answer = client.get("/phone/")
    html = answer.content.decode()
    assert not answer.cookies
    for word in ("Driver 1", "driver1", "201", "csrf", "data-person", "data-unit", "sessionid"):
        assert word not in html
    assert "style=" not in html
    assert "<script>" not in html


# ---- on the logbook's own pages


def test_the_logbooks_pages_show_what_is_on_this_phone(page, cast):
    get_ready(page)
    assert page.locator("#on-phone").is_hidden()
    page.route("**/phone/session/", lambda route: route.abort())
    save(page, cast.driver, ago=2 * 3600_000)
    for path in ("/", "/reports/"):
        page.goto(path)
        section = page.locator("#on-phone")
        expect(section.locator("h2").first).to_have_text("On this phone, not sent")
        expect(section.locator("li.card")).to_contain_text("201, A end: 5 Upper air seal")
        expect(section).to_contain_text("This report has been on your phone for 2 hours.")
        assert page.locator("main .primary").count() == (1 if path == "/" else 0)
        assert axe_faults(page) == []
    page.unroute("**/phone/session/")
    page.locator("#on-phone #send-now").click()
    expect(page.locator("#on-phone")).to_be_hidden()
    assert Submission.objects.count() == 1


def test_the_start_page_says_whether_it_is_ready_without_signal(page):
    page.route("**/rules/table.json", lambda route: route.abort())
    page.goto("/")
    expect(page.locator("#ready")).to_contain_text("Not ready without signal yet.")
    page.unroute("**/rules/table.json")
    get_ready(page)
    expect(page.locator("#ready")).to_contain_text("✓ Ready without signal.")
    expect(page.locator("#ready")).to_contain_text("This phone ")
    assert "home screen" not in page.locator("#ready").inner_text()


def test_an_iphones_tab_asks_for_the_home_screen(page):
    page.add_init_script("Object.defineProperty(navigator, 'standalone', {value: false})")
    page.goto("/")
    expect(page.locator("#ready")).to_contain_text(
        "Add this page to your home screen: Share, then “Add to Home Screen”."
    )
    expect(page.locator("#ready")).to_contain_text("A report saved in this tab stays in this tab: send it first.")


def test_a_browser_that_offers_to_install_is_taken_at_its_word(page):
    page.goto("/")
    expect(page.locator("#ready h2")).to_be_visible()
    page.evaluate(
        """() => dispatchEvent(Object.assign(new Event("beforeinstallprompt", { cancelable: true }), {
          prompt: () => { document.body.dataset.prompted = "yes"; } }))"""
    )
    page.click("text=Put it on the home screen")
    assert page.locator("body").get_attribute("data-prompted") == "yes"


def test_without_scripts_the_sections_are_not_there(chromium, live_server, sign_in, cast, railway):
    context = chromium.new_context(base_url=live_server.url, java_script_enabled=False)
    page = context.new_page()
    sign_in(page, cast.driver)
    for path in ("/", "/reports/"):
        page.goto(path)
        assert page.locator("#on-phone").is_hidden()
    page.goto("/")
    assert page.locator("#ready").is_hidden()
    context.close()


def test_tab_leads_through_the_pages_in_their_order(page, cast, report):
    report(cast.driver)
    get_ready(page)
    save(page, cast.driver)
    keep(page, ["put", "meta", "201", "unit"])
    away(page, "/")
    stops = []
    for _ in range(11):
        page.keyboard.press("Tab")
        stops.append(probe(page, "focused"))
    names = [stop["what"] for stop in stops]
    assert names[:6] == ["Skip to the page", "Coupler Logbook", "Sign out", "Start", "My reports", "Units"]
    order = ["Change unit", "Report damage", "Looked, nothing found", "All reports"]
    assert [name for name in names if name in order] == order[:3]
    assert [stop for stop in stops if stop["outline"] < 4] == []
