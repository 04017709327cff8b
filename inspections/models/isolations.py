"""Labels hung on a unit, and what was shut or cut out on it. Each is put on and taken off by somebody."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q

ON_END_OR_UNIT = Q(end__isnull=False, unit__isnull=True) | Q(end__isnull=True, unit__isnull=False)


class PutOnQuerySet(models.QuerySet):
    def in_force(self, at):
        """Those put on and not taken off at `at`."""
        return self.filter(Q(off__isnull=True) | Q(off__gt=at), since__lte=at)


class PutOn(models.Model):
    """What is put on an end or a whole unit and taken off again; who did either, and when."""

    end = models.ForeignKey(
        "fleet.CouplerEnd", on_delete=models.PROTECT, null=True, blank=True, related_name="%(class)ss"
    )
    unit = models.ForeignKey("fleet.Unit", on_delete=models.PROTECT, null=True, blank=True, related_name="%(class)ss")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    since = models.DateTimeField()
    off = models.DateTimeField("taken off", null=True, blank=True)
    off_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    objects = PutOnQuerySet.as_manager()

    class Meta:
        abstract = True
        ordering = ["since", "pk"]
        constraints = [
            models.CheckConstraint(name="%(class)s_on_end_or_unit", condition=ON_END_OR_UNIT),
            models.CheckConstraint(
                name="%(class)s_off_says_by_whom",
                condition=Q(off__isnull=True, off_by__isnull=True) | Q(off__gte=F("since"), off_by__isnull=False),
            ),
        ]


class Label(PutOn):
    """A numbered label that shows a restriction to whoever comes to the end."""

    number = models.CharField(max_length=12)
    shows = models.CharField(max_length=200)
    restriction = models.ForeignKey(
        "inspections.Restriction", on_delete=models.PROTECT, null=True, blank=True, related_name="labels"
    )

    class Meta(PutOn.Meta):
        constraints = [
            *PutOn.Meta.constraints,
            models.UniqueConstraint(name="a_label_hangs_once", fields=["number"], condition=Q(off__isnull=True)),
        ]
        indexes = [models.Index(name="label_end", fields=["end"], condition=Q(off__isnull=True))]

    def __str__(self):
        return f"label {self.number}"


class Isolation(PutOn):
    """Something shut or cut out: its kind's code in the ruleset gives the limits it brings."""

    kind = models.CharField(max_length=40)
    where = models.CharField("where it was done", max_length=120, blank=True)
    key = models.CharField("key number and who holds it", max_length=60, blank=True)
    finding = models.ForeignKey(
        "inspections.Finding", on_delete=models.PROTECT, null=True, blank=True, related_name="isolations"
    )

    class Meta(PutOn.Meta):
        constraints = [*PutOn.Meta.constraints]
        indexes = [
            models.Index(name="isolation_end", fields=["end"], condition=Q(off__isnull=True)),
            models.Index(name="isolation_unit", fields=["unit"], condition=Q(off__isnull=True)),
        ]

    def __str__(self):
        return f"{self.kind} on {self.end or self.unit}"
