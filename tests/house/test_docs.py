"""What the papers say is there is there."""

import re
from pathlib import Path

from django.conf import settings
from django.core.management import get_commands

from config import settings as strict

ROOT = Path(settings.BASE_DIR)
README = (ROOT / "README.md").read_text()
GUIDE = (ROOT / "DEVELOPERS.md").read_text()


def test_every_command_named_exists():
    named = set(re.findall(r"manage\.py ([a-z_]+)", README + GUIDE))
    assert {"demo", "serve", "migrate", "grade", "what_if", "verify_log"} <= named
    assert named <= set(get_commands())


def test_every_setting_is_in_the_table_and_the_other_way_round():
    table = set(re.findall(r"^\| `([A-Z_]+)` \|", README, re.MULTILINE))
    assert table == set(strict.NAMES)


def test_every_dependency_has_its_line():
    lines = (ROOT / "requirements.txt").read_text() + (ROOT / "tests/requirements.txt").read_text()
    packages = set(re.findall(r"^([A-Za-z0-9_-]+)(?:\[[a-z]+\])?==", lines, re.MULTILINE))
    table = GUIDE.split("## Dependencies")[1].split("## ")[0]
    assert len(packages) > 15
    assert not [name for name in packages if name.lower() not in table.lower()]


def test_every_module_of_the_guide_exists():
    named = re.findall(r"`((?:inspections|fleet|config|tests|static|templates)/[\w/.]+)`", GUIDE)
    assert len(named) > 15
    assert not [path for path in named if not (ROOT / path).exists()]
    rooms = {path.name for path in (ROOT / "inspections").glob("*.py")} - {"__init__.py", "apps.py", "urls.py"}
    assert not [name for name in rooms if name not in GUIDE]


def test_the_first_command_is_one_line_and_installs_what_it_runs():
    line = next(line for line in README.splitlines() if "manage.py demo" in line).strip()
    assert line == (
        "python3 -m venv .venv && .venv/bin/pip install -r requirements.txt && .venv/bin/python manage.py demo"
    )
