"""Can these two couple? The page, who may ask, what is wrong with a question; and the same page without signal."""

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from playwright.sync_api import expect

from fleet.models import WeatherAlert
from inspections import labels, workflow
from inspections.models import LogEntry
from inspections.rules.limits import Limits
from tests.look.probes import axe_faults, probe
from tests.screens.desk import ESCAPED, HOSTILE

PAGE = "/couple/"
PAIR = {"one": "201", "one_end": "A", "other": "301", "other_end": "B"}
LOOKED = {"apart": "5", "curve": "0", "gradient": "0"}
CALM = "Joins in full."


@pytest.fixture
def driver(client_of, cast, railway):
    return client_of(cast.driver)


def text_of(answer, status=200):
    assert answer.status_code == status
    return answer.content.decode()


def ask(client, **changes):
    return text_of(client.get(PAGE, PAIR | LOOKED | changes))


@pytest.mark.parametrize("role", ["driver", "fitter", "checker", "controller", "manager", "engineer"])
def test_every_role_is_told(client_of, cast, railway, role):
    page = ask(client_of(getattr(cast, role)))
    assert "201 A with 301 B" in page
    assert CALM in page
    assert "It never says that a unit may run" in page
    assert "Lock marks, pull test, brake continuity from the far cab." in page
    assert "As known at" in page
    assert "Heights: 5 mm apart. Curve: none, straight track. Gradient: 0 per mille." in page


def test_whoever_has_no_role_is_not(client_of, cast, railway):
    assert client_of(cast.outsider).get(PAGE, PAIR).status_code == 403


def test_asking_writes_nothing(driver):
    ask(driver)
    assert not LogEntry.objects.exists()


def test_the_question_opens_with_the_unit_of_today_or_the_one_linked_from(driver):
    driver.post("/units/pick/", {"unit": "202"})
    page = driver.get(PAGE)
    assert page.context["form"]["one"].value() == "202"
    assert "Joins" not in page.content.decode().split('<form method="get"')[0]
    linked = driver.get(f"{PAGE}?one=301&one_end=B").context["form"]
    assert (linked["one"].value(), linked["one_end"].value()) == ("301", "B")
    assert not linked.errors


def test_what_is_not_known_is_looked_at_first(driver):
    page = text_of(driver.get(PAGE, PAIR))
    assert "Not yet: look first." in page
    assert "If all is well: Joins in full." in page
    assert "Compare both heads from clear. Have a step measured." in page
    assert "Gradient: not known. <strong>Not yet: look first.</strong>" in page
    assert "Do not couple" not in page
    assert "Heights: not known. Curve: not known. Gradient: not known." in page


def test_the_place_tells_what_is_recorded_of_it(driver, railway):
    WeatherAlert.objects.create(place=railway.places["THO"], weather="frost", since=timezone.now())
    page = text_of(driver.get(PAGE, PAIR | {"apart": "5", "gradient": "0", "place": "THO"}))
    assert "Place: Thornhope. Weather: frost or snow. Heights: 5 mm apart. Curve: 160 m." in page
    assert "No ice on faces" in page


def test_each_reason_names_its_end_what_it_allows_and_where_it_comes_from(driver, client_of, cast, railway, report):
    ref = report(cast.driver, part="hook", symptom="lock-marks-out", situation="C").refs[0]
    page = ask(driver)
    assert "<strong>201 A:</strong>" in page
    assert "Do not couple these two ends." in page
    assert f"(report {ref[:4]} {ref[4:]})" in page
    now = timezone.now()
    workflow.restrict(
        end=railway.ends["301 B"],
        unit=None,
        limits=Limits(couple="attended"),
        why=HOSTILE,
        by=cast.controller,
        now=now,
    )
    labels.hang(
        number="17", end=railway.ends["301 B"], unit=None, shows="x", restriction=None, by=cast.controller, now=now
    )
    page = ask(driver)
    assert "(restriction by control)" in page
    assert ESCAPED not in page
    assert "Label 17 hangs here." in page
    theirs = ask(client_of(cast.controller))
    assert ESCAPED in theirs
    assert "<script>alert" not in theirs


def test_units_that_are_not_on_the_list(driver):
    page = ask(driver, other="471")
    assert "Do not couple these two ends." in page
    assert "Not on our list: nothing is known of it." in page
    assert "Pattern not known." in page


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"one": ""}, "Enter the unit number, 3 to 6 digits"),
        ({"other": "<b>"}, "Enter the unit number, 3 to 6 digits"),
        ({"one_end": ""}, "Choose which end of each unit"),
        ({"other_end": "C"}, "Choose which end of each unit"),
        ({"apart": "wide"}, "“Difference in height of the two heads, in mm” is not understood"),
        ({"apart": "-5"}, "at least 0"),
        ({"apart": "1e9"}, "at most 2000"),
        ({"apart": "NaN"}, "is not understood"),
        ({"curve": "160.5"}, "too many digits: at most 0 after the point"),
        ({"gradient": "1000"}, "at most 999"),
        ({"place": "XXX"}, "“Place”: choose one of the answers shown"),
        ({"weather": "hail"}, "“Weather there”: choose one of the answers shown"),
    ],
)
def test_a_question_that_cannot_be_understood_keeps_what_was_typed(driver, changes, sentence):
    said = PAIR | LOOKED | changes
    answer = driver.get(PAGE, said)
    page = text_of(answer, 422)
    assert sentence in page
    assert "<title>Problem:" in page
    assert CALM not in page
    form = answer.context["form"]
    assert {name: form[name].value() for name in said} == said


def test_queries_are_few_and_the_same(driver, cast, report):
    ask(driver)

    def count():
        with CaptureQueriesContext(connection) as queries:
            ask(driver)
        return len(queries)

    report(cast.driver)
    before = count()
    for _ in range(8):
        report(cast.driver, part="handle", symptom="handle-stiff")
        report(cast.driver, unit="301", end="B")
    assert count() == before
    assert before < 40


# ---- in a browser


@pytest.fixture
def page(browser_page, sign_in, cast, railway):
    sign_in(browser_page, cast.driver)
    browser_page.set_default_timeout(10_000)
    return browser_page


READY = """async () => {
  for (let n = 0; n < 100; n++) {
    if ((await Store.read("facts", "facts")) && (await Store.read("facts", "table"))) return true;
    await new Promise((done) => setTimeout(done, 100));
  }
  return false;
}"""


def query(**said):
    return "?" + "&".join(f"{name}={value}" for name, value in said.items())


def said_of(page):
    """The answer's words, less when it is known."""
    words = page.locator("#answer").inner_text()
    return re.sub(r"As known at [^.]*\.", "", re.sub(r"\s+", " ", words))


def rendered_here(page, asked):
    """The page as the phone makes it of what it keeps, at the same address."""
    page.goto("/units/")
    assert page.evaluate(READY)
    page.evaluate("(query) => history.replaceState(null, '', `/couple/${query}`)", asked)
    for name in ("rules", "couple", "ask"):
        page.add_script_tag(url=f"/static/js/{name}.js")
    page.evaluate("""async () => {
      const box = document.createElement("div");
      const heading = Object.assign(document.createElement("h1"), { textContent: "Can these two couple?" });
      document.querySelector("main").replaceChildren(heading, box);
      await Ask.render(box);
    }""")


@pytest.mark.browser
def test_the_phone_makes_the_same_page(page, cast, railway, report):
    at = timezone.now()
    report(cast.driver, unit="401", end="B", part="handle", symptom="handle-stiff", received=at)
    labels.hang(
        number="17", end=railway.ends["401 B"], unit=None, shows="x", restriction=None, by=cast.controller, now=at
    )
    for asked in (
        query(**PAIR, **LOOKED),
        query(**PAIR),
        query(one="201", one_end="B", other="401", other_end="B", place="THO", apart="60.5", gradient="12"),
        query(one="201", one_end="B", other="401", other_end="B", gradient="012.0", weather="wet"),
        query(one="201", one_end="B", other="471", other_end="B"),
    ):
        page.goto(f"/couple/{asked}")
        theirs = said_of(page)
        rendered_here(page, asked)
        assert said_of(page) == theirs, asked
        assert axe_faults(page) == []
        assert probe(page, "sideways") == []


@pytest.mark.browser
def test_the_phone_asks_and_says_what_is_wrong(page):
    rendered_here(page, "?one=201")
    expect(page.locator("[name=one]")).to_have_value("201")
    assert not page.locator("#answer").count()
    rendered_here(page, query(one="x", other="<b>", one_end="A", apart="wide"))
    for words in ("Enter the unit number", "Choose which end of each unit", "is not understood"):
        expect(page.locator(".problems")).to_contain_text(words)
    expect(page.locator("[name=one]")).to_have_value("x")
    expect(page.locator("[name=apart]")).to_have_value("wide")
    assert axe_faults(page) == []


@pytest.mark.browser
def test_without_facts_it_says_so(page):
    rendered_here(page, "")
    page.evaluate("Store.write([['delete', 'facts', 'facts']])")
    page.evaluate("Ask.render(document.querySelector('main'))")
    expect(page.locator("main")).to_contain_text("The units are not on this phone yet.")


@pytest.mark.browser
def test_old_facts_are_said_to_be_old(page):
    rendered_here(page, query(**PAIR))
    page.evaluate("""async () => {
      const facts = await Store.read("facts", "facts");
      await Store.write([["put", "facts", { ...facts, at: "2026-11-20T05:48Z" }, "facts"]]);
      await Ask.render(document.querySelector("main > div"));
    }""")
    expect(page.locator("main")).to_contain_text("This phone last heard of the units")
    expect(page.locator(".known")).to_contain_text("20 November 2026")


@pytest.mark.browser
@pytest.mark.parametrize("night", [False, True], ids=["day", "night"])
def test_the_page_itself_reads_well(page, night):
    page.goto(f"/couple/{query(**PAIR)}")
    page.evaluate("(theme) => (document.documentElement.dataset.theme = theme)", "night" if night else "day")
    assert axe_faults(page) == []
    assert probe(page, "contrast", 7)["low"] == []
    for width in (320, 360, 768, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        assert probe(page, "sideways") == [], width
