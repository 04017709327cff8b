"""What the log says happened, in words. No queries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from django.contrib.auth.models import User
from django.utils import timezone

from inspections.models import LogEntry
from inspections.rules.facts import CATEGORIES
from inspections.words.names import letter, listed, name, spoken
from inspections.words.times import LATE, clock, dated


@dataclass(frozen=True, slots=True)
class Happening:
    """A log entry in words. `free`: a person's own words, may be empty. `entered` is set where it was written later
    than it happened."""

    at: datetime
    words: str
    free: str
    who: str
    entered: datetime | None


def happening(entry: LogEntry, *, places: Mapping[str, str], reader: User, named: bool) -> Happening:
    """A log entry as the reader may see it: without `named`, no name but their own and nobody's free words."""
    said = SENTENCES.get(entry.kind, lambda data, places: (entry.kind.capitalize(), ""))
    words, free = said(entry.data, places)
    own = entry.actor_id == reader.pk
    return Happening(
        at=entry.happened,
        words=words,
        free=free if named or own else "",
        who="you" if own else name(entry.actor) if named else "",
        entered=entry.written if entry.written - entry.happened > LATE else None,
    )


def _graded(data, places):
    worst, before = data.get("worst"), data.get("before")
    words = f"Graded {CATEGORIES[worst]}"
    if before is not None and before != worst:
        words += f", before it was {CATEGORIES[before]}"
    why = {"sibling": "another finding of this end changed", "ruleset": "a new ruleset is in force"}
    return words + (f" ({why[data['cause']]})" if data.get("cause") in why else ""), ""


def _planned(data, places):
    depot = places.get(data.get("depot"), data.get("depot", ""))
    when = timezone.localtime(datetime.fromisoformat(data["since"]))
    road = f"road {data['road']}" if data.get("road") else ""
    return f"Planned at {depot}, {when.day} {when:%B}, {data.get('shift', '')} shift", road


def _moved(data, places):
    before, after = data.get("before", {}), data.get("after", {})
    return f"Moved from {_place(before)} to {_place(after)}", data.get("why", "")


def _place(place):
    return f"{place.get('unit') or 'a unit not on the list'}, {letter(place.get('end'))}"


def _left(data):
    said = {"parts_off": "parts off", "isolated": "isolated", "key": "key", "note": "note"}
    return "; ".join(f"{label}: {data[name]}" for name, label in said.items() if data.get(name))


def _until(data):
    return f" until {dated(datetime.fromisoformat(data['until']))}" if data.get("until") else ""


# Kind of entry → (what everybody may read, free words of a person).
SENTENCES = {
    "opened": lambda data, places: ("Reported", ""),
    "observed": lambda data, places: (f"Seen again: {data.get('what', '')}", ""),
    "graded": _graded,
    "looked at": lambda data, places: ("Control looked at it", ""),
    "told": lambda data, places: ("Told", f"{data.get('whom', '')}, {data.get('how', '')}"),
    "raised": lambda data, places: (f"Raised to {data.get('to', '')}", data.get("why", "")),
    "planned": _planned,
    "taken": lambda data, places: ("Taken in hand by a fitter", ""),
    "examined": lambda data, places: (f"Examined by a fitter, {data.get('quality', '')}", ""),
    "made safe": lambda data, places: ("Made safe; it stays open", data.get("done", "")),
    "put back": lambda data, places: ("Put back half done", _left(data)),
    "tested": lambda data, places: (f"{data.get('name', 'Test')}: {data.get('verdict', '')}", ""),
    "withdrawn": lambda data, places: ("Withdrawn", data.get("why", "")),
    "signed": lambda data, places: (f"Work signed, {data.get('outcome', '')}", ""),
    "checked": lambda data, places: ("Checked by a second person", ""),
    "card printed": lambda data, places: (f"Work card printed, version {data.get('card', '')}", ""),
    "merged": lambda data, places: (f"Merged into {spoken(data.get('into', ''))}", data.get("why", "")),
    "took in": lambda data, places: (f"Took in {spoken(data.get('taken', ''))}: the same fault", ""),
    "moved": _moved,
    "repeat named": lambda data, places: (
        f"Named a repeat of {spoken(data['of'])}" if data.get("of") else "Named no repeat",
        data.get("why", ""),
    ),
    "occurrence decided": lambda data, places: (
        "Decided: reportable as an occurrence" if data.get("reportable") else "Decided: not reportable",
        ", ".join(filter(None, (data.get("reference"), data.get("why")))),
    ),
    "deferred": lambda data, places: (f"Deferred{_until(data)}", data.get("why", "")),
    "deferral agreed": lambda data, places: ("An engineer agreed to the deferral", ""),
    "deferral extended": lambda data, places: (f"Deferral extended{_until(data)}", data.get("why", "")),
    "deferral ended": lambda data, places: ("Deferral ended early", data.get("why", "")),
    "mates asked for": lambda data, places: (f"A look is asked for at {listed(data.get('ends', ()))}", ""),
    "restricted": lambda data, places: ("A restriction was set because of it", data.get("why", "")),
    "isolated": lambda data, places: (f"Isolated because of it: {data.get('what', '')}", data.get("where", "")),
}


# Kind of entry → what its author did, for "Controller 2 looked at this at 05:50."
DID = {
    "observed": "reported on this again",
    "graded": "changed its grade",
    "looked at": "looked at this",
    "told": "recorded who was told",
    "raised": "raised this",
    "planned": "planned this",
    "taken": "took this job",
    "examined": "examined this",
    "made safe": "made this safe",
    "put back": "put this back half done",
    "tested": "tested this",
    "withdrawn": "withdrew this",
    "signed": "signed this off",
    "checked": "checked this",
    "merged": "merged this into another report",
    "took in": "merged another report into this",
    "moved": "moved this",
    "repeat named": "said of what this is a repeat",
    "occurrence decided": "decided whether this is reportable",
    "deferred": "deferred this",
    "deferral agreed": "agreed to the deferral",
    "deferral extended": "extended the deferral",
    "deferral ended": "ended the deferral",
}


def changed_since(entries: Iterable[LogEntry], reader: User) -> str:
    """ "Controller 2 looked at this at 05:50. See what changed before you save.", from the last entry."""
    last = list(entries)[-1:]
    if not last:
        return "This page does not fit what stands here now. Look at it again before you save."
    who = "You" if last[0].actor_id == reader.pk else name(last[0].actor)
    did = DID.get(last[0].kind, "changed this")
    return f"{who} {did} at {clock(last[0].written)}. See what changed before you save."
