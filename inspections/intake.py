"""The one way a report enters: from the page, the phone, typed by control, a file, an import.

Idempotent by the report's own uuid and the digest of its bytes; atomic; content is never refused: what is not on our
lists is kept as given and flagged, what cannot be taken in is kept whole in quarantine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from hashlib import sha256
from uuid import UUID, uuid4

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import F

from fleet.models import Coupler, CouplerEnd, CouplingSide, Place, Unit
from inspections import bodies, couplings, grading, log, mates, references, report_rows, standing
from inspections.models import (
    Finding,
    Grade,
    InspectedEnd,
    Inspection,
    Observation,
    Photo,
    Submission,
)

CLOCK_MAY_DIFFER = timedelta(minutes=5)
TRUSTED_FOR_OTHERS = (Submission.Channel.TYPED, Submission.Channel.FILE, Submission.Channel.IMPORT)


@dataclass(frozen=True, slots=True)
class Receipt:
    """What the sender is told. `status`: 201 new, 200 the same again, 409 other content, 400 unreadable.

    `refs`: one per fault, in the order of the body. `missing`: uuids of photos named but not here.
    """

    status: int
    id: UUID | None = None
    sha256: str = ""
    state: str = ""
    refs: tuple[str, ...] = ()
    missing: tuple[UUID, ...] = ()
    words: str = ""
    told: dict = field(default_factory=dict)


def receive(
    *, raw: bytes, submitted_by: User, channel: str, received: datetime, clock: datetime | None = None
) -> Receipt:
    """Take in one report. Everything is written, or nothing; the receipt is made after the commit.

    `clock` is what the sender's clock showed when it sent: a wrong one is flagged, never believed.
    """
    digest = sha256(raw).hexdigest()
    try:
        data = bodies.read_json(raw)
        uuid = bodies.identity(data)
    except bodies.Unreadable as error:
        return Receipt(status=400, sha256=digest, words=f"We could not read this report: {error}. Keep it.")
    with transaction.atomic(durable=True):
        log.hold()
        known = {row.sha256: row for row in Submission.objects.filter(uuid=uuid)}
        if digest in known:
            outcome = known[digest]
        else:
            outcome = store(data, raw, digest, uuid, submitted_by, channel, received, clock, bool(known))
    return receipt(outcome, status=200 if digest in known else 201)


def enter(*, raw: bytes, submitted_by: User, channel: str, received: datetime) -> Submission:
    """Take in one report inside the caller's transaction: for an act that begins with a report of its own.

    The caller holds the log and knows that its uuid is new. Raises Unreadable; a body that cannot be taken in is a
    quarantined row, which the caller has to refuse.
    """
    data = bodies.read_json(raw)
    digest, uuid = sha256(raw).hexdigest(), bodies.identity(data)
    return store(data, raw, digest, uuid, submitted_by, channel, received, None, False)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a report would lead to: its worst category (0..3, None without a fault) and the ends' standing with it."""

    worst: int | None
    ends: tuple[standing.EndStanding, ...]


def preview(*, raw: bytes, submitted_by: User, received: datetime) -> Verdict | None:
    """The verdict before sending: taken in by the same code, then rolled back. None if it would not be taken."""
    try:
        body = bodies.body_of(bodies.read_json(raw))
    except (bodies.Unreadable, bodies.NotTaken):
        return None
    with transaction.atomic():
        log.hold()
        submission = Submission.objects.create(
            uuid=uuid4(),
            sha256="",
            body=raw,
            submitted_by=submitted_by,
            channel=Submission.Channel.PAGE,
            received=received,
            status=Submission.Status.STORED,
        )
        inspection = take_in(submission, body, submitted_by)
        worst = [row.finding.worst for row in inspection.observations.select_related("finding")]
        ends = ends_of(inspection.unit)
        told = standing.of_ends(list(ends.values()), received)
        transaction.set_rollback(True)
    return Verdict(
        worst=max((w for w in worst if w is not None), default=None),
        ends=tuple(told[ends[letter].pk] for letter in sorted(ends)),
    )


def store(data, raw, digest, uuid, submitted_by, channel, received, clock, taken) -> Submission:
    """The submission's row and all that follows from it."""
    try:
        if taken:
            raise bodies.NotTaken("same id: another report came under it before")
        body = bodies.body_of(data)
        author = author_of(body, submitted_by, channel)
        refuse_known_faults(body)
    except bodies.NotTaken as error:
        body, author, why = None, None, str(error)[:300]
    else:
        why = ""
    submission = report_rows.submission_row(uuid, raw, digest, body, author, submitted_by, channel, received, why)
    submission.device_sent = clock or submission.device_sent
    submission.save(force_insert=True)
    log.write(**report_rows.report_entry(submission, body))
    if body:
        take_in(submission, body, author, wrong_clock(clock, received))
    return submission


def wrong_clock(clock: datetime | None, received: datetime) -> str:
    """Why times of this sender are doubtful: its clock was minutes or years off; "" where it was not."""
    if clock is None or abs(clock - received) <= CLOCK_MAY_DIFFER:
        return ""
    minutes = round(abs(clock - received).total_seconds() / 60)
    amount = (
        f"{minutes} min" if minutes < 120 else f"{minutes // 60} h" if minutes < 2880 else f"{minutes // 1440} days"
    )
    return f"the phone’s clock was {amount} {'fast' if clock > received else 'slow'} when it sent this"


def refuse_known_faults(body: bodies.Body) -> None:
    """A fault's uuid that came in another report before is no fault we can file twice."""
    if Observation.objects.filter(uuid__in=[fault.id for fault in body.faults]).exists():
        raise bodies.NotTaken("faults: one of them came in another report before")


def author_of(body: bodies.Body, submitted_by: User, channel: str) -> User:
    """Who saw it. Only control's channels may bring in somebody else's report."""
    if body.author == submitted_by.pk:
        return submitted_by
    if channel not in TRUSTED_FOR_OTHERS:
        raise bodies.NotTaken("its author is not the person signed in")
    author = User.objects.filter(pk=body.author).first()
    if author is None:
        raise bodies.NotTaken("its author is not known here")
    return author


def take_in(submission: Submission, body: bodies.Body, author: User, doubtful: str = "") -> Inspection:
    """Inspection, ends, findings, observations, grades. `doubtful` says why the sender's times are not believed."""
    unit = Unit.objects.filter(number=body.unit.strip().upper()).first()
    ends = ends_of(unit)
    place = Place.objects.filter(code=body.place.strip().upper()).first()
    inspection = report_rows.inspection_row(submission, body, author, unit, place)
    inspection.doubtful = doubtful or inspection.doubtful
    inspection.save(force_insert=True)
    looked = InspectedEnd.objects.bulk_create(
        report_rows.inspected(inspection, end, ends, mate_named(end.mate)) for end in body.ends
    )
    for row, told in zip(looked, body.ends, strict=True):
        couplings.record(inspection, row, told)
    mates.answer([row for row in looked if row.extent == "looked"], submission.received)
    touched = [observe(inspection, fault, ends, submission.received) for fault in body.faults]
    for finding in {finding.pk: finding for finding in touched}.values():
        grading.regrade(finding, cause=Grade.Cause.INTAKE, now=submission.received, actor=author.pk, always=True)
        grading.regrade_siblings(finding, now=submission.received, actor=author.pk)
        mates.ask(finding, submission.received)
    told = standing.of_ends(list(ends.values()), submission.received)
    inspection.standing_told = {end.letter: told[end.pk].as_told() for end in ends.values()}
    inspection.save(update_fields=["standing_told"])
    return inspection


def ends_of(unit: Unit | None) -> dict[str, CouplerEnd]:
    """Letter → end of a unit; empty for a unit that is not on the list."""
    if unit is None:
        return {}
    return {end.letter: end for end in unit.ends.select_related("pattern", "unit")}


def mate_named(words: str) -> CouplerEnd | None:
    """The end meant by "305 B", or None."""
    number, _, letter = words.strip().upper().rpartition(" ")
    return CouplerEnd.objects.named(number, letter).first() if number else None


def observe(inspection: Inspection, fault: bodies.Fault, ends: dict[str, CouplerEnd], received: datetime) -> Finding:
    """Attach one fault to the finding it belongs to, new or known."""
    finding = finding_meant(fault, inspection) or open_finding(inspection, fault, ends)
    first = not finding.observations.exists()
    if not first:
        # Whoever has the page open must see it before they act: their version is old now.
        Finding.objects.filter(pk=finding.pk).update(version=F("version") + 1)
        finding.refresh_from_db(fields=["version"])
    observation = report_rows.observation_row(inspection, fault, finding, first, received)
    observation.save(force_insert=True)
    log.write(**report_rows.observed_entry(observation, inspection, fault))
    return finding


def finding_meant(fault: bodies.Fault, inspection: Inspection) -> Finding | None:
    """The finding this fault says it is about, if it is open and at this unit; merged ones lead on."""
    try:
        ref = references.read(fault.of)
    except references.MistypedReference:
        return None
    finding = Finding.objects.select_related("merged_into", "end__pattern").filter(ref=ref).first()
    finding = finding.merged_into if finding and finding.merged_into_id else finding
    if finding is None or finding.unit_id != inspection.unit_id:
        return None
    # That a fault is gone is told of the finding that was meant, closed or not: it must not open another.
    return finding if finding.is_open or fault.kind == "not there now" else None


def open_finding(inspection: Inspection, fault: bodies.Fault, ends: dict[str, CouplerEnd]) -> Finding:
    """A new finding, with its reference, its coupler and its place in the history of this end."""
    end = ends.get(fault.end)
    component = report_rows.component_of(fault, grading.ruleset())
    last = Finding.objects.order_by("-ref").values_list("ref", flat=True).first()
    finding = report_rows.finding_row(
        inspection,
        fault,
        end,
        number=references.number(last) + 1 if last else 1,
        coupler=Coupler.objects.filter(fitments__in=end.fitments.at(inspection.seen)).first() if end else None,
        component=component,
        before=previous(end, component, inspection.seen),
        repeat=repeat_of(end, component, inspection.seen),
    )
    finding.save(force_insert=True)
    return finding


def previous(end: CouplerEnd | None, component: str, seen: datetime) -> Finding | None:
    """The last finding on the same end and component before `seen`."""
    if end is None:
        return None
    earlier = Finding.objects.filter(end=end, component=component, first_seen__lt=seen)
    return earlier.order_by("-first_seen").first()


def repeat_of(end: CouplerEnd | None, component: str, seen: datetime) -> Finding | None:
    """The closed finding this one repeats: within 28 days or 10 couplings, whichever ends later."""
    if end is None:
        return None
    rules = grading.ruleset()
    closed = Finding.objects.filter(end=end, component=component, state=Finding.State.CLOSED, closed__lte=seen)
    last = closed.order_by("-closed").first()
    if last is None:
        return None
    if seen - last.closed <= timedelta(days=rules.repeat_days):
        return last
    since = CouplingSide.objects.filter(end=end, at__gt=last.closed, at__lte=seen)
    return last if since.count() <= rules.repeat_couplings else None


def quarantine_words(why: str) -> str:
    """What the sender is told of a report that was kept but not filed."""
    if why.startswith("same id"):
        return "This report came before. What is different now is kept apart, and control will sort it out."
    if why.startswith("faults: one of them came"):
        return "A fault in it came in another report before. This one is kept apart, and control will sort it out."
    return f"The logbook has kept this report whole, but could not file it: {why}. Control will sort it out."


def receipt(submission: Submission, *, status: int) -> Receipt:
    """What is told about a stored or quarantined submission; the same every time."""
    if submission.status == Submission.Status.QUARANTINED:
        return Receipt(
            status=409 if "same id" in submission.why else status,
            id=submission.uuid,
            sha256=submission.sha256,
            state="quarantined",
            words=quarantine_words(submission.why),
        )
    observations = submission.inspection.observations.select_related("finding").order_by("pk")
    return Receipt(
        status=status,
        id=submission.uuid,
        sha256=submission.sha256,
        state="stored",
        refs=tuple(observation.finding.ref for observation in observations),
        missing=tuple(sorted(missing_photos(observations))),
        told=submission.inspection.standing_told,
    )


def missing_photos(observations: Sequence[Observation]) -> set[UUID]:
    """Photos these observations name that are not here: still on the phone, or lost with a copy that was restored."""
    named = {UUID(photo) for observation in observations for photo in observation.photos}
    here = Photo.objects.filter(uuid__in=named).exclude(state=Photo.State.WAITING)
    return named - set(here.values_list("uuid", flat=True))
