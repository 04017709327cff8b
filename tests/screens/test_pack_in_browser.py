"""The shift pack in a browser: how far it is, the file it gives, what is said where it fails, no script at all."""

import os
from pathlib import Path

import pytest
from django.conf import settings

from tests.look.probes import axe_faults
from tests.screens.desk import finding_of, planned

pytestmark = pytest.mark.django_db(transaction=True)
PAGE = "/work/pack/?depot=BRK&day=2026-11-24&shift=late"
SHOTS = os.environ.get("PACK_SHOTS")  # a folder for pictures to look at


@pytest.fixture
def jobs(cast, railway, report, now):
    for unit in ("201", "202", "301"):
        planned(cast, railway, finding_of(report(cast.driver, unit=unit)), now)


def shot(page, name):
    if SHOTS:
        page.screenshot(path=Path(SHOTS) / f"{name}.png", full_page=True)


def test_progress_is_shown_and_the_pack_can_be_saved(jobs, cast, browser_page, sign_in):
    sign_in(browser_page, cast.fitter)
    browser_page.goto(PAGE)
    browser_page.evaluate(
        "() => { window.told = []; new MutationObserver(() => window.told.push(document.getElementById('pack-said')"
        ".textContent)).observe(document.getElementById('pack-said'), {childList: true, characterData: true}); }"
    )
    browser_page.get_by_role("button", name="Make the shift pack (PDF)").click()
    link = browser_page.get_by_role("link", name="Save the pack (PDF)")
    link.wait_for()
    assert link.evaluate("link => link === document.activeElement")
    said = browser_page.evaluate("window.told")
    assert said[0] == "Reading the jobs."
    assert said[-1] == "The pack is made. Save the pack (PDF)"
    with browser_page.expect_download() as downloaded:
        link.click()
    assert downloaded.value.suggested_filename == "pack-BRK-2026-11-24-late.pdf"
    assert Path(downloaded.value.path()).read_bytes().startswith(b"%PDF")
    shot(browser_page, "pack-done")


def test_a_lost_connection_is_said_and_the_button_works_again(jobs, cast, browser_page, sign_in):
    sign_in(browser_page, cast.fitter)
    browser_page.goto(PAGE)
    browser_page.route("**/work/pack.pdf", lambda route: route.fulfill(body="1 6\n2 6\npdf 99999\n%PDF"))
    browser_page.get_by_role("button", name="Make the shift pack (PDF)").click()
    browser_page.get_by_text("The pack was not finished: the connection was lost. Make it again.").wait_for()
    assert browser_page.get_by_role("button", name="Make the shift pack (PDF)").is_enabled()
    shot(browser_page, "pack-lost")


def test_signed_out_meanwhile_is_said(jobs, cast, browser_page, sign_in):
    sign_in(browser_page, cast.fitter)
    browser_page.goto(PAGE)
    browser_page.context.clear_cookies(name=settings.SESSION_COOKIE_NAME)
    browser_page.get_by_role("button", name="Make the shift pack (PDF)").click()
    browser_page.get_by_text("The pack was not made: sign in again, then make it.").wait_for()


@pytest.mark.parametrize("night", [False, True])
@pytest.mark.parametrize(("width", "height"), [(360, 640), (768, 1024), (1280, 800)])
def test_the_page_fits_every_screen_and_axe_finds_nothing(
    jobs, cast, railway, chromium, live_server, sign_in, width, height, night
):
    context = chromium.new_context(
        viewport={"width": width, "height": height},
        base_url=live_server.url,
        color_scheme="dark" if night else "light",
    )
    page = context.new_page()
    sign_in(page, cast.fitter)
    for address, name in ((PAGE, "pack"), ("/work/pack/?depot=ELM", "pack-empty"), ("/work/?depot=BRK", "work")):
        page.goto(address)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert axe_faults(page) == []
        shot(page, f"{name}-{width}-{'night' if night else 'light'}")
    context.close()


def test_without_scripts_the_form_gives_the_pdf(jobs, cast, chromium, live_server, sign_in):
    context = chromium.new_context(java_script_enabled=False, base_url=live_server.url)
    page = context.new_page()
    sign_in(page, cast.fitter)
    page.goto(PAGE)
    with page.expect_response("**/work/pack.pdf") as answered:
        page.get_by_role("button", name="Make the shift pack (PDF)").click()
    assert (answered.value.status, answered.value.headers["content-type"]) == (200, "application/pdf")
    context.close()
