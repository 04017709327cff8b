"""What the logbook asks for by itself: looks at ends that met a damaged one; mail to send; seals of the log."""

from django.db import models
from django.db.models import Q


class MateLookQuerySet(models.QuerySet):
    def open(self):
        """Looks that are asked for and not answered."""
        return self.filter(answer__isnull=True, withdrawn__isnull=True)


class MateLook(models.Model):
    """A look at one end, because of a finding at another that it was coupled to (or of a rough coupling)."""

    finding = models.ForeignKey(
        "inspections.Finding", on_delete=models.PROTECT, null=True, blank=True, related_name="mate_looks"
    )
    end = models.ForeignKey("fleet.CouplerEnd", on_delete=models.PROTECT, related_name="mate_looks")
    coupling = models.ForeignKey("fleet.Coupling", on_delete=models.PROTECT, related_name="+")
    asked = models.DateTimeField()
    answer = models.ForeignKey(
        "inspections.InspectedEnd", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    withdrawn = models.DateTimeField(null=True, blank=True)

    objects = MateLookQuerySet.as_manager()

    class Meta:
        ordering = ["asked", "pk"]
        constraints = [
            models.UniqueConstraint(
                name="a_mate_asked_once", fields=["finding", "end"], condition=Q(withdrawn__isnull=True)
            ),
        ]
        indexes = [
            models.Index(
                name="mate_look_open", fields=["end"], condition=Q(answer__isnull=True, withdrawn__isnull=True)
            ),
        ]

    def __str__(self):
        return f"look at {self.end}"


class Notice(models.Model):
    """One mail: made once for what it is about, sent once. What a unit may do never depends on it."""

    about = models.CharField(max_length=120, unique=True, help_text="What it tells, so that it is told once")
    subject = models.CharField(max_length=160)
    text = models.TextField()
    to = models.JSONField(default=list, help_text="Roles or competences it goes to")
    made = models.DateTimeField()
    sent = models.DateTimeField(null=True, blank=True)
    tries = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["made", "pk"]
        indexes = [models.Index(name="notice_to_send", fields=["made"], condition=Q(sent__isnull=True))]

    def __str__(self):
        return self.subject


class Seal(models.Model):
    """The head of the log at the end of a day, to be kept outside: what comes before it cannot change unnoticed."""

    day = models.DateField(unique=True)
    last_seq = models.BigIntegerField()
    hash = models.CharField(max_length=64)
    made = models.DateTimeField()

    class Meta:
        ordering = ["day"]

    def __str__(self):
        return f"{self.day}: {self.last_seq}"
