"""A unit at a depot for work."""

from django.db import models
from django.db.models import F, Q


class VisitQuerySet(models.QuerySet):
    def current(self, at):
        """Visits that are not over at `at`."""
        return self.filter(Q(until__isnull=True) | Q(until__gt=at))


class Visit(models.Model):
    class Shift(models.TextChoices):
        EARLY = "early"
        LATE = "late"
        NIGHT = "night"

    unit = models.ForeignKey("fleet.Unit", on_delete=models.PROTECT, related_name="visits")
    depot = models.ForeignKey("fleet.Place", on_delete=models.PROTECT, related_name="visits")
    road = models.CharField(max_length=20, blank=True)
    since = models.DateTimeField()
    until = models.DateTimeField(null=True, blank=True)
    shift = models.CharField(max_length=6, choices=Shift.choices, default=Shift.EARLY)

    objects = VisitQuerySet.as_manager()

    class Meta:
        ordering = ["since"]
        constraints = [
            models.CheckConstraint(
                name="visit_ends_after_start", condition=Q(until__isnull=True) | Q(until__gt=F("since"))
            )
        ]
        indexes = [models.Index(name="visit_depot_since", fields=["depot", "-since"])]

    def __str__(self):
        return f"{self.unit} at {self.depot}, {self.since:%Y-%m-%d} {self.shift}"
