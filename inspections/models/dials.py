"""A column per dial (`design.md`, definition 6): the shape every table of limits shares."""

from django.db import models
from django.db.models import Q

from inspections.rules.facts import CATEGORIES
from inspections.rules.limits import DIALS, Limits

CATEGORY_CHOICES = list(enumerate(word.capitalize() for word in CATEGORIES))


def words_of(dial):
    return [(word, word) for word in DIALS[dial]]


def dial_field(dial):
    return models.CharField(max_length=16, choices=words_of(dial), default=DIALS[dial][0])


class Dials(models.Model):
    """One value per dial and the set of isolations asked for. Defaults are "no limit"."""

    couple = dial_field("couple")
    uncouple = dial_field("uncouple")
    move = dial_field("move")
    passengers = dial_field("passengers")
    rescue = dial_field("rescue")
    speed = models.PositiveSmallIntegerField("highest speed, km/h", null=True, blank=True)
    isolations = models.JSONField(default=list, blank=True)

    class Meta:
        abstract = True
        constraints = [
            models.CheckConstraint(name=f"%(class)s_{dial}_word", condition=Q(**{f"{dial}__in": list(words)}))
            for dial, words in DIALS.items()
        ]

    @property
    def limits(self):
        """The row as the pure value that joins."""
        return Limits(
            **{dial: getattr(self, dial) for dial in DIALS},
            speed=self.speed,
            isolations=frozenset(self.isolations),
        )

    @staticmethod
    def columns(limits):
        """The pure value as the columns of a row."""
        return {
            **{dial: getattr(limits, dial) for dial in DIALS},
            "speed": limits.speed,
            "isolations": sorted(limits.isolations),
        }
