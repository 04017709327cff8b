"""The soak: phones send while answers are lost and the server is killed; nothing lost, nothing twice.

    python -m tests.bench.phones [--phones 20] [--reports 200] [--mutant NAME | --mutants]

A phone here is a thread that speaks as static/js/outbox.js does: session and token, all words, then photos, each
believed only when an answer in JSON echoes id and digest; anything else is tried again later. One answer in five is
lost: half of those while the phone is still sending, half after the logbook has taken it; some come from a portal.
"""

import argparse
import io
import json
import random
import re
import sys
import tempfile
import threading
import time
from contextlib import closing
from hashlib import sha256
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from uuid import UUID

from PIL import Image

from tests.faults.ledger import Kept, Ledger
from tests.faults.proxy import FaultProxy
from tests.faults.server import Server

LOST, PORTAL = 0.2, 0.02  # shares of the answers to what phones send
KILLED_AFTER = (2.0, 5.0)  # seconds from one start to the next kill
LONGEST = 600  # seconds for the whole soak
PHONE_MUTANTS = ("trusts-status", "new-ids")
SERVER_MUTANTS = ("no-dedupe", "forgets", "half-photos")


class NoAnswer(Exception):
    """No network, or somebody else's words."""


class Later(Exception):
    """The logbook asks to wait, `args[0]` seconds."""


def picture(dice: random.Random) -> bytes:
    """A photo of its own, some 30 kB."""
    out = io.BytesIO()
    size = (160, 120)
    grain = Image.frombytes("RGB", size, dice.randbytes(size[0] * size[1] * 3))
    grain.resize((480, 360)).save(out, "JPEG", quality=60)
    return out.getvalue()


def report(author: int, dice: random.Random) -> Kept:
    """One report with one fault and two photos, its bytes fixed for good."""
    new = lambda: str(UUID(int=dice.getrandbits(128), version=4))  # noqa: E731
    photos = {new(): picture(dice) for _ in range(2)}
    end = dice.choice("AB")
    fault = {"id": new(), "end": end, "part": "air-upper", "symptom": "seal-torn", "photos": list(photos)}
    body = {
        "v": 1,
        "id": new(),
        "author": author,
        "unit": dice.choice(["201", "202", "301", "401"]),
        "seen": "2026-11-24T05:48:00+00:00",
        "ends": [{"end": end, "situation": "U"}],
        "faults": [fault],
    }
    return Kept(json.dumps(body).encode(), photos)


class Phone(threading.Thread):
    """`kept` is what it must get rid of; `waiting` what it believes the logbook has not."""

    def __init__(self, proxy: FaultProxy, sid: str, kept: list[Kept], dice: random.Random, mutant: str):
        super().__init__(daemon=True)
        self.proxy, self.sid, self.kept, self.dice, self.mutant = proxy, sid, kept, dice, mutant
        self.token, self.cookie, self.tries, self.attention = "", "", 0, []
        self.words = {one.id: one for one in kept}
        self.photos = {
            photo: (fault["id"], one.photos[photo])
            for one in kept
            for fault in one.words["faults"]
            for photo in fault["photos"]
        }

    def run(self):
        wait = 0.1
        while self.words or self.photos:
            try:
                self.turn()
                wait = 0.1
            except NoAnswer:
                wait = min(2.0, wait * 2)
                time.sleep(wait * (0.75 + self.dice.random() / 2))
            except Later as asked:
                time.sleep(asked.args[0])

    def turn(self):
        if not self.token:
            status, data = self.call("GET", "/phone/session/")
            if status != 200:
                raise NoAnswer(status)
            self.token = data["csrf"]
        for uuid, one in list(self.words.items()):
            sent = self.changed(one) if self.mutant == "new-ids" else one
            if self.put(f"/phone/reports/{sent.id}/", sent.id, sent.body):
                del self.words[uuid]
        for uuid, (owner, data) in list(self.photos.items()):
            if self.put(f"/phone/faults/{owner}/photos/{uuid}/", uuid, data):
                del self.photos[uuid]

    def changed(self, one: Kept) -> Kept:
        """The mutant's report: new ids at every try but the first."""
        self.tries += 1
        new = str(UUID(int=self.dice.getrandbits(128), version=4))
        return Kept(one.body.replace(one.id.encode(), new.encode()), one.photos) if self.tries % 3 == 0 else one

    def put(self, path: str, uuid: str, body: bytes) -> bool:
        """Whether the logbook has it: an answer that echoes id and digest."""
        digest = sha256(body).hexdigest()
        status, data = self.call("PUT", path, body, {"X-CSRFToken": self.token, "X-Content-SHA256": digest})
        if self.mutant == "trusts-status" and 200 <= status < 300:
            return True
        if status in (200, 201) and (data.get("id"), data.get("sha256")) == (uuid, digest):
            return True
        if status == 403 and data.get("error") == "csrf":
            self.token = ""
            raise NoAnswer(status)
        if status == 400 and data.get("error") == "damaged" or status >= 500:
            return False
        self.attention.append((path, status, data))
        raise NoAnswer(status)

    def call(self, method: str, path: str, body: bytes | None = None, headers=()) -> tuple[int, dict]:
        own = {"Cookie": f"sid={self.sid}; csrf={self.cookie}"}
        try:
            with closing(HTTPConnection("127.0.0.1", self.proxy.port, timeout=60)) as connection:
                connection.request(method, path, body, own | dict(headers))
                answer = connection.getresponse()
                data, kind = answer.read(), answer.headers.get("Content-Type", "")
        except (OSError, HTTPException) as error:
            raise NoAnswer(error) from error
        if answer.status in (429, 503):
            raise Later(float(answer.headers.get("Retry-After", 1)))
        if "json" not in kind:
            if self.mutant == "trusts-status":
                return answer.status, {}
            raise NoAnswer(answer.status)
        self.cookie = csrf_cookie(answer) or self.cookie
        return answer.status, json.loads(data)


def csrf_cookie(answer) -> str:
    """The cookie that a token must fit, where this answer sets one."""
    lines = "\n".join(answer.headers.get_all("Set-Cookie") or [])
    found = re.search(r"(?m)^csrf=([^;]+)", lines)
    return found[1] if found else ""


def soak(home: Path, phones: int, reports: int, mutant: str) -> tuple[list[str], dict]:
    """Run it; what is wrong at the end, and the figures."""
    server = Server(home, drivers=phones, mutant=mutant if mutant in SERVER_MUTANTS else "")
    server.start()
    proxy = FaultProxy(server.address)
    people = [(server.person(f"soak{n}"), server.session(f"soak{n}")) for n in range(1, phones + 1)]
    ledger = Ledger(server)
    proxy.fault("captive", match="^PUT", chance=PORTAL)
    proxy.fault("cut_upload", match="^PUT", chance=LOST / 2)
    proxy.fault("lose_response", match="^PUT", chance=LOST / (2 - LOST))
    each = reports // phones
    crowd = []
    for number, (person, sid) in enumerate(people):
        dice = random.Random(number)
        kept = [report(person, dice) for _ in range(each)]
        crowd.append(Phone(proxy, sid, kept, dice, mutant if mutant in PHONE_MUTANTS else ""))
    try:
        seconds, kills = send_all(server, crowd)
        proxy.clear()
        kept = [one for phone in crowd for one in phone.kept]
        wrong = ledger.faults_of(kept) + chain_faults(server)
        wrong += [f"attention: {one}" for phone in crowd for one in phone.attention]
        wrong += [
            f"a phone still holds {len(p.words)} reports, {len(p.photos)} photos" for p in crowd if p.is_alive()
        ]
        return wrong, figures(ledger, proxy, kept, seconds, kills)
    finally:
        server.stop()
        proxy.close()


def send_all(server: Server, crowd: list[Phone]) -> tuple[float, int]:
    """Start every phone and kill the server every few seconds until they believe they are done."""
    dice, kills, began = random.Random(0), 0, time.monotonic()
    for phone in crowd:
        phone.start()
    until = began + LONGEST
    while any(phone.is_alive() for phone in crowd) and time.monotonic() < until:
        pause = time.monotonic() + dice.uniform(*KILLED_AFTER)
        while time.monotonic() < pause and any(phone.is_alive() for phone in crowd):
            time.sleep(0.05)
        server.kill()
        kills += 1
        server.start()
    return time.monotonic() - began, kills


def chain_faults(server: Server) -> list[str]:
    try:
        server.run("manage.py", "verify_log")
    except AssertionError as error:
        return [f"the log: {error}"]
    return []


def figures(ledger: Ledger, proxy: FaultProxy, kept: list[Kept], seconds: float, kills: int) -> dict:
    new, photos = ledger.new(), sum(len(one.photos) for one in kept)
    sent = proxy.count("^PUT")
    gone = sum(proxy.count("^PUT", kind) for kind in ("captive", "cut_upload", "lose_response"))
    return {
        "reports": len(kept),
        "photos": photos,
        "seconds": round(seconds),
        "kills": kills,
        "PUTs": sent,
        "answers lost": f"{gone} ({gone / sent:.0%})",
        "no server": proxy.count("^PUT", "no server"),
        "lost": max(0, len(kept) - new["inspection"]) + max(0, photos - new["photo"]),
        "doubled": max(0, new["inspection"] - len(kept)) + max(0, new["photo"] - photos),
    }


def tell(name: str, wrong: list[str], said: dict) -> None:
    print(f"{name}: " + ", ".join(f"{key} {value}" for key, value in said.items()))
    for line in wrong[:5]:
        print(f"  {line}")
    if len(wrong) > 5:
        print(f"  and {len(wrong) - 5} more")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--phones", type=int, default=20)
    parser.add_argument("--reports", type=int, default=200)
    parser.add_argument("--mutant", default="", choices=["", *SERVER_MUTANTS, *PHONE_MUTANTS])
    parser.add_argument("--mutants", action="store_true", help="run every mutant, small; fail unless each is caught")
    asked = parser.parse_args()
    names = [*SERVER_MUTANTS, *PHONE_MUTANTS] if asked.mutants else [asked.mutant]
    missed = []
    for name in names:
        with tempfile.TemporaryDirectory(prefix="logbook-soak-") as home:
            size = (4, 40) if asked.mutants else (asked.phones, asked.reports)
            wrong, said = soak(Path(home), *size, name)
        tell(name or "sound", wrong, said)
        if bool(wrong) != bool(asked.mutants):
            missed.append(name or "sound")
    if asked.mutants and missed:
        print("not caught:", ", ".join(missed))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
