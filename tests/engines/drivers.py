"""Firefox and WebKit behind one small face: go, run, click, type, kill. Both are Debian's own browsers."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

from tests.faults.proxy import listen

MINI_BROWSER = "/usr/lib/x86_64-linux-gnu/webkit2gtk-4.1/MiniBrowser"
ASYNC = """const done = arguments[arguments.length - 1];
Promise.resolve((%s)(...JSON.parse(arguments[0]))).then((said) => done(JSON.stringify(said ?? null)),
  (error) => done(JSON.stringify({ failed: String(error) })));"""
SECONDS = 30


def free_port() -> int:
    with listen() as free:
        return free.getsockname()[1]


class Firefox:
    """firefox-esr, started by us and spoken to by Marionette, so that it can be killed and started again."""

    can_be_killed = True

    def __init__(self, folder: Path):
        self.folder = folder / "firefox"
        self.folder.mkdir()
        self.start()

    def start(self) -> None:
        from marionette_driver.marionette import Marionette  # noqa: PLC0415 (only where it is installed)

        port = free_port()
        prefs = {
            "marionette.port": port,
            "browser.shell.checkDefaultBrowser": False,
            "dom.disable_beforeunload": True,
        }
        lines = (f"user_pref({json.dumps(name)}, {json.dumps(value)});\n" for name, value in prefs.items())
        (self.folder / "user.js").write_text("".join(lines))
        words = ["firefox-esr", "--marionette", "--headless", "--no-remote", "--profile", str(self.folder)]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self.process = subprocess.Popen(words, start_new_session=True, **quiet)
        until = time.monotonic() + SECONDS
        while not answers(port):
            assert time.monotonic() < until, "Firefox did not start"
            time.sleep(0.1)
        self.driver = Marionette(host="127.0.0.1", port=port)
        self.driver.start_session()
        self.driver.timeout.script = SECONDS

    def go(self, address: str) -> None:
        self.driver.navigate(address)

    def run(self, function: str, *given):
        said = self.driver.execute_async_script(ASYNC % function, [json.dumps(given)], sandbox=None)
        return told(said)

    def settled(self) -> bool:
        """Whether the worker is written down: Firefox does that some seconds after it installed."""
        with contextlib.suppress(FileNotFoundError):
            return "localhost" in (self.folder / "serviceworker.txt").read_text()
        return False

    def kill(self) -> None:
        """SIGKILL of the process and its children: their session is ours."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        for left in ("lock", ".parentlock"):
            with contextlib.suppress(FileNotFoundError):
                (self.folder / left).unlink()

    def close(self) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        shutil.rmtree(self.folder, ignore_errors=True)


class WebKit:
    """WebKitGTK's MiniBrowser by WebDriver. Its sessions leave nothing behind, so it is not killed."""

    can_be_killed = False

    def __init__(self, folder: Path):
        from selenium import webdriver  # noqa: PLC0415 (only where it is installed)
        from selenium.webdriver.webkitgtk.options import Options  # noqa: PLC0415
        from selenium.webdriver.webkitgtk.service import Service  # noqa: PLC0415

        options = Options()
        options.binary_location = MINI_BROWSER
        options.add_argument("--automation")
        service = Service("/usr/bin/WebKitWebDriver", port=free_port())
        self.driver = webdriver.WebKitGTK(options=options, service=service)
        self.driver.set_script_timeout(SECONDS)

    def go(self, address: str) -> None:
        self.driver.get(address)

    def run(self, function: str, *given):
        return told(self.driver.execute_async_script(ASYNC % function, json.dumps(given)))

    def settled(self) -> bool:
        return True

    def close(self) -> None:
        with contextlib.suppress(Exception):  # noqa: BLE001 (it may be gone already)
            self.driver.quit()


def told(said: str):
    """What the function on the page gave; a failure there is one here."""
    value = json.loads(said)
    if isinstance(value, dict) and "failed" in value:
        raise AssertionError(value["failed"])
    return value


def answers(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
        return True
    return False
