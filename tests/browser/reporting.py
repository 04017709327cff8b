"""Steps the browser tests of the report page share."""

import io
import re

from PIL import Image
from playwright.sync_api import expect

PHONE = {"width": 360, "height": 640}


def photo(name="seal.jpg", colour="red", size=(80, 60)):
    """A file as a phone's camera gives it."""
    out = io.BytesIO()
    Image.new("RGB", size, colour).save(out, "JPEG")
    return {"name": name, "mimeType": "image/jpeg", "buffer": out.getvalue()}


def is_ready(page):
    """Wait until every script of the report page has begun."""
    expect(page.locator("form[data-ready]")).to_be_attached()


def open_report(page, query="?unit=201"):
    page.goto(f"/reports/new/{query}")
    is_ready(page)


def wait_until(page, promised):
    """Wait for what a promise on the page says to become true."""
    for _ in range(100):
        if page.evaluate(promised):
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"not within ten seconds: {promised}")


def all_sent(page):
    """Wait until the logbook has everything of this phone, photos too."""
    wait_until(page, "Outbox.unsent().then((count) => !count)")


def settle(page):
    """Wait until the worker answers for the pages to come and the facts are on the phone."""
    page.evaluate("navigator.serviceWorker.ready.then(() => 1)")
    wait_until(page, "Store.read('facts', 'facts').then(Boolean)")


def open_shell(page, query="?unit=201"):
    """The same page as the phone keeps it, answered by the worker."""
    page.goto("/")
    settle(page)
    open_report(page, query)
    assert page.evaluate("document.getElementById('report').dataset.page === undefined")


def answer(page, question, words):
    page.locator(f"#q-{question} label:visible", has_text=words).first.click()


def in_situation(page, words):
    page.locator("#q-situation label").get_by_text(words, exact=True).click()


def common(page, situation="Uncoupled"):
    """The common report, answered."""
    answer(page, "end", "A end")
    page.click("svg [data-slot=air-upper]:visible")
    answer(page, "sign", "is torn")
    in_situation(page, situation)


def send(page):
    """Press Send; the panel is there."""
    page.click("#send")
    expect(page.locator("main .sync")).to_be_visible()


def received(page):
    """The panel says that the logbook has it; gives the report's id."""
    expect(page.locator("main .sync-received")).to_be_visible()
    return re.search(r"#sent-([0-9a-f-]{36})$", page.url)[1]


def kept(page):
    """The one draft on this phone, once all that was asked to be written is."""
    page.wait_for_timeout(400)
    drafts = page.evaluate(
        "Store.all('drafts').then((all) => all.map(({ photos, ...draft }) => ({ ...draft, shots: photos.length })))"
    )
    return drafts[0] if len(drafts) == 1 else drafts


def forget_drafts(page):
    page.evaluate(
        "Store.all('drafts').then((all) => Promise.all(all.map(({ id }) => Store.write([['delete', 'drafts', id]]))))"
    )


def posted(page):
    """What the form would post, without its token and files."""
    data = page.evaluate(
        """() => Object.fromEntries([...new FormData(document.getElementById('report'))]
          .filter(([name, value]) => name !== 'csrfmiddlewaretoken' && typeof value === 'string'))"""
    )
    return {name: value for name, value in data.items() if name != "photos"}
