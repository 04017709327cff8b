"""Couplings: exposure, mates, where units were. Read by statistics, standing and the mates' list."""

from django.db import models
from django.db.models import F, Q


class Coupling(models.Model):
    """Two ends brought together, or an attempt at it. `source` + `source_ref` make imports idempotent."""

    class Outcome(models.TextChoices):
        COUPLED = "coupled"
        NOT_COUPLED = "could not couple"

    class Stage(models.TextChoices):
        """How far the joining came; the most useful single fact a driver can give."""

        NONE = "none", "Did not meet"
        CONTACT = "contact", "Faces met, lock did not go home"
        LOCKED = "locked", "Lock home, no air"
        AIR = "air", "Air joined, no electrics"
        FULL = "full", "Everything joined"

    uuid = models.UUIDField(unique=True)
    at = models.DateTimeField(db_index=True)
    parted = models.DateTimeField(null=True, blank=True)
    place = models.ForeignKey("fleet.Place", on_delete=models.PROTECT, null=True, blank=True)
    stage = models.CharField(max_length=10, choices=Stage.choices, default=Stage.FULL)
    outcome = models.CharField(max_length=16, choices=Outcome.choices, default=Outcome.COUPLED)
    source = models.CharField(max_length=20)
    source_ref = models.CharField(max_length=60)
    received = models.DateTimeField()

    class Meta:
        ordering = ["-at"]
        constraints = [
            models.UniqueConstraint(name="one_row_per_source_ref", fields=["source", "source_ref"]),
            models.CheckConstraint(
                name="parted_after_coupled", condition=Q(parted__isnull=True) | Q(parted__gte=F("at"))
            ),
        ]

    def __str__(self):
        return f"{self.outcome} {self.at:%Y-%m-%d %H:%M}"


class CouplingSide(models.Model):
    """One of the two ends of a coupling; `at` is copied so that one index answers "since when, how often"."""

    coupling = models.ForeignKey(Coupling, on_delete=models.PROTECT, related_name="sides")
    end = models.ForeignKey("fleet.CouplerEnd", on_delete=models.PROTECT, related_name="sides")
    at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(fields=["end", "at"], name="side_end_at")]
        constraints = [models.UniqueConstraint(name="an_end_once_per_coupling", fields=["coupling", "end"])]

    def __str__(self):
        return f"{self.end} {self.at:%Y-%m-%d %H:%M}"
