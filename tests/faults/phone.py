"""A phone: a browser that reports, loses signal, is killed and started again; and what its disk holds."""

from __future__ import annotations

import base64
import contextlib
import os
import shutil
import signal
import time
from pathlib import Path
from uuid import uuid4

from playwright.sync_api import Error as BrowserError

from tests.conftest import CHROMIUM, CHROMIUM_ARGS
from tests.faults.ledger import Kept
from tests.faults.proxy import FaultProxy
from tests.faults.server import SECONDS, Server
from tests.faults.stored import STORED

SCREEN = {"width": 360, "height": 640}
PATIENCE = 10_000  # ms for anything on a page

# Save a report as the report page does, without its form.
SAVE = """async ({ body, photos, about }) => {
  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer;
  await Outbox.save({ id: body.id, body, about, photos: photos.map((p) => ({ ...p, bytes: bytes(p.bytes) })) });
}"""


def fault_of(photos: int = 0, **more) -> dict:
    return {
        "id": str(uuid4()),
        "end": "A",
        "part": "air-upper",
        "symptom": "seal-torn",
        "photos": [str(uuid4()) for _ in range(photos)],
    } | more


class Phone:
    """One browser's storage, seen through one or more tabs; `page` is the first."""

    def __init__(self, context, link: FaultProxy, server: Server):
        self.link, self.server, self.errors = link, server, []
        self.take(context)

    def take(self, context) -> None:
        self.context = context
        context.set_default_timeout(PATIENCE)
        self.page = self.tab()

    def tab(self):
        """Another tab of this phone. What goes wrong in its scripts is kept in `errors`."""
        page = self.context.pages[0] if self.context.pages and not hasattr(self, "page") else self.context.new_page()
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        return page

    # ---- signing in, opening

    def sign_in(self, username: str = "driver1") -> Phone:
        cookie = {"name": "sid", "value": self.server.session(username), "url": self.link.base}
        self.context.add_cookies([cookie])
        return self

    def open(self, path: str = "/", page=None):
        """Go there; gives the page, whatever came."""
        page = page or self.page
        page.goto(self.link.base + path)
        return page

    def ready(self, username: str = "driver1") -> Phone:
        """Signed in, once online, the worker in charge, facts and table kept: what every driver's phone is."""
        self.sign_in(username).open()
        self.until("navigator.serviceWorker.controller !== null")  # it claims the page once it is active
        self.wait(lambda: {"facts", "table"} <= set((self.stored() or {}).get("facts", {})))
        self.until("Boolean(self.lastRun)")
        self.wait(lambda: "/phone/" in {path for paths in self.caches().values() for path in paths})
        return self

    def until(self, expression: str, page=None) -> None:
        """Until this is true on the page; asked again and again, since the page forbids code made from text."""

        def said():
            try:
                return (page or self.page).evaluate(expression)
            except BrowserError as error:
                if "context was destroyed" in str(error):
                    return False  # the page is on its way to another
                raise

        self.wait(said)

    def wait(self, true, seconds: float = 10) -> None:
        """Until `true()`; fails with the last it said, and with what went wrong on the link."""
        until = time.monotonic() + seconds
        while not (said := true()):
            odd = [(line, became) for _, line, became in self.link.seen if became not in ("200", "201", "302", "304")]
            assert time.monotonic() < until, (said, odd)
            try:
                self.page.wait_for_timeout(50)  # lets the browser's own news in
            except BrowserError:
                time.sleep(0.05)  # it was killed

    # ---- the report page

    def form(self, unit: str = "201", page=None):
        """Open the report page; gives it once all its scripts are there."""
        page = self.open(f"/reports/new/?unit={unit}", page)
        self.until("document.getElementById('report')?.dataset.ready === 'yes'", page)
        return page

    def answer(self, page=None, *, end="A end", situation="Uncoupled") -> None:
        """The common report's four answers."""
        page = page or self.page
        page.locator("#q-end label", has_text=end).click()
        page.locator("svg.face:visible [data-slot=air-upper]").click()
        page.locator("#q-sign label:visible", has_text="is torn").first.click()
        page.locator("#q-situation label").get_by_text(situation, exact=True).click()

    def take_photo(self, file: dict, number: int = 1, page=None) -> None:
        """As the camera gives it; waits until the page shows that many."""
        page = page or self.page
        page.locator("input[type=file][capture]").set_input_files(file)
        page.locator("#shots li").nth(number - 1).wait_for()

    def drafts(self) -> list[dict]:
        return (self.stored() or {"drafts": []})["drafts"]

    # ---- reports

    def save(self, photos=(), *, faults: list[dict] | None = None, page=None, **more) -> str:
        """Save a report with these photos (bytes of JPEGs) through the outbox; its id. It is not sent yet."""
        faults = faults or [fault_of(len(photos))]
        named = [(fault["id"], photo) for fault in faults for photo in fault["photos"]]
        body = {
            "v": 1,
            "id": str(uuid4()),
            "unit": "201",
            "seen": "2026-11-24T05:48:00+00:00",
            "ends": [{"end": "A", "situation": "U"}],
            "faults": faults,
        } | more
        rows = [
            {"id": uuid, "owner": owner, "type": "image/jpeg", "bytes": base64.b64encode(data).decode()}
            for (owner, uuid), data in zip(named, photos, strict=True)
        ]
        said = {"end": "A end", "part": "5 Upper air seal", "fault": "It is torn"}
        about = said | {
            "unit": body["unit"],
            "faults": [said],
            "worst": None,
            "told": None,
            "listed": True,
            "first": "A",
        }
        (page or self.page).evaluate(SAVE, {"body": body, "photos": rows, "about": about})
        return body["id"]

    def run(self, page=None) -> str:
        """Let the outbox send now and say how it ended; waits while another tab sends."""
        until = time.monotonic() + SECONDS
        while (ended := (page or self.page).evaluate("Outbox.run()")) == "busy" and time.monotonic() < until:
            time.sleep(0.05)
        return ended

    def nudge(self, page=None) -> None:
        """What the browser does when signal returns."""
        (page or self.page).evaluate("dispatchEvent(new Event('online'))")

    def mine(self, page=None) -> list[dict]:
        return (page or self.page).evaluate("Outbox.mine()")

    def states(self) -> list[str]:
        """The state of every report of the known person, newest first."""
        return [report["state"] for report in self.mine()]

    def strip(self) -> str:
        return self.page.locator("#phone-strip").inner_text()

    # ---- what is on its disk

    def stored(self) -> dict | None:
        """What it holds; asked again where the page went on to another while it was read."""
        try:
            return self.page.evaluate(STORED)
        except BrowserError as gone:
            if "context was destroyed" not in str(gone):
                raise
            self.page.wait_for_load_state()
            return self.page.evaluate(STORED)

    def kept(self, *ids: str) -> list[Kept]:
        """The reports it holds (those with these ids), with every photo it holds of them."""
        stored = self.stored() or {"reports": [], "photos": [], "bytes": {}}
        rows = [row for row in stored["reports"] if not ids or row["id"] in ids]
        assert {row["id"] for row in rows} >= set(ids), "the phone lost a report"
        photos_of = {row["id"]: [p["id"] for p in stored["photos"] if p["report"] == row["id"]] for row in rows}
        return [
            Kept(
                base64.b64decode(row["body"]),
                {uuid: base64.b64decode(stored["bytes"][uuid]) for uuid in photos_of[row["id"]]},
            )
            for row in rows
        ]

    def caches(self) -> dict[str, list[str]]:
        """Cache name → the addresses in it."""
        return self.page.evaluate(
            """async () => {
              const all = {};
              for (const name of await caches.keys()) {
                const kept = await (await caches.open(name)).keys();
                all[name] = kept.map(({ url }) => new URL(url)).map((url) => url.pathname + url.search);
              }
              return all;
            }"""
        )


class KillablePhone(Phone):
    """A phone with a disk of its own that can be killed at any moment and started again."""

    def __init__(self, browser_type, folder: Path, link: FaultProxy, server: Server, **options):
        self.browser_type, self.folder, self.options = browser_type, folder, options
        super().__init__(self._launched(), link, server)

    def _launched(self):
        return self.browser_type.launch_persistent_context(
            self.folder, executable_path=CHROMIUM, args=CHROMIUM_ARGS, headless=True, viewport=SCREEN, **self.options
        )

    def pids(self) -> list[int]:
        """The browser's own process: ours by its folder, and no child of it."""
        found = []
        for entry in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError):
                words = (entry / "cmdline").read_bytes().split(b"\0")
                child = any(word.startswith(b"--type=") for word in words)
                if f"--user-data-dir={self.folder}".encode() in words and not child:
                    found.append(int(entry.name))
        return found

    def kill(self) -> None:
        """SIGKILL, as a flat battery or the camera does."""
        for pid in self.pids():
            os.kill(pid, signal.SIGKILL)
        self.wait(lambda: not self.pids())
        with contextlib.suppress(BrowserError):
            self.context.close()

    def start(self) -> Phone:
        """The same phone again. Its cookies may be gone: Chromium writes them late."""
        for left in self.folder.glob("Singleton*"):
            left.unlink()
        del self.page
        self.take(self._launched())
        return self

    def close(self) -> None:
        with contextlib.suppress(BrowserError):
            self.context.close()
        shutil.rmtree(self.folder, ignore_errors=True)
