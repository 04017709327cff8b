"""What a work card says: one coupler end at one visit, n findings. Plain values; who fills them has read the rows.

Every text may be anything a person typed: it is measured and printed as text, never read as markup. Moments are
local times with their offset; they are printed as given. Codes for categories, limits and parts do not occur here:
the words come from the ruleset.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime


def no_photo() -> bytes | None:
    """What `CardFinding.photo` gives where there is none."""
    return None


@dataclass(frozen=True, slots=True)
class CardLimit:
    """What the end may not do, in words, and where that comes from ("restriction 24 Nov 2026, label 0417")."""

    what: str
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CardIsolation:
    """Something to shut, cut out or prove dead before work.

    `key`: its number and who holds it where known, "" prints a blank. `since`: when and where it was recorded as
    isolated, "" where it is still to be done.
    """

    what: str
    key: str = ""
    since: str = ""


@dataclass(frozen=True, slots=True)
class CardSeen:
    """One look at the fault. `by` is role and number ("Driver 2"), never a name; `words` are printed verbatim.

    `answers`: what was measured or answered, each with its question.
    """

    at: datetime | None
    place: str
    by: str
    words: str = ""
    kind: str = "first report"
    answers: tuple[str, ...] = ()


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
    with its issue ("" prints that the limit is indicative). `record`: what to write in the cell, a line each
    ("Gauge"); without it there is one blank.
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
    ("5 Upper air seal"). `category`: the word for the band. `limits`: this finding's limits in words. `deferral`:
    until when it may be left, or that this has run out. `left`: the state in which a half-done job was left.
    `repeat`: that the fault came back. `unseen`: how many looks are not in `seen`. `past`: earlier work on this part,
    newest first. `parts`, `tools`: what to take. `document`: where the steps come from. `photo`: reads JPEG or PNG
    bytes when they are drawn, None where they cannot be had. `check`: why a second person must check, in words
    ("lock"), "" when the rules ask for none.
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
    photo: Callable[[], bytes | None] = no_photo
    check: str = ""
    deferral: str = ""
    left: str = ""
    repeat: str = ""
    document: str = ""
    unseen: int = 0


@dataclass(frozen=True, slots=True)
class Card:
    """One work card.

    `unit` as given; `end` "A", "B" or "" (not known). `drawing`: the pattern's drawing ("P", "Q", "H"), "" when not
    known. `version` counts what changed since the first print. `link`: short, capital letters, figures and `:/.-`
    only, so that the square stays coarse ("HTTPS://HOST/F/00104289"). `visit`: depot, road, shift in words.
    `limits`: what the end may do now (its standing) and why; `labels`: numbers and places of labels fitted;
    `mates`: ends coupled to this one since it was last known good; `cautions`: the ruleset's, for the fitter;
    `warning`: what must be settled before the unit leaves ("" for nothing).
    """

    unit: str
    end: str
    drawing: str
    printed: datetime
    version: int
    link: str
    visit: str
    limits: tuple[CardLimit, ...]
    labels: tuple[str, ...]
    isolations: tuple[CardIsolation, ...]
    cautions: tuple[str, ...]
    mates: tuple[str, ...]
    findings: tuple[CardFinding, ...]
    warning: str = ""


def grouped(reference: str) -> str:
    """A reference as people say it: "00104289" gives "0010 4289"; anything else is given back unchanged."""
    return f"{reference[:4]} {reference[4:]}" if len(reference) == 8 and reference.isdigit() else reference


def moment(at: datetime | None) -> str:
    """ "14 Jan 2026, 05:52"; "time not known" for None."""
    return f"{at.day} {at:%b %Y, %H:%M}" if at else "time not known"


def said(limit: CardLimit) -> str:
    """ "Do not couple at this end (label 0417; report 0010 4289)"."""
    return f"{limit.what} ({'; '.join(limit.sources)})" if limit.sources else limit.what


def sentence(texts: Iterable[str], none: str = "") -> str:
    """Several short texts as one sentence: "Do not couple at this end; no passengers.", or `none`."""
    joined = ("; ".join(texts) or none).strip()
    return f"{joined[0].upper()}{joined[1:].rstrip('.')}." if joined else ""
