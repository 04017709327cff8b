"""What a work card says: one coupler end at one visit, n findings. Plain values; who fills them has read the rows.

Every text may be anything a person typed: it is measured and printed as text, never read as markup. Moments are
local times with their offset; they are printed as given. Codes for categories, limits and parts do not occur here:
the words come from the ruleset.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class CardIsolation:
    """Something to shut, cut out or prove dead before work. `key`: its number where known, "" prints a blank."""

    what: str
    key: str = ""


@dataclass(frozen=True, slots=True)
class CardSeen:
    """One look at the fault. `by` is role and number ("Driver 2"), never a name; `words` are printed verbatim."""

    at: datetime | None
    place: str
    by: str
    words: str = ""
    kind: str = "first report"


@dataclass(frozen=True, slots=True)
class CardStep:
    """One action. `write`: what to write in the cell, "" for no cell. `warning` stands before the action it guards.

    `second`: a second person initials too.
    """

    do: str
    write: str = ""
    warning: str = ""
    second: bool = False


@dataclass(frozen=True, slots=True)
class CardTest:
    """One closing test: a row like a step. Limit, unit and document are printed in the cell of the blank.

    `limit` in words with its unit ("at most 0.2 bar in 5 min"), `unit` of the value to write ("bar"), `document`
    with its issue ("" prints that the limit is indicative). `record`: further things to write, a cell each ("Gauge").
    """

    do: str
    limit: str
    unit: str = ""
    document: str = ""
    warning: str = ""
    second: bool = False
    record: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CardFinding:
    """One open finding of the end.

    `reference`: eight digits. `slot`: the part's code in the drawing, "" when not known. `part` with its number
    ("5 Upper air seal"). `category`: the word for the band. `limits`: this finding's limits in words. `past`: earlier
    work on this part, newest first. `parts`, `tools`: what to take. `photo`: JPEG or PNG bytes. `check`: why a second
    person must check, in words ("lock"), "" when the rules ask for none.
    """

    reference: str
    slot: str
    part: str
    fault: str
    category: str
    examine_by: datetime | None
    limits: tuple[str, ...]
    seen: tuple[CardSeen, ...]
    past: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    tools: tuple[str, ...] = ()
    steps: tuple[CardStep, ...] = ()
    tests: tuple[CardTest, ...] = ()
    photo: bytes | None = None
    check: str = ""


@dataclass(frozen=True, slots=True)
class Card:
    """One work card.

    `unit` as given; `end` "A", "B" or "" (not known). `drawing`: the pattern's drawing ("P", "Q", "H"), "" when not
    known. `version` counts what changed since the first print. `link`: short, capital letters, figures and `:/.-`
    only, so that the square stays coarse ("HTTPS://HOST/F/00104289"). `visit`: depot, road, shift in words.
    `limits`: what the end may do now (its standing), in words; `labels`: numbers and places of labels fitted;
    `mates`: ends coupled to this one since it was last known good; `cautions`: the ruleset's, for the fitter.
    """

    unit: str
    end: str
    drawing: str
    printed: datetime
    version: int
    link: str
    visit: str
    limits: tuple[str, ...]
    labels: tuple[str, ...]
    isolations: tuple[CardIsolation, ...]
    cautions: tuple[str, ...]
    mates: tuple[str, ...]
    findings: tuple[CardFinding, ...]


def grouped(reference: str) -> str:
    """A reference as people say it: "00104289" gives "0010 4289"; anything else is given back unchanged."""
    return f"{reference[:4]} {reference[4:]}" if len(reference) == 8 and reference.isdigit() else reference


def moment(at: datetime | None) -> str:
    """ "14 Jan 2026, 05:52"; "time not known" for None."""
    return f"{at.day} {at:%b %Y, %H:%M}" if at else "time not known"


def sentence(texts: Iterable[str], none: str = "") -> str:
    """Several short texts as one sentence: "Do not couple at this end; no passengers.", or `none`."""
    joined = ("; ".join(texts) or none).strip()
    return f"{joined[0].upper()}{joined[1:].rstrip('.')}." if joined else ""
