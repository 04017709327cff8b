"""How fast one person may send: so much at once, and as much again in every window that follows.

Every process counts for itself, in its own memory: with n processes a person has n times as much. That is enough
against a phone gone mad, and it needs no table that every report would have to write to. What is asked to wait is
never lost: it stays on the phone.

The figures leave a full phone alone. 200 reports that queued up at a siding with two photos of 150 kB each are
60 MB: all their bytes pass at once, their words wait 40 s at most beyond the first 120, and a phone link is slower
than two photos a second in any case. Photos that the phone could not shrink go on at 100 kB a second.
"""

import math
import threading
from collections.abc import Mapping
from datetime import datetime

# Kind → (how much at once, seconds until all of it is allowed again).
ALLOWED = {"reports": (120, 60), "photos": (120, 60), "bytes": (60_000_000, 600)}
MANY = 3_000  # people × kinds remembered before those at rest are forgotten
HAIR = 0.001  # seconds: what adding up many small costs may be off by


class Pace:
    """What each person has used up of each allowance, kept as the moment when it will be whole again.

    That moment stands for the whole window: it moves ahead with all that is sent, and the clock catches up with it.
    """

    def __init__(self, allowed: Mapping[str, tuple[float, float]] = ALLOWED, many: int = MANY):
        self.allowed, self.many = allowed, many
        self.whole_at: dict[tuple[int, str], float] = {}
        self.lock = threading.Lock()

    def wait(self, user_id: int, kind: str, cost: float, now: datetime) -> int:
        """Whole seconds until this person may send `cost` more of `kind`; 0 counts it and means go on.

        What costs more than the whole allowance passes when nothing of it is used up. KeyError for another kind.
        """
        most, window = self.allowed[kind]
        clock = now.timestamp()
        with self.lock:
            # Never further off than one window: a clock that was set back must not lock anybody out.
            begun = min(max(self.whole_at.get((user_id, kind), clock), clock), clock + window)
            ends = begun + min(max(cost, 0) / most, 1) * window
            over = ends - clock - window
            self.whole_at[user_id, kind] = begun if over > HAIR else ends
            if len(self.whole_at) > self.many:
                self.whole_at = {key: at for key, at in self.whole_at.items() if at > clock}
        return math.ceil(over) if over > HAIR else 0

    def forget(self) -> None:
        """Begin anew, as a restart does."""
        with self.lock:
            self.whole_at.clear()


everyone = Pace()
wait, forget = everyone.wait, everyone.forget
