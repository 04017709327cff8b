"""Where units stand, couple and are worked on."""

from django.db import models
from django.db.models import F, Q


class PlaceQuerySet(models.QuerySet):
    def depots(self):
        """Places with fitters."""
        return self.filter(kind=Place.Kind.DEPOT)


class Place(models.Model):
    class Kind(models.TextChoices):
        DEPOT = "depot"
        STATION = "station"
        YARD = "yard"
        SIDING = "siding"
        LOOP = "loop"

    code = models.CharField(max_length=8, unique=True)
    name = models.CharField(max_length=60)
    kind = models.CharField(max_length=10, choices=Kind.choices)
    remote = models.BooleanField(default=False)
    curve_radius_m = models.PositiveIntegerField(null=True, blank=True)
    gradient_per_mille = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    notes = models.CharField(max_length=200, blank=True)

    objects = PlaceQuerySet.as_manager()

    class Meta:
        ordering = ["name"]

    def __str__(self):
        return self.name


class WeatherAlertQuerySet(models.QuerySet):
    def at(self, when):
        """Alerts in force at `when`."""
        return self.filter(Q(until__isnull=True) | Q(until__gt=when), since__lte=when)


class WeatherAlert(models.Model):
    """A weather class that control expects at a place, from one time to another."""

    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="alerts")
    weather = models.CharField(max_length=12)
    since = models.DateTimeField()
    until = models.DateTimeField(null=True, blank=True)

    objects = WeatherAlertQuerySet.as_manager()

    class Meta:
        ordering = ["-since"]
        constraints = [
            models.CheckConstraint(
                name="alert_ends_after_start", condition=Q(until__isnull=True) | Q(until__gt=F("since"))
            )
        ]

    def __str__(self):
        return f"{self.weather} at {self.place}"
