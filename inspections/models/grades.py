"""Grades: one row per grading, one cell per situation × weather class. Append-only."""

from django.db import models
from django.db.models import Q

from inspections.models.dials import CATEGORY_CHOICES, Dials
from inspections.rules.facts import SITUATION_WORDS


class Grade(models.Model):
    """One grading of a finding under one ruleset. `worst` is the order reading (worst of all cells)."""

    class Cause(models.TextChoices):
        INTAKE = "intake"
        OBSERVATION = "observation"
        SIBLING = "sibling"
        RULESET = "ruleset"

    finding = models.ForeignKey("inspections.Finding", on_delete=models.PROTECT, related_name="grades")
    ruleset = models.ForeignKey("inspections.RuleSet", on_delete=models.PROTECT, related_name="grades")
    made = models.DateTimeField()
    cause = models.CharField(max_length=12, choices=Cause.choices)
    worst = models.PositiveSmallIntegerField(choices=CATEGORY_CHOICES)
    hours = models.DecimalField("shortest time allowed, hours", max_digits=7, decimal_places=2, null=True, blank=True)
    modes = models.JSONField("candidate modes", default=list)

    class Meta:
        ordering = ["pk"]

    def __str__(self):
        return f"{self.get_worst_display()} at {self.made:%Y-%m-%d %H:%M}"


class GradeCell(Dials):
    """One situation × weather: category, limits, time allowed, hazards and the rules that say so.

    `hits` is a list of {"hazard", "frequency", "category", "mode", "rule"}.
    """

    grade = models.ForeignKey(Grade, on_delete=models.PROTECT, related_name="cells")
    situation = models.CharField(max_length=1, choices=list(SITUATION_WORDS.items()))
    weather = models.CharField(max_length=12)
    category = models.PositiveSmallIntegerField(choices=CATEGORY_CHOICES)
    hours = models.DecimalField(max_digits=7, decimal_places=2, null=True, blank=True)
    hits = models.JSONField(default=list)
    rules = models.JSONField(default=list)

    class Meta(Dials.Meta):
        constraints = [
            *Dials.Meta.constraints,
            models.UniqueConstraint(name="one_cell", fields=["grade", "situation", "weather"]),
            models.CheckConstraint(name="cell_situation", condition=Q(situation__in=["U", "C", "R"])),
            models.CheckConstraint(name="cell_category", condition=Q(category__range=(0, 3))),
        ]

    def __str__(self):
        return f"{self.situation} {self.weather}: {self.get_category_display()}"
