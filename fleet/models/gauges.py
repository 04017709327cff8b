"""What is measured with: each by its number, with its step and the day its calibration ends."""

from django.db import models


class Gauge(models.Model):
    class Kind(models.TextChoices):
        PRESSURE = "pressure"
        TEMPERATURE = "temperature"
        TORQUE = "torque"
        LENGTH = "length"
        ELECTRICAL = "electrical"
        OTHER = "other"

    number = models.CharField(max_length=20, unique=True)
    kind = models.CharField(max_length=12, choices=Kind.choices)
    depot = models.ForeignKey("fleet.Place", on_delete=models.PROTECT, null=True, blank=True, related_name="gauges")
    step = models.DecimalField("smallest readable step", max_digits=10, decimal_places=4, null=True, blank=True)
    unit = models.CharField(max_length=20, blank=True)
    calibrated_until = models.DateField("calibration ends on", null=True, blank=True)
    certificate = models.CharField(max_length=60, blank=True)
    retired = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["number"]
        constraints = [
            models.CheckConstraint(
                name="a_step_is_above_zero", condition=models.Q(step__isnull=True) | models.Q(step__gt=0)
            )
        ]

    def __str__(self):
        return self.number

    def overdue(self, on):
        """True when its calibration ended before the local day `on`, or is not known, or it was retired."""
        return self.calibrated_until is None or self.calibrated_until < on or self.retired is not None
