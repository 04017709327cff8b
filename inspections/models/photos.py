"""Photos. The owner is a uuid, not a foreign key: a photo may arrive before its report."""

from django.conf import settings
from django.contrib.auth.models import User
from django.db import models
from django.db.models import Exists, OuterRef

from inspections.models.findings import Observation
from inspections.permissions import MAY


class PhotoQuerySet(models.QuerySet):
    def of_owners(self, uuids):
        """Photos of these observations or close-outs, without those a stranger sent before the report came.

        After the report the door asks who sends (`photos.receive`). Before it, nobody knows whose it will be: then
        a photo counts only from its author, or from one who may see such photos.
        """
        later = Observation.objects.filter(uuid=OuterRef("owner"), received__gt=OuterRef("received"))
        trusted = User.objects.filter(pk=OuterRef("by"), groups__name__in=MAY["see words"])
        stranger = Exists(later.exclude(by=OuterRef("by"))) & ~Exists(trusted)
        return self.filter(owner__in=list(uuids)).exclude(stranger)

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
