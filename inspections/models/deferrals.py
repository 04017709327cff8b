"""Leave not to repair yet (EN 13306: deferred corrective maintenance). It loosens nothing."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class DeferralQuerySet(models.QuerySet):
    def last(self, at):
        """The deferral that counts of each finding at `at`: agreed, not ended, not replaced by an extension."""
        later = Q(extensions__agreed__lte=at)
        return self.filter(agreed__lte=at).filter(Q(ended__isnull=True) | Q(ended__gt=at)).exclude(later)

    def waiting(self):
        """Those that still need the engineer's agreement."""
        return self.filter(agreed__isnull=True, ended__isnull=True)


class Deferral(models.Model):
    """It runs until a time, or until one of its events happens: then its limits on expiry join in, found by query.

    Where the ruleset asks for the engineer, it counts only from the moment one has agreed.
    """

    finding = models.ForeignKey("inspections.Finding", on_delete=models.PROTECT, related_name="deferrals")
    category = models.PositiveSmallIntegerField("category by the deadline reading")
    why = models.CharField(max_length=300)
    interim = models.CharField("control in the meantime", max_length=300, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    since = models.DateTimeField()
    until = models.DateTimeField()
    events = models.JSONField(default=list, blank=True, help_text="Codes of the ruleset's events that end it")
    agreed = models.DateTimeField(null=True, blank=True)
    agreed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    extends = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="extensions")
    ended = models.DateTimeField(null=True, blank=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    ended_why = models.CharField(max_length=300, blank=True)

    objects = DeferralQuerySet.as_manager()

    class Meta:
        ordering = ["since", "pk"]
        constraints = [
            models.CheckConstraint(name="deferral_runs_forward", condition=Q(until__gt=F("since"))),
            models.CheckConstraint(
                name="deferral_ended_says_by_whom",
                condition=Q(ended__isnull=True, ended_by__isnull=True)
                | Q(ended__gte=F("since"), ended_by__isnull=False),
            ),
            models.UniqueConstraint(
                name="an_extension_once", fields=["extends"], condition=Q(extends__isnull=False, ended__isnull=True)
            ),
        ]
        indexes = [
            models.Index(name="deferral_open", fields=["finding", "until"], condition=Q(ended__isnull=True)),
        ]

    def __str__(self):
        return f"deferral of {self.finding}"
