"""What a manager starts on faults that keep coming back, and the months as they were reviewed."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class FleetAction(models.Model):
    """What is done, to which ends or couplers, by when. Whether it worked is derived from the counts after."""

    what = models.CharField("what is done", max_length=200)
    why = models.TextField()
    component = models.CharField(max_length=24, help_text="Its faults are what is counted before and after")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="fleet_actions")
    started = models.DateTimeField()
    due = models.DateField("to be done by")
    ended = models.DateTimeField(null=True, blank=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    ended_why = models.CharField("how it ended", max_length=200, blank=True)

    class Meta:
        ordering = ["-started", "-pk"]
        constraints = [
            models.CheckConstraint(
                name="action_ended_says_by_whom",
                condition=Q(ended__isnull=True, ended_by__isnull=True)
                | Q(ended__gte=F("started"), ended_by__isnull=False),
            )
        ]

    def __str__(self):
        return self.what


class FleetActionItem(models.Model):
    """One end or coupler of an action, and when it was done there."""

    action = models.ForeignKey(FleetAction, on_delete=models.PROTECT, related_name="items")
    end = models.ForeignKey(
        "fleet.CouplerEnd", on_delete=models.PROTECT, null=True, blank=True, related_name="action_items"
    )
    coupler = models.ForeignKey(
        "fleet.Coupler", on_delete=models.PROTECT, null=True, blank=True, related_name="action_items"
    )
    done = models.DateTimeField(null=True, blank=True)
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                name="item_is_end_or_coupler",
                condition=Q(end__isnull=False, coupler__isnull=True) | Q(end__isnull=True, coupler__isnull=False),
            ),
            models.UniqueConstraint(name="an_end_once_per_action", fields=["action", "end"]),
            models.UniqueConstraint(name="a_coupler_once_per_action", fields=["action", "coupler"]),
            models.CheckConstraint(
                name="item_done_says_by_whom",
                condition=Q(done__isnull=True, done_by__isnull=True) | Q(done__isnull=False, done_by__isnull=False),
            ),
        ]

    def __str__(self):
        return f"{self.action}: {self.end or self.coupler}"


class Review(models.Model):
    """One month's figures, frozen the day they were reviewed: what was confirmed then stays said."""

    month = models.IntegerField(unique=True, help_text="Local year × 12 + month − 1")
    cut_off = models.DateField()
    method = models.CharField(max_length=20)
    key = models.CharField(max_length=200, help_text="What the figures were made from")
    figures = models.JSONField()
    made = models.DateTimeField()
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["-month"]

    def __str__(self):
        return f"{self.month // 12}-{self.month % 12 + 1:02}"
