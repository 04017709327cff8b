"""What control says of a call it types in, what it says of a body it works off, and what can be read of that body."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from uuid import UUID, uuid4

from django import forms
from django.contrib.auth.models import User
from django.urls import reverse
from django.utils import timezone

from fleet.models import Coupling
from inspections import bodies
from inspections.forms import earlier
from inspections.forms.body import MAX_FAULTS, MAX_PHOTOS
from inspections.forms.fault import CHANGES, SITUATIONS
from inspections.forms.fields import AHEAD, ClockTime, Words, button, helper, say_what_is_needed, why
from inspections.forms.questions import STILL, Asked, radios
from inspections.forms.report import SLOTS
from inspections.models import Inspection, Observation, Photo, Submission

CHANNELS = [("phone", "By phone"), ("radio", "By radio")]
CALLED_WITHIN = timedelta(days=7)
ENDS = ("A", "B", "?")
NOT_LISTED = "Somebody not on the list"


class People(forms.ModelChoiceField):
    """A person who may report, by name."""

    def label_from_instance(self, person):
        return person.get_full_name() or person.get_username()


class CallForm(forms.Form):
    """Who told it, how and when. With `kept`, a body in quarantine, nobody called: it was kept whole."""

    channel = radios("How did the call come?", CHANNELS, "Choose how the call came")
    reporter = People(User.objects.none(), label="Reported by", required=False, empty_label=NOT_LISTED, blank=True)
    caller = Words(label="Their name as given", required=False, max_length=120)
    called = ClockTime(label="Time of the call")
    readback = forms.BooleanField(
        label="I read it back", error_messages={"required": "Read it back to the caller, then tick it"}
    )

    def __init__(self, data=None, *, now: datetime, kept: Submission | None = None, **kwargs):
        super().__init__(data, **kwargs)
        self.now, self.kept = now, kept
        people = User.objects.filter(is_active=True, groups__isnull=False).distinct()
        self.fields["reporter"].queryset = people.order_by("first_name", "username")
        self.fields["reporter"].optional_note = "for somebody on the list"
        self.fields["caller"].optional_note = "for somebody not on the list"
        self.fields["called"].error_messages["required"] = "Enter the time of the call"
        if kept:
            del self.fields["channel"], self.fields["readback"]
            self.fields["called"].label = "When it was seen"
            self.fields["called"].error_messages["required"] = "Enter when it was seen"
        say_what_is_needed(self)

    def clean_called(self):
        """Not still to come. A call is of these days; what was kept may be of any."""
        called = self.cleaned_data["called"]
        if called > self.now + AHEAD:
            raise forms.ValidationError("That time is still to come")
        if not self.kept and called < self.now - CALLED_WITHIN:
            raise forms.ValidationError("That time is more than seven days ago: look at the date again")
        return called

    def clean(self):
        told = super().clean()
        named, given = told.get("reporter"), told.get("caller")
        if "reporter" not in self.errors and not named and not given:
            self.add_error("caller", "Say who reported it: choose a person, or write the name as given")
        if named and given:
            self.add_error("caller", "You chose a person and wrote a name. Keep one of them")
        return told

    def author(self, by: User) -> User:
        """Whose report it is: the caller's, or of one not on the list whoever types it in."""
        return self.cleaned_data["reporter"] or by

    def in_body(self) -> dict[str, object]:
        """What the body says of the call: the one place that keeps a name as given."""
        return self.in_log() | {"by": self.cleaned_data["caller"]}

    def in_log(self) -> dict[str, object]:
        """What the log says of it: no name."""
        told = self.cleaned_data
        return {
            "how": "kept" if self.kept else told["channel"],
            "called": told["called"].isoformat(),
            "read_back": bool(told.get("readback")),
            "listed": bool(told["reporter"]),
            "kept": str(self.kept.uuid) if self.kept else "",
        }


class DealtWithForm(forms.Form):
    """A body in quarantine that is not to be filed, and why."""

    why = why("How it was dealt with")

    def __init__(self, data=None, *, row: Submission):
        super().__init__(data)
        say_what_is_needed(self)
        self.fields["why"].error_messages["required"] = "Say how it was dealt with"
        self.helper = helper(reverse("work-off", args=[row.pk]), "why", button("Take it off the list"))


# ---- what can be read of a body


def reading(row: Submission) -> dict[str, object]:
    """A body in quarantine as an object; empty where it is none. Nothing in it can be relied on."""
    try:
        return bodies.read_json(bytes(row.body))
    except bodies.Unreadable:
        return {}


def call_initial(row: Submission, data: Mapping[str, object]) -> dict[str, object]:
    """What the form about the call starts with: its author, and when it was seen, as far as they can be read."""
    author = data.get("author")
    known = User.objects.filter(pk=author).first() if isinstance(author, int) and 0 < author < 2**31 else None
    seen = bodies.instant(data.get("seen"))[0] or bodies.instant(data.get("sent"))[0] or row.received
    return {"reporter": known or row.submitted_by, "called": timezone.localtime(min(seen, row.received))}


def report_initial(data: Mapping[str, object], asked: Asked) -> dict[str, object]:
    """Answers of the report's questions as far as they can be read; of several faults the last is asked for now."""
    ends = {str(end.get("end")): end for end in objects(data, "ends")}
    rows = fault_rows(data, ends, asked)
    initial = {name: text(data, name) for name in ("unit", "place", "note")}
    initial |= {"weather": word(data, "weather", asked.rules.weathers)}
    initial |= {"occasion": word(data, "occasion", Inspection.Occasion.values) or Inspection.Occasion.WALK_ROUND}
    if not rows:
        first = next(iter(ends.values()), {})
        return initial | {"found": "nothing", "end": word(first, "end", ENDS)} | situation(first)
    *before, last = rows
    clean = [end for letter, end in ends.items() if letter not in {row.answers.get("end") for row in rows}]
    other = {"other": situation(clean[0])["situation"]} if clean and clean[0].get("clean") is True else {}
    photos = dict(zip(SLOTS, last.photos, strict=False))
    said = {"said": earlier.written(before), "fault": last.fault, "kept": len(last.photos), "note": ""}
    return initial | other | photos | said | dict(last.answers)


def fault_rows(data: Mapping, ends: Mapping[str, Mapping], asked: Asked) -> list[earlier.Earlier]:
    """Each fault keeps its uuid and the photos that came for it, unless another has that uuid. Two queries."""
    faults = list(objects(data, "faults"))[:MAX_FAULTS]
    uuids = {uuid for fault in faults if (uuid := as_uuid(fault.get("id")))}
    free = uuids - set(Observation.objects.filter(uuid__in=uuids).values_list("uuid", flat=True))
    photos, rows = known_photos(free), []
    for fault in faults:
        uuid = as_uuid(fault.get("id"))
        uuid = uuid if uuid in free else uuid4()
        free.discard(uuid)
        said = {name: words for name, words in fault_answers(fault, ends, asked).items() if words}
        rows.append(earlier.Earlier(uuid, tuple(photos.get(uuid, ())[:MAX_PHOTOS]), said))
    return rows


def fault_answers(fault: Mapping, ends: Mapping[str, Mapping], asked: Asked) -> dict[str, str]:
    """The answers to the questions about one fault."""
    answers = {
        "end": word(fault, "end", ENDS),
        "part": word(fault, "part", dict(asked.parts)),
        "sign": word(fault, "symptom", asked.rules.symptoms),
        "note": text(fault, "note"),
    } | situation(ends.get(str(fault.get("end")), {}))
    if any(found.ref == fault.get("of") for found in asked.still):
        answers |= {"sign": f"{STILL}{fault['of']}", "changed": word(fault, "kind", dict(CHANGES))}
    facts = fault.get("facts") if isinstance(fault.get("facts"), dict) else {}
    return answers | {f"fact-{fact.code}": word(facts, fact.code, fact.words) for fact in asked.facts}


def known_photos(owners: Collection[UUID]) -> dict[UUID, list[UUID]]:
    """Fault's uuid → photos that came for it and are stored. One query."""
    found: dict[UUID, list[UUID]] = {}
    stored = Photo.objects.filter(owner__in=owners, state=Photo.State.STORED).order_by("received", "pk")
    for owner, uuid in stored.values_list("owner", "uuid"):
        found.setdefault(owner, []).append(uuid)
    return found


def situation(end: Mapping) -> dict[str, str]:
    """How an end was, with what it was joined to."""
    how = word(end, "situation", dict(SITUATIONS))
    return {"situation": how, "mate": text(end, "mate"), "stage": word(end, "stage", Coupling.Stage.values)}


def objects(data: Mapping[str, object], name: str) -> Iterator[Mapping[str, object]]:
    rows = data.get(name)
    yield from (row for row in rows if isinstance(row, dict)) if isinstance(rows, list) else ()


def text(data: Mapping[str, object], name: str) -> str:
    """A text or a number as text; "" for anything else."""
    value = data.get(name)
    return str(value)[: earlier.LONGEST] if isinstance(value, str | int) else ""


def word(data: Mapping[str, object], name: str, words) -> str:
    """A word that is one of these, else ""."""
    value = data.get(name)
    return value if isinstance(value, str) and value in words else ""


def as_uuid(value: object) -> UUID | None:
    try:
        return UUID(str(value))
    except ValueError:
        return None


def stamp(at: datetime) -> str:
    """A time as the report's form carries it."""
    return at.astimezone(UTC).isoformat(timespec="seconds")
