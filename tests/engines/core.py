"""The core of the phone in another browser: python -m tests.engines.core firefox|webkit.

The worker installs; with the server killed the form opens, a report with a photo is saved (and survives SIGKILL where
the browser can be killed); an answer is lost; in the end everything is there exactly once.
"""

from __future__ import annotations

import base64
import io
import random
import sys
import tempfile
import time
from pathlib import Path

from PIL import Image

from tests.engines.drivers import Firefox, WebKit
from tests.faults import PASSWORD
from tests.faults.ledger import Kept, Ledger
from tests.faults.proxy import FaultProxy
from tests.faults.server import Server
from tests.faults.stored import STORED

ENGINES = {"firefox": Firefox, "webkit": WebKit}
CLICK = """(query, words) => {
  const found = [...document.querySelectorAll(query)].find((one) => one.textContent.includes(words));
  if (!found) return false;
  if (found.click) found.click();
  else found.dispatchEvent(new MouseEvent("click", { bubbles: true, detail: 1 }));
  return true;
}"""
TYPE = "(query, words) => { document.querySelector(query).value = words; }"
TAKE = """(data, name) => {
  const bytes = Uint8Array.from(atob(data), (c) => c.charCodeAt(0));
  const files = new DataTransfer();
  files.items.add(new File([bytes], name, { type: "image/jpeg" }));
  const input = document.querySelector("input[type=file][capture]");
  input.files = files.files;
  input.dispatchEvent(new Event("change", { bubbles: true }));
}"""
READY = """async () => {
  if (!navigator.serviceWorker?.controller) return false;
  return Boolean((await Store.read("facts", "facts")) && (await Store.read("facts", "table")));
}"""


class Phone:
    """The steps of a person, in whichever browser."""

    def __init__(self, engine, proxy: FaultProxy):
        self.engine, self.proxy = engine, proxy

    def until(self, function: str, *given, seconds: float = 30):
        """Until this says something true; gives that."""
        end = time.monotonic() + seconds
        last = None
        while time.monotonic() < end:
            try:
                if last := self.engine.run(function, *given):
                    return last
            except Exception as error:  # noqa: BLE001 (the page was on its way elsewhere)
                last = error
            time.sleep(0.1)
        raise SystemExit(f"not within {seconds} s: {function} {given}: {last}")

    def open(self, path: str) -> None:
        self.engine.go(self.proxy.base + path)

    def click(self, query: str, words: str = "") -> None:
        self.until(CLICK, query, words)

    def reads(self, words: str) -> None:
        self.until("(words) => document.body.textContent.includes(words)", words)

    def sign_in(self) -> None:
        self.open("/sign-in/?next=/reports/")
        self.until("() => Boolean(document.querySelector('main button.primary'))")
        self.engine.run(TYPE, "input[name=username]", "driver1")
        self.engine.run(TYPE, "input[name=password]", PASSWORD)
        self.click("main button.primary")
        self.until("() => location.pathname === '/reports/'")

    def report(self) -> None:
        """The common report with a photo."""
        self.open("/reports/new/?unit=201")
        self.until("() => document.getElementById('report')?.dataset.ready === 'yes'")
        self.click("#q-end label", "A end")
        self.click("#q-part label", "Upper air seal")
        self.click("#q-sign .answer:not([hidden]) label", "is torn")
        self.click("#q-situation label", "Uncoupled")
        self.until("() => !document.getElementById('shots').children.length")
        self.engine.run(TAKE, base64.b64encode(picture()).decode(), "seal.jpg")
        self.until("() => document.getElementById('shots').children.length === 1")
        self.click("#send")

    def kept(self) -> list[Kept]:
        stored = self.engine.run(STORED)
        of = {row["id"]: [p["id"] for p in stored["photos"] if p["report"] == row["id"]] for row in stored["reports"]}
        bytes_of = lambda uuid: base64.b64decode(stored["bytes"][uuid])  # noqa: E731
        return [
            Kept(base64.b64decode(row["body"]), {uuid: bytes_of(uuid) for uuid in of[row["id"]]})
            for row in stored["reports"]
        ]


def picture() -> bytes:
    """A photo of 12 million pixels with grain."""
    out = io.BytesIO()
    grain = Image.frombytes("RGB", (400, 300), random.Random(1).randbytes(400 * 300 * 3))
    grain.resize((4000, 3000)).save(out, "JPEG", quality=80)
    return out.getvalue()


def core(name: str, home: Path) -> None:
    """All of it; SystemExit or AssertionError with words where something is not as it must be."""
    server = Server(home)
    server.start()
    proxy = FaultProxy(server.address)
    ledger = Ledger(server)
    engine = ENGINES[name](home)
    phone = Phone(engine, proxy)
    began = time.monotonic()

    def tell(words: str) -> None:
        print(f"{name}: {time.monotonic() - began:5.1f} s  {words}", flush=True)

    try:
        tell(engine.run("() => navigator.userAgent"))
        phone.sign_in()
        phone.until(READY)
        tell("worker in charge, facts and table kept")
        phone.until("() => caches.match('/phone/').then(Boolean)")  # what is not needed for a report comes last
        tell("pages without signal kept")
        end = time.monotonic() + 30
        while not engine.settled():
            assert time.monotonic() < end, "the worker is not written down"
            time.sleep(0.1)
        tell("worker written down")
        server.kill()
        phone.report()
        phone.reads("Saved on this phone")
        kept = phone.kept()
        (photo,) = kept[0].photos.values()
        assert len(kept) == 1
        assert len(photo) <= 150_000
        tell(f"server killed: form opened, report saved, photo {len(photo)} B")
        if engine.can_be_killed:
            engine.kill()
            engine.start()
            phone.open("/phone/")
            phone.until("() => Boolean(self.Store)")
            assert phone.kept() == kept, "the kill lost a report"
            tell("killed at once (SIGKILL), started again: the same report")
        server.start()
        proxy.fault("lose_response", match="^PUT /phone/reports/", times=1)
        phone.open("/phone/")
        phone.until("() => Boolean(self.lastRun)")
        if phone.engine.run("() => self.lastRun.outcome") == "sign in":
            phone.sign_in()
            tell("signed in again: the kill had lost the session")
        phone.until("() => Boolean(self.Outbox)")
        end = time.monotonic() + 30
        while ledger.faults_of(kept) and time.monotonic() < end:
            phone.until("async () => { await Outbox.retryNow(); return true; }")
        ledger.wait_delivered(kept)
        assert proxy.count("^PUT /phone/reports/", "lose_response") == 1
        tell("an answer lost, delivered exactly once with its photo")
    finally:
        engine.close()
        proxy.close()
        server.stop()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(prefix="logbook-engine-") as folder:
        core(sys.argv[1], Path(folder))
