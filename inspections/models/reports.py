"""How a report arrived, and what was looked at."""

from django.conf import settings
from django.db import models
from django.db.models import CharField, Exists, OuterRef, Q, Value
from django.db.models.functions import Cast, Concat

from inspections.models.log import LogEntry

KEPT = "kept:"  # the log's subject for one body in quarantine: this and its id, as several bodies may have one uuid
WORKED_OFF = "quarantine worked off"


class SubmissionQuerySet(models.QuerySet):
    def quarantined(self):
        """Bodies that could not be taken in and that control has not worked off."""
        subject = Concat(Value(KEPT), Cast(OuterRef("pk"), CharField()))
        worked_off = LogEntry.objects.filter(subject=subject, kind=WORKED_OFF)
        return self.filter(~Exists(worked_off), status=Submission.Status.QUARANTINED)


class Submission(models.Model):
    """One body as it was received, byte for byte. A second body under a known uuid is its own row."""

    class Channel(models.TextChoices):
        PAGE = "page"
        PHONE = "phone"
        TYPED = "typed"
        FILE = "file"
        IMPORT = "import"

    class Status(models.TextChoices):
        STORED = "stored"
        QUARANTINED = "quarantined"

    uuid = models.UUIDField()
    sha256 = models.CharField(max_length=64)
    body = models.BinaryField()
    author = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="authored"
    )
    submitted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="submitted")
    channel = models.CharField(max_length=8, choices=Channel.choices)
    device_sent = models.DateTimeField(null=True, blank=True)
    received = models.DateTimeField()
    status = models.CharField(max_length=12, choices=Status.choices)
    why = models.CharField(max_length=300, blank=True)

    objects = SubmissionQuerySet.as_manager()

    class Meta:
        ordering = ["-received"]
        constraints = [
            models.UniqueConstraint(name="one_stored_body_per_uuid", fields=["uuid"], condition=Q(status="stored")),
            models.UniqueConstraint(name="a_body_once", fields=["uuid", "sha256"]),
        ]
        indexes = [
            models.Index(name="quarantine", fields=["received"], condition=Q(status="quarantined")),
        ]

    def __str__(self):
        return f"{self.channel} {self.uuid}"


class Inspection(models.Model):
    """One person's look at a unit at one time. "Looked, nothing found" is an inspection without findings."""

    class Occasion(models.TextChoices):
        WALK_ROUND = "walk-round"
        COUPLING = "coupling"
        UNCOUPLING = "uncoupling"
        RUNNING = "running"
        DEPOT = "depot"

    submission = models.OneToOneField(Submission, on_delete=models.PROTECT, related_name="inspection")
    person = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="inspections")
    occasion = models.CharField(max_length=12, choices=Occasion.choices, default=Occasion.WALK_ROUND)
    unit = models.ForeignKey("fleet.Unit", on_delete=models.PROTECT, null=True, blank=True)
    unit_given = models.CharField(max_length=40)
    seen = models.DateTimeField()
    seen_offset_min = models.SmallIntegerField(default=0)
    doubtful = models.CharField("why the time is doubtful", max_length=120, blank=True)
    place = models.ForeignKey("fleet.Place", on_delete=models.PROTECT, null=True, blank=True)
    place_given = models.CharField(max_length=60, blank=True)
    weather = models.CharField(max_length=12, blank=True)
    note = models.TextField(blank=True)
    standing_told = models.JSONField(default=dict, blank=True)

    class Meta:
        ordering = ["-seen"]
        indexes = [
            models.Index(name="inspection_unit_seen", fields=["unit", "-seen"]),
            models.Index(name="inspection_person_seen", fields=["person", "-seen"]),
        ]

    def __str__(self):
        return f"{self.unit_given} {self.seen:%Y-%m-%d %H:%M}"


class InspectedEnd(models.Model):
    """One end within an inspection. `stage` is how far a joining came."""

    inspection = models.ForeignKey(Inspection, on_delete=models.PROTECT, related_name="ends")
    end = models.ForeignKey("fleet.CouplerEnd", on_delete=models.PROTECT, null=True, blank=True)
    end_given = models.CharField(max_length=8)
    situation = models.CharField(
        max_length=1, choices=[("U", "Uncoupled"), ("C", "About to couple"), ("R", "Coupled")]
    )
    extent = models.CharField(max_length=12, default="looked")
    clean = models.BooleanField("looked, nothing found", default=False)
    mate = models.ForeignKey(
        "fleet.CouplerEnd", on_delete=models.PROTECT, null=True, blank=True, related_name="mated_inspections"
    )
    mate_given = models.CharField(max_length=40, blank=True)
    stage = models.CharField(max_length=10, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(name="an_end_once_per_inspection", fields=["inspection", "end_given"]),
        ]

    def __str__(self):
        return f"{self.inspection.unit_given} {self.end_given}"
