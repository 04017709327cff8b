"""A person's limit on an end or a unit: it tightens, never loosens."""

from uuid import uuid4

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from inspections.models.dials import Dials


class RestrictionQuerySet(models.QuerySet):
    def in_force(self, at):
        """Restrictions set and not lifted at `at`."""
        return self.filter(Q(lifted__isnull=True) | Q(lifted__gt=at), since__lte=at)


class Restriction(Dials):
    end = models.ForeignKey(
        "fleet.CouplerEnd", on_delete=models.PROTECT, null=True, blank=True, related_name="restrictions"
    )
    unit = models.ForeignKey(
        "fleet.Unit", on_delete=models.PROTECT, null=True, blank=True, related_name="restrictions"
    )
    why = models.CharField(max_length=300)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    since = models.DateTimeField()
    uuid = models.UUIDField(unique=True, default=uuid4, help_text="The form's own, so that a double press sets one")
    finding = models.ForeignKey(
        "inspections.Finding", on_delete=models.PROTECT, null=True, blank=True, related_name="restrictions"
    )
    close_out = models.ForeignKey(
        "inspections.CloseOut", on_delete=models.PROTECT, null=True, blank=True, related_name="restrictions"
    )
    lifted = models.DateTimeField(null=True, blank=True)
    lifted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    lifted_why = models.CharField(max_length=300, blank=True)

    objects = RestrictionQuerySet.as_manager()

    class Meta(Dials.Meta):
        ordering = ["since"]
        constraints = [
            *Dials.Meta.constraints,
            models.CheckConstraint(
                name="restriction_on_end_or_unit",
                condition=Q(end__isnull=False, unit__isnull=True) | Q(end__isnull=True, unit__isnull=False),
            ),
            models.CheckConstraint(
                name="lifted_says_by_whom",
                condition=Q(lifted__isnull=True, lifted_by__isnull=True)
                | Q(lifted__gte=F("since"), lifted_by__isnull=False),
            ),
        ]
        indexes = [
            models.Index(name="restriction_end", fields=["end"], condition=Q(lifted__isnull=True)),
            models.Index(name="restriction_unit", fields=["unit"], condition=Q(lifted__isnull=True)),
        ]

    def __str__(self):
        return f"restriction on {self.end or self.unit}"
