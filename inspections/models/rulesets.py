"""The rulesets that were ever in force."""

from django.conf import settings
from django.db import models


class RuleSetQuerySet(models.QuerySet):
    def candidates(self):
        """Documents that were never put in force."""
        return self.filter(in_force_from__isnull=True)

    def in_force(self, at):
        """The ruleset in force at `at`, or None."""
        return self.filter(in_force_from__lte=at).order_by("-in_force_from", "-pk").first()


class RuleSet(models.Model):
    """A ruleset document (TOML), when it came into force, and who put it there.

    A candidate has no `in_force_from` yet; `what_if` keeps what it would change, as `what_if.compare` found it.
    """

    sha256 = models.CharField(max_length=64, unique=True)
    text = models.TextField()
    in_force_from = models.DateTimeField(null=True, blank=True)
    what_if = models.JSONField(null=True, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True)
    reason = models.CharField(max_length=300, blank=True)

    objects = RuleSetQuerySet.as_manager()

    class Meta:
        ordering = ["-in_force_from", "-pk"]

    def __str__(self):
        return f"ruleset {self.sha256[:12]}"
