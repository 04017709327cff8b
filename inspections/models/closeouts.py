"""What was found and done, the tests, and who signed."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class CloseOut(models.Model):
    """A signed outcome. The text that was signed is kept with its digest; `voided` keeps it, crossed out."""

    class Outcome(models.TextChoices):
        REPAIRED = "repaired"
        RELEASED = "released with limits"
        NOT_FOUND = "no fault found"

    finding = models.ForeignKey("inspections.Finding", on_delete=models.PROTECT, related_name="close_outs")
    seen_version = models.PositiveIntegerField()
    confirmed = models.BooleanField("fault confirmed")
    cause = models.CharField(max_length=60, blank=True)
    action = models.CharField(max_length=60, blank=True)
    found = models.TextField("found and done", blank=True)
    outcome = models.CharField(max_length=24, choices=Outcome.choices)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="close_outs")
    parts = models.JSONField(
        "parts out and in", default=list, blank=True, help_text="As signed: slot, what came out and why, what went in"
    )
    signed = models.DateTimeField()
    signed_text = models.TextField()
    signed_sha256 = models.CharField(max_length=64)
    check_needed = models.BooleanField(default=False)
    checker = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="checks"
    )
    checked = models.DateTimeField(null=True, blank=True)
    voided = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                name="checker_is_another",
                condition=Q(checker__isnull=True) | ~Q(checker=F("by")),
                violation_error_message="The checker must be somebody else.",
            ),
            models.CheckConstraint(
                name="checked_with_checker",
                condition=Q(checker__isnull=True, checked__isnull=True)
                | Q(checker__isnull=False, checked__isnull=False),
            ),
            models.UniqueConstraint(
                name="one_close_out_in_force", fields=["finding"], condition=Q(voided__isnull=True)
            ),
        ]

    def __str__(self):
        return f"{self.outcome}: {self.finding}"


class TestResult(models.Model):
    """One test: of a signed close-out, or an attempt during the work. The limit and its document are copied.

    An attempt names its finding, and has no close-out; it is never changed. Signing copies the newest.
    """

    __test__ = False

    class Verdict(models.TextChoices):
        PASS = "pass"  # noqa: S105
        FAIL = "fail"
        REPEAT = "repeat"
        INVALID = "invalid"

    close_out = models.ForeignKey(CloseOut, on_delete=models.PROTECT, null=True, blank=True, related_name="tests")
    finding = models.ForeignKey(
        "inspections.Finding", on_delete=models.PROTECT, null=True, blank=True, related_name="attempts"
    )
    uuid = models.UUIDField(unique=True, null=True, blank=True)
    test = models.CharField(max_length=40)
    name = models.CharField(max_length=120)
    value = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    uncertainty = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    unit = models.CharField(max_length=20, blank=True)
    low = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    high = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    document = models.CharField(max_length=120, blank=True)
    readings = models.JSONField(default=dict, blank=True, help_text="What was read, by name, as text")
    verdict = models.CharField(max_length=8, choices=Verdict.choices)
    gauge = models.ForeignKey("fleet.Gauge", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    gauge_due = models.DateField("the gauge's due date that day", null=True, blank=True)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    at = models.DateTimeField("tested", null=True, blank=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(name="a_test_once_per_close_out", fields=["close_out", "test"]),
            models.CheckConstraint(
                name="signed_or_an_attempt",
                condition=Q(close_out__isnull=False, finding__isnull=True)
                | Q(close_out__isnull=True, finding__isnull=False, by__isnull=False, at__isnull=False),
            ),
            models.CheckConstraint(
                name="gauge_with_its_due_date",
                condition=Q(gauge__isnull=True, gauge_due__isnull=True)
                | Q(gauge__isnull=False, gauge_due__isnull=False),
            ),
        ]

    def __str__(self):
        return f"{self.name}: {self.verdict}"
