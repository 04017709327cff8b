"""The rulesets that were ever in force."""

from django.conf import settings
from django.db import models


class RuleSetQuerySet(models.QuerySet):
    def in_force(self, at):
        """The ruleset in force at `at`, or None."""
        return self.filter(in_force_from__lte=at).order_by("-in_force_from", "-pk").first()


class RuleSet(models.Model):
    """A ruleset document (TOML), when it came into force, and who put it there."""

    sha256 = models.CharField(max_length=64, unique=True)
    text = models.TextField()
    in_force_from = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True)
    reason = models.CharField(max_length=300)

    objects = RuleSetQuerySet.as_manager()

    class Meta:
        ordering = ["-in_force_from"]

    def __str__(self):
        return f"ruleset {self.sha256[:12]}"
