"""A logbook that really serves, on data of its own: killed, started again on the same data, looked into."""

from __future__ import annotations

import http.client
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from urllib.parse import urlencode

from tests.faults import DYING, MUTANT, PASSWORD
from tests.faults.proxy import listen

ROOT = Path(__file__).parents[2]
SECONDS = 30  # a server on two busy cores may take this long to start


class Server:
    """`home` keeps database, photos and collected files; `address` stays the same over restarts."""

    def __init__(self, home: Path, *, drivers: int = 0, mutant: str = ""):
        self.home, self.mutant = home, mutant
        self.database, self.media, self.dying = home / "logbook.sqlite3", home / "media", home / "dying"
        with listen() as free:
            self.address = free.getsockname()
        self.process: subprocess.Popen | None = None
        self.run("-m", "tests.faults.prepare", str(drivers))

    @property
    def environment(self) -> dict[str, str]:
        ours = {
            "DJANGO_SETTINGS_MODULE": "tests.faults.settings",
            "DATABASE_URL": f"sqlite:///{self.database}",
            "MEDIA_ROOT": str(self.media),
            "STATIC_ROOT": str(self.home / "static"),
            "SECRET_KEY": "for tests only, long enough, and not all alike 0123456789",
            DYING: str(self.dying),
            MUTANT: self.mutant,
        }
        return {name: os.environ[name] for name in ("PATH", "HOME", "LANG") if name in os.environ} | ours

    def run(self, *words: str) -> str:
        """Run Python with this logbook's settings; its output. An error is shown whole."""
        done = subprocess.run(
            [sys.executable, *words], cwd=ROOT, env=self.environment, capture_output=True, text=True, timeout=120
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    # ---- its life

    @property
    def alive(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def start(self) -> None:
        """Serve, unless it does already; returns when it answers."""
        if self.alive:
            return
        words = [sys.executable, "manage.py", "serve", "--port", str(self.address[1])]
        with (self.home / "log").open("ab") as log:
            self.process = subprocess.Popen(words, cwd=ROOT, env=self.environment, stdout=log, stderr=log)
        until = time.monotonic() + SECONDS
        while not self.answers():
            assert self.alive, (self.home / "log").read_text()[-3_000:]
            assert time.monotonic() < until, "the server did not start"
            time.sleep(0.03)

    def answers(self) -> bool:
        try:
            socket.create_connection(self.address, timeout=1).close()
        except OSError:
            return False
        return True

    def kill(self) -> None:
        """SIGKILL: whatever it was doing."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        self._end(signal.SIGTERM)

    def _end(self, how: signal.Signals) -> None:
        if self.alive:
            self.process.send_signal(how)
            self.process.wait(timeout=SECONDS)

    def die_after(self, pattern: str) -> None:
        """End the process once "METHOD path" fits, between its commit and its answer."""
        self.dying.write_text(pattern)

    # ---- what it holds

    def rows(self, query: str, *values) -> list[tuple]:
        with closing(sqlite3.connect(self.database, timeout=20)) as database:
            return database.execute(query, values).fetchall()

    def change(self, statement: str, *values) -> None:
        """Change its data behind its back."""
        with closing(sqlite3.connect(self.database, timeout=20)) as database:
            database.execute(statement, values)
            database.commit()

    def person(self, username: str) -> int:
        return self.rows("SELECT id FROM auth_user WHERE username = ?", username)[0][0]

    def end_sessions(self) -> None:
        self.change("DELETE FROM django_session")

    def session(self, username: str) -> str:
        """Sign this person in by the sign-in page; the session's cookie."""
        first, page = self._asked("GET", "/sign-in/")
        token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page)[1]
        form = {"username": username, "password": PASSWORD, "csrfmiddlewaretoken": token, "own_phone": "on"}
        answer, _ = self._asked("POST", "/sign-in/", urlencode(form), {"Cookie": f"csrf={cookie(first, 'csrf')}"})
        assert answer.status == 302, answer.status
        return cookie(answer, "sid")

    def _asked(self, method, path, body=None, headers=()):
        form = {"Content-Type": "application/x-www-form-urlencoded", "Host": "localhost"}
        with closing(http.client.HTTPConnection(*self.address, timeout=SECONDS)) as connection:
            connection.request(method, path, body, form | dict(headers))
            answer = connection.getresponse()
            return answer, answer.read().decode()


def cookie(answer: http.client.HTTPResponse, name: str) -> str:
    """The value this answer sets for a cookie."""
    return re.search(rf"(?:^|\n){name}=([^;]+)", "\n".join(answer.headers.get_all("Set-Cookie")))[1]
