"""One server, one proxy and one browser for all tests here; a fresh phone for each."""

import io
import random
from functools import lru_cache

import pytest
from PIL import Image

from tests.faults.ledger import Ledger
from tests.faults.phone import SCREEN, KillablePhone, Phone
from tests.faults.proxy import FaultProxy
from tests.faults.server import Server


@pytest.fixture(scope="session")
def running(tmp_path_factory):
    server = Server(tmp_path_factory.mktemp("logbook"))
    server.start()
    yield server
    server.stop()


@pytest.fixture(scope="session")
def proxy(running):
    made = FaultProxy(running.address)
    yield made
    made.close()


@pytest.fixture
def server(running):
    """The server, alive."""
    running.start()
    yield running
    running.dying.unlink(missing_ok=True)
    running.start()


@pytest.fixture
def link(proxy, server):
    """What lies between phone and server; nothing goes wrong on it unless the test says so."""
    proxy.clear()
    proxy.seen.clear()
    yield proxy
    proxy.keep_alive = False
    proxy.clear()


@pytest.fixture
def ledger(server):
    """Counts what the logbook has got since this test began."""
    return Ledger(server)


@pytest.fixture
def new_phone(chromium, link, server):
    """Make a phone that nobody has used."""
    made = []

    def make(**options):
        made.append(Phone(chromium.new_context(viewport=SCREEN, **options), link, server))
        return made[-1]

    yield make
    for phone in made:
        phone.context.close()
    assert not [error for phone in made for error in phone.errors]


@pytest.fixture
def phone(new_phone):
    """Driver 1's phone, used once with signal: it can do everything without."""
    return new_phone().ready()


@pytest.fixture
def new_killable(chromium, link, server, tmp_path):
    made = []

    def make(**options):
        folder = tmp_path / f"profile {len(made)}"
        folder.mkdir()
        made.append(KillablePhone(chromium.browser_type, folder, link, server, **options))
        return made[-1]

    yield make
    for phone in made:
        phone.close()


@pytest.fixture
def killable(new_killable):
    """Driver 1's phone, ready, with a disk of its own."""
    return new_killable().ready()


@lru_cache
def jpeg(number: int = 1, size: tuple[int, int] = (320, 240)) -> bytes:
    """A photo; another number is another photo."""
    out = io.BytesIO()
    grain = Image.frombytes("RGB", (40, 30), random.Random(number).randbytes(40 * 30 * 3))
    grain.resize(size).save(out, "JPEG", quality=80)
    return out.getvalue()


@pytest.fixture(scope="session")
def photo():
    """Bytes of the nth photo."""
    return jpeg


@pytest.fixture(scope="session")
def camera():
    """The nth photo as a file that a page's input takes; `size` in pixels."""

    def take(number=1, size=(640, 480)):
        return {"name": f"photo {number}.jpg", "mimeType": "image/jpeg", "buffer": jpeg(number, size)}

    return take
