from django.apps import AppConfig
from django.db.models.signals import post_migrate


class InspectionsConfig(AppConfig):
    name = "inspections"
    verbose_name = "Inspections: what was found, and what was done about it"

    def ready(self):
        """Re-create the append-only triggers after every migrate: SQLite drops them on a rebuilt table."""
        from inspections import checks, triggers  # noqa: F401  (apps must be loaded first)

        post_migrate.connect(triggers.after_migrate, sender=self, dispatch_uid="append-only triggers")
