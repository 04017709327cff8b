"""The whole story in one browser: report with a photo, control, card, repair, test, check, the manager's page."""

from io import BytesIO

import pytest
from django.utils import timezone
from PIL import Image
from playwright.sync_api import expect
from pypdf import PdfReader

from fleet.models import Place
from inspections import closing, grading, log
from inspections.models import CloseOut, Finding, LogEntry, Photo
from tests.conftest import PASSWORD

pytestmark = pytest.mark.browser


def photo():
    file = BytesIO()
    Image.new("RGB", (320, 240), "dimgrey").save(file, "JPEG")
    return {"name": "seal.jpg", "mimeType": "image/jpeg", "buffer": file.getvalue()}


def pick_answer(page, question, words):
    page.locator(f"#q-{question} label:visible", has_text=words).first.click()


def report(page):
    """The driver: a torn upper air seal on 201 A, with a photo. Gives the reference."""
    page.goto("/units/pick/")
    page.fill("#id_unit", "201")
    page.click("text=Use this unit")
    page.goto("/")
    page.locator("a.primary").click()
    pick_answer(page, "end", "A end")
    page.click("svg [data-slot=air-upper]")
    pick_answer(page, "sign", "is torn")
    pick_answer(page, "situation", "About to couple")
    expect(page.locator("#verdict")).to_contain_text("Do not couple at this end")
    page.locator("input[type=file][capture]").set_input_files(photo())
    page.locator("#send").click()
    expect(page.locator("main")).to_contain_text("The logbook has your report")
    expect(page.locator("main")).to_contain_text("Control has not looked yet")
    return Finding.objects.get()


def control(page, finding):
    """Control: opens the report, has looked, tells the signaller, plans the visit."""
    page.goto("/findings/new/")
    page.locator("a.primary").click()
    expect(page.locator("h1")).to_contain_text("201")
    page.click("text=I have looked")
    page.goto(f"/findings/{finding.ref}/")
    page.locator("summary", has_text="Record who was told").click()
    page.fill("#id_tell_whom", "Signaller")
    page.locator("form[action$='/tell/'] label", has_text="By phone").click()
    page.locator("form[action$='/tell/'] button").click()
    page.goto(f"/findings/{finding.ref}/")
    plan = page.locator("form[action$='/plan/']")
    if not plan.is_visible():
        page.locator("summary", has_text="Plan the work").click()
    plan.locator("select").select_option(label=Place.objects.get(code="BRK").name)
    plan.locator("input[type=date]").fill(f"{timezone.localdate():%Y-%m-%d}")
    plan.locator("label", has_text="Early").click()
    plan.locator("button").click()
    finding.refresh_from_db()
    assert (finding.state, finding.visit.depot.code) == ("planned", "BRK")


def card(page, finding):
    """The fitter: takes the job and prints the card; gives its text."""
    page.goto(f"/work/?depot={finding.visit.depot.code}")
    page.locator(f"a[href*='{finding.ref}']").first.click()
    page.click("text=Take this job")
    page.goto(f"/findings/{finding.ref}/")
    form = page.locator("form[action$='card.pdf']")
    token = form.locator("input[name=csrfmiddlewaretoken]").input_value()
    answer = page.request.post(
        form.get_attribute("action"), form={"csrfmiddlewaretoken": token}, headers={"Referer": page.url}
    )
    assert answer.headers["content-type"] == "application/pdf"
    return "\n".join(sheet.extract_text() for sheet in PdfReader(BytesIO(answer.body())).pages)


def enter(page, finding, outside):
    """The fitter enters results; `outside` puts the first limited test outside its limit."""
    page.goto(f"/findings/{finding.ref}/close/?found=seal-torn")
    page.locator("label", has_text="Wear or age").click()
    page.locator("input[name=action]").first.locator("xpath=following-sibling::label").click()
    rules = grading.ruleset()
    for code in closing.tests_asked(finding, "seal-torn"):
        test = rules.tests[code]
        field = page.locator(f"[name$='{code}']")
        if test.kind == "value":
            limit = test.high if test.high is not None else test.low
            field.first.fill(f"{limit * 2 if outside and test.high is not None else limit:f}")
        else:
            field.first.locator("xpath=following-sibling::label").click()
    page.get_by_text("Repaired", exact=True).click()
    page.click("text=Check what I sign")


def open_undesirable(page, sign_in, manager):
    """How many open and undesirable findings the manager is shown, by way of the page that opens for a manager."""
    sign_in(page, manager)
    page.goto("/recurring/")
    page.click("text=All open findings")
    return page.locator("main .card", has_text="Undesirable").count()


def test_the_story(browser_page, sign_in, cast, railway):
    page = browser_page
    page.set_default_timeout(15_000)
    sign_in(page, cast.driver)
    finding = report(page)
    for _ in range(100):  # it follows the words
        if Photo.objects.filter(state="stored").exists():
            break
        page.wait_for_timeout(100)
    assert Photo.objects.get().state == "stored"

    sign_in(page, cast.controller)
    control(page, finding)
    sign_in(page, cast.driver)
    page.goto("/reports/")
    page.locator("main a[href*='/reports/']").first.click()
    expect(page.locator("main")).to_contain_text("Seen by control")

    assert open_undesirable(page, sign_in, cast.manager) == 1

    sign_in(page, cast.fitter)
    printed = card(page, finding)
    assert "201" in printed
    assert finding.spoken_ref in printed
    assert "Upper air seal" in printed
    enter(page, finding, outside=True)
    expect(page.locator("main")).to_contain_text("over the limit")
    assert not CloseOut.objects.exists()
    enter(page, finding, outside=False)
    page.fill("input[type=password]", PASSWORD)
    page.get_by_role("button", name="Sign", exact=True).click()
    close = CloseOut.objects.get()
    assert close.outcome == "repaired"

    finding.refresh_from_db()
    if close.check_needed:
        sign_in(page, cast.checker)
        page.goto(f"/findings/{finding.ref}/check/")
        page.fill("input[type=password]", PASSWORD)
        page.locator("main button.primary").click()
        finding.refresh_from_db()
    assert finding.state == "closed"

    assert open_undesirable(page, sign_in, cast.manager) == 0
    kinds = list(LogEntry.objects.values_list("kind", flat=True))
    for kind in (
        "report stored",
        "opened",
        "graded",
        "looked at",
        "told",
        "planned",
        "taken",
        "card printed",
    ):
        assert kind in kinds, kind
    assert "signed" in kinds
    assert log.first_break() is None


def test_no_page_asks_another_host(browser_page, live_server, sign_in, cast, railway, report):
    """Every request of every page a role can reach goes to this server."""
    receipt = report(cast.driver)
    asked = set()
    browser_page.on("request", lambda request: asked.add(request.url.split("/")[2]))
    here = live_server.url.split("/")[2]
    visits = {
        "driver": ["/", "/reports/new/?unit=201", "/units/", "/units/201/", "/reports/", f"/reports/{receipt.id}/"],
        "controller": ["/findings/new/", f"/findings/{receipt.refs[0]}/", "/reports/quarantine/", "/findings/"],
        "fitter": ["/work/"],
        "manager": ["/recurring/"],
    }
    browser_page.goto("/sign-in/")
    for who, pages in visits.items():
        sign_in(browser_page, getattr(cast, who))
        for address in pages:
            assert browser_page.goto(address).status == 200, address
    assert asked == {here}
