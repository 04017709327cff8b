"""Who works on the invented railway, and their one password."""

from __future__ import annotations

import os
import secrets
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from django.conf import settings
from django.contrib.auth.hashers import make_password
from django.contrib.auth.models import Group, User
from django.db import connection

from inspections.permissions import CHECKER, CONTROLLER, DRIVER, ENGINEER, FITTER, MANAGER

STAFF = {DRIVER: 4, FITTER: 4, CONTROLLER: 2, MANAGER: 2}
COMPETENCES = {"fitter3": CHECKER, "fitter4": CHECKER, "manager1": ENGINEER}
CONSONANTS, VOWELS = "bdfgklmnprstvz", "aeiou"


@dataclass(frozen=True)
class Cast:
    """The people by role; the last two fitters are checkers, the first manager is the engineer."""

    drivers: list[User]
    fitters: list[User]
    controllers: list[User]
    managers: list[User]

    @property
    def everybody(self) -> list[User]:
        return [*self.drivers, *self.fitters, *self.controllers, *self.managers]

    @property
    def checkers(self) -> list[User]:
        return self.fitters[2:]


def hire(password: str, joined: datetime) -> Cast:
    """Create everybody. The slow hash is made once and copied."""
    hashed = make_password(password)
    groups = {group.name: group for group in Group.objects.all()}
    by_role, links = {}, []
    users = []
    for role, number in STAFF.items():
        for n in range(1, number + 1):
            name = f"{role}{n}"
            user = User(
                pk=len(users) + 1,
                username=name,
                first_name=f"{role.capitalize()} {n}",
                password=hashed,
                date_joined=joined,
            )
            users.append(user)
            by_role.setdefault(role, []).append(user)
            held = [role, COMPETENCES[name]] if name in COMPETENCES else [role]
            links += [User.groups.through(user=user, group=groups[group]) for group in held]
    User.objects.bulk_create(users)
    User.groups.through.objects.bulk_create(links)
    return Cast(by_role[DRIVER], by_role[FITTER], by_role[CONTROLLER], by_role[MANAGER])


def new_password() -> str:
    """Eight syllables in pairs, easy to type on a phone: some 49 bits."""
    syllables = [secrets.choice(CONSONANTS) + secrets.choice(VOWELS) for _ in range(8)]
    return "-".join("".join(syllables[n : n + 2]) for n in range(0, 8, 2))


def password_file() -> Path:
    """Where the password is kept: beside the database file, or beside the logbook's data."""
    if connection.vendor == "sqlite":
        return Path(connection.settings_dict["NAME"]).with_name("demo-password")
    return Path(settings.DATA) / "demo-password"


def keep_password(password: str) -> None:
    """Write the file, readable by this user only."""
    path = password_file()
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        file.write(password + "\n")


def kept_password() -> str:
    """The password in the file if it still opens the first driver's account, else ""."""
    path = password_file()
    password = path.read_text().strip() if path.exists() else ""
    user = User.objects.filter(username="driver1").first()
    return password if password and user and user.check_password(password) else ""
