"""Units and their ends."""

from django.db import models
from django.db.models import Q


class UnitType(models.Model):
    code = models.CharField(max_length=12, unique=True)
    name = models.CharField(max_length=60)
    vehicles = models.PositiveSmallIntegerField()
    volumes = models.JSONField(
        "volumes of its air sections",
        default=dict,
        blank=True,
        help_text="Pipe → litres that a leak test isolates, as text; by the operator's engineer",
    )

    class Meta:
        ordering = ["code"]

    def __str__(self):
        return self.name


class Unit(models.Model):
    class Status(models.TextChoices):
        IN_FLEET = "in fleet"
        HIRED = "hired"
        VISITING = "visiting"
        STORED = "stored"

    number = models.CharField(max_length=12, unique=True)
    type = models.ForeignKey(UnitType, on_delete=models.PROTECT, related_name="units")
    home = models.ForeignKey("fleet.Place", on_delete=models.PROTECT, related_name="units", null=True, blank=True)
    status = models.CharField(max_length=10, choices=Status.choices, default=Status.IN_FLEET)

    class Meta:
        ordering = ["number"]

    def __str__(self):
        return self.number


class CouplerEndQuerySet(models.QuerySet):
    def named(self, unit_number, letter):
        """The end a person means by "417 A", or none."""
        return self.filter(unit__number=unit_number, letter=letter)


class CouplerEnd(models.Model):
    """One end of one driving vehicle. It is permanent; exchanging vehicles changes `unit` and `letter`."""

    class Letter(models.TextChoices):
        A = "A"
        B = "B"

    vehicle = models.CharField(max_length=12, unique=True)
    pattern = models.ForeignKey("fleet.CouplerPattern", on_delete=models.PROTECT, related_name="ends")
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="ends", null=True, blank=True)
    letter = models.CharField(max_length=1, choices=Letter.choices, blank=True)

    objects = CouplerEndQuerySet.as_manager()

    class Meta:
        ordering = ["unit__number", "letter"]
        constraints = [
            models.UniqueConstraint(
                name="one_end_per_letter", fields=["unit", "letter"], condition=Q(unit__isnull=False)
            ),
            models.CheckConstraint(
                name="unit_and_letter_together",
                condition=Q(unit__isnull=True, letter="") | Q(unit__isnull=False, letter__in=["A", "B"]),
            ),
        ]

    def __str__(self):
        return f"{self.unit} {self.letter}" if self.unit_id else f"vehicle {self.vehicle}"
