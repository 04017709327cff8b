"""What happened to a unit outside the logbook: exams, washes, time in store."""

from django.db import models
from django.db.models import F, Q


class FleetEvent(models.Model):
    class Kind(models.TextChoices):
        EXAM = "exam"
        MODIFICATION = "modification"
        STORED = "stored"
        WASH = "wash"
        WHEELS = "wheel turning"

    unit = models.ForeignKey("fleet.Unit", on_delete=models.PROTECT, related_name="events")
    end = models.ForeignKey(
        "fleet.CouplerEnd", on_delete=models.PROTECT, null=True, blank=True, related_name="events"
    )
    coupler = models.ForeignKey(
        "fleet.Coupler", on_delete=models.PROTECT, null=True, blank=True, related_name="events"
    )
    kind = models.CharField(max_length=16, choices=Kind.choices)
    since = models.DateTimeField()
    until = models.DateTimeField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-since"]
        constraints = [
            models.CheckConstraint(
                name="event_ends_after_start", condition=Q(until__isnull=True) | Q(until__gte=F("since"))
            )
        ]
        indexes = [models.Index(name="event_unit_kind", fields=["unit", "kind", "since"])]

    def __str__(self):
        return f"{self.kind} of {self.unit}"
