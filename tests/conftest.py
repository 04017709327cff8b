"""A named cast, a tiny railway, and a real browser. Fixed, boring values: a red run can be repeated."""

import json
import os
import shutil
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from uuid import NAMESPACE_OID, uuid5

import pytest
from django.conf import settings
from django.contrib.auth.models import Group, User
from django.test import Client
from playwright.sync_api import expect, sync_playwright

from fleet.models import Coupler, CouplerEnd, CouplerPattern, Fitment, Place, Unit, UnitType
from inspections import intake, pace, permissions, triggers

PASSWORD = "correct horse battery staple"
CHROMIUM = "/usr/bin/chromium"
CHROMIUM_ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
NOW = datetime(2026, 11, 24, 6, 0, tzinfo=UTC)
SLOTS = ["face", "cone", "cup", "hook", "air-upper", "air-lower", "contacts", "cover", "handle"]


def pytest_configure(config):
    """Tests have a database file and folders of their own, and a quick password hasher."""
    home = Path(tempfile.mkdtemp(prefix="logbook-tests-"))
    config.add_cleanup(lambda: shutil.rmtree(home, ignore_errors=True))
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    database = settings.DATABASES["default"]
    if database["ENGINE"].endswith("sqlite3"):
        database["TEST"] = {**database.get("TEST", {}), "NAME": str(home / "test.sqlite3")}
        # Nobody pulls the plug on this database; tests/faults kills a server that writes as the product does.
        options = database["OPTIONS"]
        assert "synchronous=EXTRA" in options["init_command"]
        options["init_command"] = options["init_command"].replace("synchronous=EXTRA", "synchronous=OFF")
    settings.MEDIA_ROOT = home / "media"
    settings.STORAGES["default"]["OPTIONS"]["location"] = home / "media"
    settings.STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


@pytest.fixture(autouse=True)
def flushable(request):
    """Tests that flush tables drop the append-only triggers first; the flush itself creates them again."""
    marker = request.node.get_closest_marker("django_db")
    flushes = {"transactional_db", "live_server"} & set(request.fixturenames)
    if not flushes and not (marker and marker.kwargs.get("transaction")):
        yield
        return
    request.getfixturevalue("transactional_db")
    yield
    triggers.drop()


@pytest.fixture(autouse=True)
def unhurried():
    """Nobody has sent anything yet: people's numbers repeat from test to test."""
    pace.forget()


@pytest.fixture
def now():
    return NOW


def person(username, name, *groups):
    user = User.objects.create_user(username, password=PASSWORD, first_name=name)
    user.groups.set([Group.objects.get_or_create(name=group)[0] for group in groups])
    return user


@pytest.fixture
def cast(db):
    """One person per role and competence; nobody else exists."""
    p = permissions
    return SimpleNamespace(
        driver=person("driver1", "Driver 1", p.DRIVER),
        other_driver=person("driver2", "Driver 2", p.DRIVER),
        fitter=person("fitter1", "Fitter 1", p.FITTER),
        other_fitter=person("fitter2", "Fitter 2", p.FITTER),
        checker=person("fitter3", "Fitter 3", p.FITTER, p.CHECKER),
        controller=person("controller1", "Controller 1", p.CONTROLLER),
        other_controller=person("controller2", "Controller 2", p.CONTROLLER),
        manager=person("manager1", "Manager 1", p.MANAGER),
        engineer=person("manager2", "Manager 2", p.MANAGER, p.ENGINEER),
        outsider=person("visitor1", "Visitor 1"),
    )


@pytest.fixture
def railway(db):
    """Four units, eight ends, five places, a coupler at every end."""
    places = {
        code: Place.objects.create(code=code, name=name, kind=kind, remote=remote, curve_radius_m=radius)
        for code, name, kind, remote, radius in [
            ("BRK", "Brackwater", "depot", False, None),
            ("ELM", "Elmsgate", "depot", False, None),
            ("SKJ", "Skarrow Junction", "station", False, None),
            ("THO", "Thornhope", "siding", True, 160),
            ("SAL", "Saltmarsh", "loop", True, None),
        ]
    }
    parts = [{"slot": slot, "pipe": {"air-upper": "MRP", "air-lower": "BP"}.get(slot, "")} for slot in SLOTS]
    patterns = {
        code: CouplerPattern.objects.create(
            code=code, joins=joins, drawing=code, parts=parts, contacts=72, contacts_dead="no"
        )
        for code, joins in [("P", "P in full"), ("Q", "Q in full; P mechanically and by air")]
    }
    types = {
        code: UnitType.objects.create(code=code, name=f"Type {code}", vehicles=int(code[0]))
        for code in ("2V", "3V", "3N")
    }
    units, ends = {}, {}
    for number, kind, pattern in [("201", "2V", "P"), ("202", "2V", "P"), ("301", "3V", "P"), ("401", "3N", "Q")]:
        units[number] = Unit.objects.create(number=number, type=types[kind], home=places["BRK"])
        for letter in "AB":
            end = CouplerEnd.objects.create(
                vehicle=f"{number}{letter}", pattern=patterns[pattern], unit=units[number], letter=letter
            )
            coupler = Coupler.objects.create(serial=f"{pattern}-{number}{letter}", pattern=patterns[pattern])
            Fitment.objects.create(coupler=coupler, end=end, fitted=datetime(2024, 1, 1, tzinfo=UTC))
            ends[f"{number} {letter}"] = end
    return SimpleNamespace(places=places, patterns=patterns, types=types, units=units, ends=ends)


def uuid_of(*words):
    """A fixed uuid for these words."""
    return uuid5(NAMESPACE_OID, " ".join(map(str, words)))


def body(author, *, key="1", unit="201", end="A", part="air-upper", symptom="seal-torn", situation="U", **more):
    """A version 1 body with one fault, as a dict; `more` replaces top-level keys."""
    fault = {"id": str(uuid_of("fault", key)), "end": end, "part": part, "symptom": symptom}
    fault |= {name: more.pop(name) for name in ("kind", "of", "facts", "photos") if name in more}
    return {
        "v": 1,
        "id": str(uuid_of("report", key)),
        "author": author.pk,
        "unit": unit,
        "seen": "2026-11-24T05:48:00+00:00",
        "ends": [{"end": end, "situation": situation}],
        "faults": [fault],
        **more,
    }


@pytest.fixture
def report(railway, now):
    """Report a fault as `author`; gives the receipt. Each call is a report of its own."""
    count = iter(range(1, 10_000))

    def send(author, *, channel="page", received=now, **more):
        data = body(author, key=f"auto {next(count)}", **more)
        return intake.receive(raw=json.dumps(data).encode(), submitted_by=author, channel=channel, received=received)

    return send


@pytest.fixture
def client_of(db):
    """A signed-in client for a user."""

    def make(user, **options):
        client = Client(**options)
        client.force_login(user)
        return client

    return make


@pytest.fixture(scope="session")
def chromium():
    expect.set_options(timeout=15_000)  # a busy machine is no fault of the page
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGS)
        yield browser
        browser.close()


@pytest.fixture
def browser_page(chromium, live_server):
    """A page of a fresh browser at 360×640, bound to the live server; any console error fails the test."""
    context = chromium.new_context(viewport={"width": 360, "height": 640}, base_url=live_server.url)
    page = context.new_page()
    faults = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda m: m.type == "error" and "Failed to load" not in m.text and faults.append(m.text))
    yield page
    context.close()
    assert not faults, faults


@pytest.fixture
def sign_in(live_server):
    """Put a user's session into a page's browser."""

    def enter(page, user):
        client = Client()
        client.force_login(user)
        page.context.add_cookies(
            [
                {
                    "name": settings.SESSION_COOKIE_NAME,
                    "value": client.cookies[settings.SESSION_COOKIE_NAME].value,
                    "url": live_server.url,
                }
            ]
        )

    return enter
