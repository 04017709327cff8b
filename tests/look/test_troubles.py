"""Pages for what went wrong, sign-in, and the page frame for those who are signed in or not."""

import re
from html import unescape

import pytest
from django.contrib.auth.forms import PasswordChangeForm
from django.template.loader import render_to_string

from tests.conftest import PASSWORD
from tests.look import samples
from tests.look.probes import axe_faults, probe

PAGES = [f"{status}.html" for status in (400, 403, 404, 405, 413, 429, 500, 503)] + ["pages/locked_out.html"]


def words(html):
    """What a reader sees of the page's own part."""
    main = html.split("<main", 1)[1].split("</main>", 1)[0]
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", main[main.index(">") + 1 :]))).strip()


@pytest.mark.parametrize("name", PAGES)
def test_says_what_happened_where_the_work_is_and_one_way_on(name):
    """Rendered without user, request or database (the test may touch none)."""
    html = samples.trouble(name)
    text = words(html)
    assert "Problem: " in html.split("</title>")[0]
    assert "on this phone" not in text  # pages keep nothing on the phone: none may say so
    assert "01632 960 100" in text
    assert html.count('class="primary"') == 1
    assert "sign-out" not in html
    assert "!" not in text
    assert "success" not in text
    sentences = [s for s in re.split(r"[.?:;] ", text) if s]
    assert max(len(s.split()) for s in sentences) <= 25


@pytest.mark.parametrize("name", PAGES)
def test_reads_no_user_and_no_message(name):
    class Untouchable:
        def __getattr__(self, name):
            raise AssertionError(f"the page read {name}")

        def __iter__(self):
            raise AssertionError("the page read the messages")

    html = samples.trouble(name, user=Untouchable(), messages=Untouchable())
    assert "<h1>" in html


def test_without_a_number_the_page_still_says_whom_to_call():
    text = words(render_to_string("500.html"))
    assert "call control." in text


def test_an_expired_form_is_told_apart_from_no_access():
    assert "open too long" in words(samples.trouble("403.html", form_expired=True))
    assert "not open to you" in words(samples.trouble("403.html"))


def test_sign_in_works_for_everybody(look, client, db):
    html = client.get("/sign-in/").content.decode()
    page = look(html)
    assert axe_faults(page) == []
    assert probe(page, "fieldFaults") == []
    assert probe(page, "sideways") == []
    assert probe(page, "smallTargets", 44, 44) == []
    assert page.get_by_label("Username").get_attribute("autocomplete") == "username"
    secret = page.get_by_label("Password", exact=True)
    assert secret.get_attribute("autocomplete") == "current-password"
    secret.evaluate("(n) => n.dispatchEvent(new ClipboardEvent('paste', {cancelable: true})) || n.remove()")
    page.get_by_role("button", name="Show what I typed").click()
    assert secret.get_attribute("type") == "text"
    assert page.get_by_label("stay signed in for 30 days").get_attribute("name") == "own_phone"
    assert not page.get_by_label("stay signed in for 30 days").is_checked()


def test_a_wrong_password_is_told_and_the_box_stays_ticked(look, client, cast):
    sent = {"username": "driver1", "password": "wrong", "own_phone": "on", "next": "/units/"}
    html = client.post("/sign-in/", sent).content.decode()
    page = look(html)
    assert page.title().startswith("Problem: ")
    assert page.locator(".problems").is_visible()
    assert page.get_by_label("stay signed in for 30 days").is_checked()
    assert page.locator("[name=next]").get_attribute("value") == "/units/"
    assert "wrong" not in page.locator("#id_password").evaluate("(n) => n.value")
    assert axe_faults(page) == []


def test_after_ten_wrong_tries_the_page_says_when_to_come_back(client, cast, settings):
    for _ in range(settings.AXES_FAILURE_LIMIT):
        response = client.post("/sign-in/", {"username": "driver1", "password": "wrong"})
    assert response.status_code == 429
    text = words(response.content.decode())
    assert "Try again in 15 minutes" in text
    assert settings.CONTROL_PHONE in text
    assert client.post("/sign-in/", {"username": "driver2", "password": PASSWORD}).status_code == 302


def test_the_password_page(look, cast):
    form = PasswordChangeForm(cast.driver, {"old_password": "x", "new_password1": "short", "new_password2": "other"})
    page = look(render_to_string("pages/password_change.html", samples.context(form=form)))
    assert page.title().startswith("Problem: ")
    assert probe(page, "fieldFaults") == []
    assert axe_faults(page) == []
    assert page.get_by_role("button", name="Show what I typed").count() == 3


def test_the_frame_greets_the_person_and_offers_a_way_out(look):
    page = look(samples.desk_page())
    assert page.locator(".person").inner_text().startswith("Driver 1")
    assert page.locator(".person").get_attribute("method") == "post"
    assert page.locator(".nav [aria-current=page]").inner_text() == "New reports"
    stranger = look(samples.page("desk_page", user=None, nav=[], noon=samples.NOON))
    assert stranger.locator(".person, .nav").count() == 0


def test_the_caution_and_controls_number_are_on_every_page():
    for html in (samples.desk_page(), samples.driver_page(), *map(samples.trouble, PAGES)):
        foot = html.split("<footer", 1)[1]
        assert "rule book, the signaller and control decide" in foot
        assert "01632 960 100" in foot


def test_names_and_numbers_from_outside_are_text():
    person = samples.SimpleNamespace(is_authenticated=True, get_full_name="<b>Driver</b>")
    html = samples.page("desk_page", user=person, control_phone="<i>1</i>", noon=samples.NOON)
    assert "<b>Driver" not in html
    assert "<i>1" not in html
