import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from django.contrib.auth.models import Group
from django.db import transaction

from inspections import permissions
from inspections.demonstration import making

ROOT = Path(__file__).parents[2]
SMALL = ("--units", "6", "--years", "1")
PASSWORD = "correct horse battery staple"


@pytest.fixture(scope="package")
def filled(django_db_setup, django_db_blocker):
    """A small demonstration in the test database, for all tests here that are marked as tests of the database."""
    with django_db_blocker.unblock():
        atomic = transaction.atomic()
        atomic._from_testcase = True  # as Django's TestCase does: acts of workflow are durable
        with atomic:
            for name in (*permissions.ROLES, permissions.CHECKER, permissions.ENGINEER):
                Group.objects.get_or_create(name=name)  # a test that flushed took the migration's with it
            size = making.Size(units=6, years=2)
            making.fill(size, PASSWORD)
            yield size
            transaction.set_rollback(True)


class Home:
    """A folder with a database of its own, and manage.py run on it."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.database = folder / "logbook.sqlite3"

    @property
    def environment(self):
        ours = {
            "DATABASE_URL": f"sqlite:///{self.database}",
            "MEDIA_ROOT": str(self.folder / "media"),
            "STATIC_ROOT": str(self.folder / "static"),
            "SECRET_KEY": "for tests only, long enough, and not all alike 0123456789",
        }
        kept = {name: os.environ[name] for name in ("PATH", "HOME", "LANG") if name in os.environ}
        return kept | ours | {"PYTHONDONTWRITEBYTECODE": "1"}

    def command(self, *words):
        return [sys.executable, str(ROOT / "manage.py"), *words]

    def run(self, *words, ok=True):
        """Run a command; its whole output. `ok` is whether it must succeed."""
        done = subprocess.run(
            self.command(*words),
            cwd=ROOT,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert (done.returncode == 0) is ok, done.stdout + done.stderr
        return done.stdout + done.stderr

    def copy_to(self, folder: Path):
        shutil.copytree(self.folder, folder, dirs_exist_ok=True)
        return Home(folder)


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    """A demonstration made by the command, and what the command said. Do not change it: copy it."""
    home = Home(tmp_path_factory.mktemp("demo"))
    home.said = home.run("demo", "--no-serve", *SMALL)
    return home


@pytest.fixture(scope="session")
def collected(made):
    """The same with its static files collected."""
    made.run("collectstatic", "--no-input", "-v0")
    return made


@pytest.fixture
def home(tmp_path):
    """An empty folder for a database."""
    return Home(tmp_path)


@pytest.fixture
def copy(made, tmp_path):
    """The demonstration again, to be spoiled."""
    return made.copy_to(tmp_path)
