"""Findings and what was observed of each."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from inspections.models.dials import CATEGORY_CHOICES
from inspections.rules.facts import KINDS, QUALITIES

OPEN = ("reported", "acknowledged", "planned", "in work", "awaiting check")


class FindingQuerySet(models.QuerySet):
    def open(self):
        """Findings somebody still has to deal with."""
        return self.filter(state__in=OPEN)

    def not_looked_at(self):
        """Findings control has not looked at."""
        return self.filter(state=Finding.State.REPORTED)

    def worst_first(self):
        """The order of every list: worst category over all cells, then the longest waiting."""
        return self.order_by(F("worst").desc(nulls_first=True), "first_seen", "pk")

    def at_depot(self, depot):
        """Findings whose visit is at `depot`."""
        return self.filter(visit__depot=depot)

    def of_person(self, person):
        """Findings this person observed."""
        return self.filter(observations__by=person).distinct()

    def for_list(self):
        """With what a row of a list shows, in one query."""
        return self.select_related("unit", "end", "visit__depot", "current_grade")


class Finding(models.Model):
    """One fault on one component of one end. Unit or end may be empty, kept "as given"."""

    class State(models.TextChoices):
        REPORTED = "reported"
        ACKNOWLEDGED = "acknowledged"
        PLANNED = "planned"
        IN_WORK = "in work"
        AWAITING_CHECK = "awaiting check"
        CLOSED = "closed"
        MERGED = "merged"
        WITHDRAWN = "withdrawn"

    ref = models.CharField(max_length=8, unique=True, help_text="Seven digits and a Damm check digit")
    unit = models.ForeignKey("fleet.Unit", on_delete=models.PROTECT, null=True, blank=True)
    unit_given = models.CharField(max_length=40)
    end = models.ForeignKey(
        "fleet.CouplerEnd", on_delete=models.PROTECT, null=True, blank=True, related_name="findings"
    )
    end_given = models.CharField(max_length=8)
    coupler = models.ForeignKey("fleet.Coupler", on_delete=models.PROTECT, null=True, blank=True)
    component = models.CharField(max_length=24)
    slot = models.CharField(max_length=24)
    symptom = models.CharField(max_length=40, blank=True)
    mode = models.CharField("confirmed mode", max_length=40, blank=True)
    state = models.CharField(max_length=16, choices=State.choices, default=State.REPORTED)
    version = models.PositiveIntegerField(default=1)
    first_seen = models.DateTimeField()
    closed = models.DateTimeField(null=True, blank=True)
    current_grade = models.ForeignKey(
        "inspections.Grade", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    worst = models.PositiveSmallIntegerField(null=True, blank=True, choices=CATEGORY_CHOICES)
    visit = models.ForeignKey(
        "inspections.Visit", on_delete=models.PROTECT, null=True, blank=True, related_name="findings"
    )
    merged_into = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    repeat_of = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="repeats")
    month = models.IntegerField(help_text="Local year × 12 + month − 1, for counting by month")
    gap_days = models.IntegerField(
        null=True, blank=True, help_text="Days since the previous finding on this end and component"
    )

    objects = FindingQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(name="finding_month", fields=["month", "component", "gap_days"]),
            models.Index(name="finding_end_component", fields=["end", "component", "first_seen"]),
            models.Index(
                name="finding_open", fields=["-worst", "first_seen", "end"], condition=Q(closed__isnull=True)
            ),
            models.Index(name="finding_new", fields=["-worst", "first_seen"], condition=Q(state="reported")),
            models.Index(name="finding_open_visit", fields=["visit", "-worst"], condition=Q(closed__isnull=True)),
        ]
        constraints = [
            models.CheckConstraint(
                name="closed_time_with_end_state",
                condition=Q(state__in=OPEN, closed__isnull=True)
                | Q(state__in=["closed", "merged", "withdrawn"], closed__isnull=False),
            ),
            models.CheckConstraint(
                name="merged_names_its_target",
                condition=Q(state="merged", merged_into__isnull=False)
                | (~Q(state="merged") & Q(merged_into__isnull=True)),
            ),
            models.CheckConstraint(name="worst_in_range", condition=Q(worst__isnull=True) | Q(worst__range=(0, 3))),
        ]

    def __str__(self):
        return self.spoken_ref

    @property
    def spoken_ref(self):
        """The reference in two groups of four, as it is said and printed."""
        return f"{self.ref[:4]} {self.ref[4:]}"

    @property
    def is_open(self):
        return self.state in OPEN

    @property
    def end_words(self):
        """ "A end", "B end" or "end not known"."""
        letter = self.end.letter if self.end_id else self.end_given
        return f"{letter} end" if letter in ("A", "B") else "end not known"


class Observation(models.Model):
    """What somebody saw of one finding. Append-only."""

    uuid = models.UUIDField(unique=True)
    finding = models.ForeignKey(Finding, on_delete=models.PROTECT, related_name="observations")
    inspection = models.ForeignKey(
        "inspections.Inspection",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="observations",
    )
    kind = models.CharField(max_length=16, choices=[(k, k) for k in KINDS])
    slot = models.CharField(max_length=24)
    symptom = models.CharField(max_length=40, blank=True)
    mode = models.CharField(max_length=40, blank=True)
    quality = models.CharField(max_length=16, choices=[(q, q) for q in QUALITIES], default="seen")
    facts = models.JSONField(default=dict, blank=True, help_text="Fact code → word, or number as text")
    raised_to = models.PositiveSmallIntegerField(null=True, blank=True, choices=CATEGORY_CHOICES)
    note = models.TextField(blank=True)
    photos = models.JSONField(default=list, blank=True, help_text="uuids of the photos said to belong here")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="observations")
    seen = models.DateTimeField()
    seen_offset_min = models.SmallIntegerField(default=0)
    received = models.DateTimeField()

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(name="observation_kind_word", condition=Q(kind__in=KINDS)),
            models.CheckConstraint(name="observation_quality_word", condition=Q(quality__in=QUALITIES)),
            models.CheckConstraint(
                name="raised_says_to_what",
                condition=Q(kind="raised", raised_to__range=(0, 3)) | Q(raised_to__isnull=True),
            ),
        ]

    def __str__(self):
        return f"{self.kind} of {self.finding}"
