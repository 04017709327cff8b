"""Photos. The owner is a uuid, not a foreign key: a photo may arrive before its report."""

from django.conf import settings
from django.db import models


class PhotoQuerySet(models.QuerySet):
    def of_owners(self, uuids):
        """Photos of these observations or close-outs."""
        return self.filter(owner__in=list(uuids))

    def shown(self):
        """Photos that can be opened."""
        return self.filter(state=Photo.State.STORED)


class Photo(models.Model):
    class State(models.TextChoices):
        WAITING = "waiting"
        STORED = "stored"
        REFUSED = "refused"
        ERASED = "erased"

    uuid = models.UUIDField(unique=True)
    owner = models.UUIDField(db_index=True)
    sha256_received = models.CharField(max_length=64)
    sha256_stored = models.CharField(max_length=64, blank=True)
    width = models.PositiveIntegerField(default=0)
    height = models.PositiveIntegerField(default=0)
    state = models.CharField(max_length=8, choices=State.choices)
    why = models.CharField(max_length=200, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="photos")
    received = models.DateTimeField()

    objects = PhotoQuerySet.as_manager()

    class Meta:
        ordering = ["pk"]

    def __str__(self):
        return f"photo {self.uuid}"
