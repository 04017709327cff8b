"""What a test can ask of a server from outside: to die between commit and answer, or to be broken on purpose.

DYING names a file; when it is there and its pattern fits a request, the process ends without an answer once the view
has done its work. MUTANT names one of MUTANTS: a breakage that a good check must notice.
"""

import json
import os
import re
from dataclasses import replace
from hashlib import sha256
from itertools import count
from pathlib import Path
from uuid import UUID, uuid4

from inspections import intake, photos
from tests.faults import DYING, MUTANT


def middleware(get_response):
    """The outermost middleware: when it has the answer, everything is committed."""
    MUTANTS[os.environ.get(MUTANT, "")]()
    dying = Path(os.environ[DYING])

    def inner(request):
        response = get_response(request)
        if dying.exists() and re.search(dying.read_text(), f"{request.method} {request.path}"):
            dying.unlink()
            os._exit(9)
        return response

    return inner


def sound():
    """No breakage."""


def no_dedupe():
    """A report that comes again is filed again, under ids of its own."""
    whole, known = intake.receive, set()

    def receive(*, raw, **more):
        digest, data = sha256(raw).hexdigest(), json.loads(raw)
        again = digest in known
        known.add(digest)
        if not again:
            return whole(raw=raw, **more)
        other = data | {"id": str(uuid4()), "faults": [fault | {"id": str(uuid4())} for fault in data["faults"]]}
        receipt = whole(raw=json.dumps(other).encode(), **more)
        return replace(receipt, status=200, id=UUID(data["id"]), sha256=digest)

    intake.receive = receive


def forgets():
    """Every fifth report is answered and not kept."""
    whole, calls = intake.receive, count(1)

    def receive(*, raw, **more):
        if next(calls) % 5:
            return whole(raw=raw, **more)
        return intake.Receipt(201, UUID(json.loads(raw)["id"]), sha256(raw).hexdigest(), "stored")

    intake.receive = receive


def half_photos():
    """Photos are stored without their last bytes; the answer says they are whole."""
    whole = photos.receive

    def receive(*, data, claimed_sha256, **more):
        less = data[:-100]
        receipt = whole(data=less, claimed_sha256=sha256(less).hexdigest(), **more)
        return replace(receipt, sha256=claimed_sha256, status=201 if receipt.status == 201 else 200)

    photos.receive = receive


MUTANTS = {"": sound, "no-dedupe": no_dedupe, "forgets": forgets, "half-photos": half_photos}
