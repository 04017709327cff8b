"""Coupler patterns, couplers by serial, and where each was fitted."""

from django.db import models
from django.db.models import F, Q


class CouplerPattern(models.Model):
    """A kind of coupler. `parts` lists its slots: [{"slot": "air-upper", "pipe": "MRP"}, …], in drawing order.

    A slot's code is the part code of the ruleset; `drawing` names its outline in the drawings.
    """

    class Dead(models.TextChoices):
        YES = "yes"
        NO = "no"
        UNKNOWN = "unknown"

    code = models.CharField(max_length=8, unique=True)
    joins = models.CharField(max_length=200, help_text="What it joins, in words")
    drawing = models.CharField(max_length=8)
    parts = models.JSONField(default=list)
    contacts = models.PositiveSmallIntegerField(default=0)
    contacts_dead = models.CharField(
        max_length=8,
        choices=Dead.choices,
        default=Dead.UNKNOWN,
        help_text="Are the contacts dead when this end is uncoupled?",
    )

    class Meta:
        ordering = ["code"]

    def __str__(self):
        return f"pattern {self.code}"

    @property
    def slots(self):
        """Slot codes in drawing order."""
        return [part["slot"] for part in self.parts]

    @property
    def pipes(self):
        """Slot code → pipe, for the slots that carry one."""
        return {part["slot"]: part["pipe"] for part in self.parts if part.get("pipe")}


class Coupler(models.Model):
    serial = models.CharField(max_length=20, unique=True)
    pattern = models.ForeignKey(CouplerPattern, on_delete=models.PROTECT, related_name="couplers")

    class Meta:
        ordering = ["serial"]

    def __str__(self):
        return self.serial


class FitmentQuerySet(models.QuerySet):
    def at(self, when):
        """Fitments in place at `when`."""
        return self.filter(Q(removed__isnull=True) | Q(removed__gt=when), fitted__lte=when)


class Fitment(models.Model):
    """A coupler at an end from one time to another. Neither may be in two fitments at once."""

    coupler = models.ForeignKey(Coupler, on_delete=models.PROTECT, related_name="fitments")
    end = models.ForeignKey("fleet.CouplerEnd", on_delete=models.PROTECT, related_name="fitments")
    fitted = models.DateTimeField()
    removed = models.DateTimeField(null=True, blank=True)

    objects = FitmentQuerySet.as_manager()

    class Meta:
        ordering = ["fitted"]
        constraints = [
            models.UniqueConstraint(
                name="coupler_in_one_place", fields=["coupler"], condition=Q(removed__isnull=True)
            ),
            models.UniqueConstraint(name="end_has_one_coupler", fields=["end"], condition=Q(removed__isnull=True)),
            models.CheckConstraint(
                name="removed_after_fitted", condition=Q(removed__isnull=True) | Q(removed__gt=F("fitted"))
            ),
        ]

    def __str__(self):
        return f"{self.coupler} at {self.end}"


class PartFittingQuerySet(models.QuerySet):
    def at(self, when):
        """Parts in place at `when`."""
        return self.filter(Q(removed__isnull=True) | Q(removed__gt=when), fitted__lte=when)


class PartFitting(models.Model):
    """A part in one slot of a coupler, from its fitting to its removal: a life, ended or not.

    `age_days` is how old the part was when records of it began: 0 for a new part, empty where nobody knows.
    """

    class Reason(models.TextChoices):
        FAILED = "failed"
        PLANNED = "planned"
        OTHER = "other"

    coupler = models.ForeignKey(Coupler, on_delete=models.PROTECT, related_name="parts")
    slot = models.CharField(max_length=24)
    serial = models.CharField(max_length=40, blank=True)
    batch = models.CharField(max_length=40, blank=True)
    fitted = models.DateTimeField()
    age_days = models.PositiveIntegerField(null=True, blank=True, default=0)
    removed = models.DateTimeField(null=True, blank=True)
    reason = models.CharField("why it was removed", max_length=8, choices=Reason.choices, blank=True)

    objects = PartFittingQuerySet.as_manager()

    class Meta:
        ordering = ["fitted", "pk"]
        indexes = [models.Index(name="part_slot_fitted", fields=["slot", "fitted"])]
        constraints = [
            models.UniqueConstraint(
                name="a_slot_holds_one_part", fields=["coupler", "slot"], condition=Q(removed__isnull=True)
            ),
            models.CheckConstraint(
                name="part_removed_after_fitted",
                condition=Q(removed__isnull=True) | Q(removed__gte=F("fitted")),
                violation_error_message="A part cannot be removed before it was fitted.",
            ),
            models.CheckConstraint(
                name="removed_says_why",
                condition=Q(removed__isnull=True, reason="")
                | Q(removed__isnull=False, reason__in=["failed", "planned", "other"]),
            ),
        ]

    def __str__(self):
        return f"{self.slot} of {self.coupler}"
