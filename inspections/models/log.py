"""The append-only log: one chain of entries for everything that happened."""

import json

from django.conf import settings
from django.db import models


class LogEntry(models.Model):
    """One entry. `hash` covers every other field and `prev`, the hash of the entry before."""

    seq = models.BigIntegerField(unique=True)
    prev = models.CharField(max_length=64, unique=True)
    hash = models.CharField(max_length=64, unique=True)
    subject = models.CharField(max_length=60)
    kind = models.CharField(max_length=40)
    actor = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    happened = models.DateTimeField()
    written = models.DateTimeField()
    payload = models.TextField(default="{}", help_text="Canonical JSON")

    class Meta:
        ordering = ["seq"]
        indexes = [models.Index(name="log_subject", fields=["subject", "seq"])]
        verbose_name_plural = "log entries"

    def __str__(self):
        return f"{self.seq} {self.kind} {self.subject}"

    @property
    def data(self):
        """The payload as a dict."""
        return json.loads(self.payload)
