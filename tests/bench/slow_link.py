"""What a driver waits for on a link of 50 kbit/s with round trips of half a second, in a real Chromium.

    python -m tests.bench.slow_link [--no-dying]

The proxy paces every byte both ways, the worker's too, and lets each new connection wait a round trip. Budgets are
those of the product; anything over one is marked and the run fails. Encryption is not simulated: it adds two round
trips to the first connection.
"""

import argparse
import io
import os
import random
import sys
import tempfile
import threading
import time
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from tests.faults.proxy import FaultProxy, Link
from tests.faults.server import Server

RATE, TRIP = 50_000 / 8, 0.5
UP, DEAD = 30.0, 5.0  # seconds that a dying link lives, and is dead
CHROMIUM = "/usr/bin/chromium"
QUIET = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
USABLE = "Boolean(self.Report) && document.getElementById('report').offsetHeight > 0"
WHOLE = "document.getElementById('report')?.dataset.ready === 'yes'"
READY = """async () => {
  if (!navigator.serviceWorker?.controller) return false;
  return Boolean((await Store.read("facts", "facts")) && (await Store.read("facts", "table")));
}"""


class Figures:
    """Lines of what was measured; `failed` once one is over its budget."""

    def __init__(self):
        self.failed = False

    def tell(self, what: str, value: float, unit: str, most: float | None = None) -> None:
        over = most is not None and value > most
        self.failed = self.failed or over
        budget = "" if most is None else f"   (at most {most:g} {unit}{': OVER' if over else ''})"
        print(f"{what:<58}{value:8.2f} {unit}{budget}", flush=True)


def until(page, expression: str, seconds: float = 120) -> float:
    """Wait until this is true on the page; when that was."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            if page.evaluate(expression):
                return time.monotonic()
        except Exception as error:  # noqa: BLE001 (the page was on its way elsewhere)
            if "destroyed" not in str(error) and "navigat" not in str(error):
                raise
        page.wait_for_timeout(20)
    raise SystemExit(f"not within {seconds} s: {expression}")


def camera(number: int) -> dict:
    """A photo of 12 million pixels with some grain, as a file for the page's input."""
    out = io.BytesIO()
    grain = Image.frombytes("RGB", (400, 300), random.Random(number).randbytes(400 * 300 * 3))
    grain.resize((4000, 3000)).save(out, "JPEG", quality=85)
    return {"name": f"{number}.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}


class Driver:
    """One phone behind the slow link, signed in as `username`; nothing of ours is cached yet."""

    def __init__(self, browser, server: Server, proxy: FaultProxy, username: str):
        self.server, self.proxy = server, proxy
        self.context = browser.new_context(viewport={"width": 360, "height": 640})
        self.context.add_cookies([{"name": "sid", "value": server.session(username), "url": proxy.base}])
        self.page = self.context.new_page()

    def go(self, path: str) -> float:
        """Start loading a page; when that was."""
        began = time.monotonic()
        self.page.goto(self.proxy.base + path, wait_until="commit")
        return began

    def answer(self) -> None:
        page = self.page
        page.locator("#q-end label", has_text="A end").click()
        page.locator("svg.face:visible [data-slot=air-upper]").click()
        page.locator("#q-sign label:visible", has_text="is torn").first.click()
        page.locator("#q-situation label").get_by_text("Uncoupled", exact=True).click()

    def send_report(self, photos: int) -> float:
        """Answer, take photos, send; when the tap was."""
        self.go("/reports/new/?unit=201")
        until(self.page, WHOLE)
        self.answer()
        for number in range(photos):
            self.page.locator("input[type=file][capture]").set_input_files(camera(number))
            self.page.locator("#shots li").nth(number).wait_for()
        self.page.locator("#send").click()
        return time.monotonic()


def arrived(page, server: Server, table: str, count: int, seconds: float = 400) -> float:
    """When the server's table had so many rows."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if server.rows(f"SELECT count(*) FROM inspections_{table}")[0][0] >= count:  # noqa: S608
            return time.monotonic()
        page.wait_for_timeout(50)
    raise SystemExit(f"{table}: not {count} rows within {seconds} s")


def first_visit(driver: Driver, figures: Figures) -> None:
    """The report page as the very first page, then until everything is there for the time without signal."""
    link, proxy = driver.proxy.link, driver.proxy
    link.moved.update(up=0, down=0)
    proxy.sizes.clear()
    began = driver.go("/reports/new/?unit=201")
    usable = until(driver.page, USABLE)
    usable_bytes = link.moved["down"]
    whole = until(driver.page, WHOLE)
    ready = until(driver.page, READY)
    figures.tell("first visit: form usable after", usable - began, "s", 5)
    figures.tell("first visit: bytes until the form is usable", usable_bytes / 1000, "kB", 20)
    figures.tell("first visit: drafts, verdict, photos work after", whole - began, "s")
    figures.tell("first visit: offline-ready after", ready - began, "s", 15)
    figures.tell("first visit: bytes until offline-ready", link.moved["down"] / 1000, "kB", 60)
    figures.tell("first visit: bytes sent up until then", link.moved["up"] / 1000, "kB")
    driver.page.wait_for_timeout(3_000)
    list_answers(proxy, began, usable, ready)


def list_answers(proxy: FaultProxy, began: float, usable: float, ready: float = float("inf")) -> None:
    print("  every answer until then, with its head, in order:")
    for at, line, size in proxy.sizes:
        mark = "" if at <= usable else "  after usable" if at <= ready else "  after offline-ready"
        print(f"  {at - began:6.1f} s {size:7d} B  {line}{mark}")


def after_signing_in(browser, server: Server, proxy: FaultProxy, figures: Figures) -> None:
    """As a person comes: sign in on the slow link, then tap on Report damage."""
    context = browser.new_context(viewport={"width": 360, "height": 640})
    page = context.new_page()
    page.set_default_timeout(120_000)
    page.goto(proxy.base + "/sign-in/", wait_until="load")
    page.fill("input[name=username]", "driver2")
    page.fill("input[name=password]", "correct horse battery staple")
    moved = proxy.link.moved["down"]
    proxy.sizes.clear()
    began = time.monotonic()
    page.locator("main button.primary").click()
    page.wait_for_url("**/", wait_until="commit")
    page.locator("a.primary, a.secondary", has_text="Report damage").first.click()
    usable = until(page, USABLE)
    figures.tell("signed in by the page, then Report damage: usable after", usable - began, "s")
    figures.tell("  bytes from the tap on Sign in until then", (proxy.link.moved["down"] - moved) / 1000, "kB")
    list_answers(proxy, began, usable)
    context.close()


def later_visits(driver: Driver, figures: Figures) -> None:
    """Without any network, three times: the form from the worker."""
    driver.proxy.fault("down")
    waits = []
    for _ in range(3):
        page = driver.context.new_page()
        began = time.monotonic()
        page.goto(driver.proxy.base + "/reports/new/?unit=201", wait_until="commit")
        waits.append((until(page, USABLE) - began, until(page, WHOLE) - began))
        page.close()
    driver.proxy.clear()
    figures.tell("later visit without network: usable after (best of 3)", min(w[0] for w in waits), "s", 1)
    figures.tell("  all of it works after (best of 3)", min(w[1] for w in waits), "s")


def sending(driver: Driver, figures: Figures) -> None:
    tapped = driver.send_report(2)
    words = arrived(driver.page, driver.server, "submission", 1)
    figures.tell("words in the logbook after Send", words - tapped, "s", 3)
    until(driver.page, "document.querySelector('main').textContent.includes('The logbook has your report')")
    figures.tell("  and the page says so after", time.monotonic() - tapped, "s")
    figures.tell(
        "two photos in the logbook after Send", arrived(driver.page, driver.server, "photo", 2) - tapped, "s", 75
    )


def dying(driver: Driver, figures: Figures) -> None:
    """The link dies every 30 seconds for 5: connections are cut, new ones refused."""
    proxy, over, deaths = driver.proxy, threading.Event(), []

    def live_and_die():
        while not over.wait(UP):
            deaths.append(time.monotonic())
            proxy.fault("down")
            over.wait(DEAD)
            proxy.clear()

    thread = threading.Thread(target=live_and_die, daemon=True)
    tapped = driver.send_report(2)
    thread.start()
    figures.tell("link dying: words after Send", arrived(driver.page, driver.server, "submission", 2) - tapped, "s")
    figures.tell("link dying: two photos after Send", arrived(driver.page, driver.server, "photo", 4) - tapped, "s")
    over.set()
    thread.join()
    print(f"  the link died {len(deaths)} times, each for {DEAD:g} s")
    sizes = driver.page.evaluate("Store.all('bytes').then((all) => all.map((bytes) => bytes.byteLength))")
    print(f"  photos on the phone, bytes each: {sizes}")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--no-dying", action="store_true", help="leave out the link that dies")
    asked = parser.parse_args()
    figures = Figures()
    with tempfile.TemporaryDirectory(prefix="logbook-slow-") as home, sync_playwright() as playwright:
        server = Server(Path(home))
        server.start()
        proxy = FaultProxy(server.address, keep_alive=True, link=Link(RATE, TRIP))
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        try:
            print(f"{RATE:g} B/s each way, round trip {TRIP:g} s; load of this machine {os.getloadavg()[0]:.1f}")
            driver = Driver(browser, server, proxy, "driver1")
            driver.page.set_default_timeout(120_000)
            first_visit(driver, figures)
            later_visits(driver, figures)
            sending(driver, figures)
            after_signing_in(browser, server, proxy, figures)
            if not asked.no_dying:
                dying(driver, figures)
        finally:
            browser.close()
            proxy.close()
            server.stop()
    return 1 if figures.failed else 0


if __name__ == "__main__":
    sys.exit(main())
