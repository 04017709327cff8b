from django.apps import AppConfig
from django.db.models.signals import post_migrate


class InspectionsConfig(AppConfig):
    name = "inspections"
    verbose_name = "Inspections: what was found, and what was done about it"

    def ready(self):
        """After every migrate: the append-only triggers (SQLite drops them with a table), a ruleset in force."""
        from inspections import checks, grading, triggers  # noqa: F401  (apps must be loaded first)

        post_migrate.connect(triggers.after_migrate, sender=self, dispatch_uid="append-only triggers")
        post_migrate.connect(grading.put_shipped_in_force, sender=self, dispatch_uid="a ruleset in force")
