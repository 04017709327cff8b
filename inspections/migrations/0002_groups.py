"""The four roles and two competences are groups."""

from django.db import migrations

NAMES = ["driver", "fitter", "controller", "manager", "checker", "engineer"]


def create(apps, schema_editor):
    group = apps.get_model("auth", "Group")
    for name in NAMES:
        group.objects.get_or_create(name=name)


class Migration(migrations.Migration):
    dependencies = [
        ("inspections", "0001_initial"),
        ("auth", "0012_alter_user_first_name_max_length"),
    ]
    operations = [migrations.RunPython(create, migrations.RunPython.noop)]
