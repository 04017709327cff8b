"""Role × address × method, in one table. An address missing from it fails.

Each row: name of the address, its arguments, who may read it (GET), who may post to it (POST). "-" means that the
method is not there at all. Letters: d driver, f fitter, c controller, m manager, k fitter who checks, e manager who
is an engineer, o signed in without a role, a nobody signed in.
"""

from contextlib import contextmanager
from datetime import date, timedelta
from functools import cache

import pytest
from django.db import transaction
from django.urls import URLResolver, get_resolver, reverse

from fleet.models import Gauge, WeatherAlert
from inspections import labels, log, moving, workflow
from inspections.history import figures
from inspections.models import Deferral, Finding, FleetAction, Observation, Photo, Review, RuleSet, Submission
from inspections.rules.limits import Limits
from tests.conftest import uuid_of

ROLES = {
    "a": None,
    "d": "driver",
    "f": "fitter",
    "k": "checker",
    "c": "controller",
    "m": "manager",
    "e": "engineer",
    "o": "outsider",
}
EVERY_ROLE = "dfkcme"
SIGNED_IN = "dfkcmeo"
DESK = "fkcme"
METHODS = ("HEAD", "PUT", "PATCH", "DELETE", "TRACE")
NO_SUCH_METHOD = 405

MATRIX = [
    # name, arguments, GET, POST
    ("start", {}, EVERY_ROLE, "-"),
    ("sign-in", {}, "a" + SIGNED_IN, "a" + SIGNED_IN),
    ("sign-out", {}, "-", "a" + SIGNED_IN),
    ("password", {}, SIGNED_IN, SIGNED_IN),
    ("units", {}, EVERY_ROLE, "-"),
    ("pick", {}, EVERY_ROLE, EVERY_ROLE),
    ("unit", {"number": "201"}, EVERY_ROLE, "-"),
    ("repaired", {"number": "201"}, "fk", "fk"),
    ("restrict", {"number": "201"}, "-", "c"),
    ("lift", {"pk": "restriction"}, "-", "c"),
    ("my-reports", {}, EVERY_ROLE, "-"),
    ("report", {}, EVERY_ROLE, EVERY_ROLE),
    ("quarantine", {}, "cme", "-"),
    ("work-off", {"pk": "kept"}, "cme", "c"),
    ("call-new", {}, "c", "c"),
    ("receipt", {"uuid": "report"}, EVERY_ROLE, "-"),
    ("add-photo", {"uuid": "report"}, "-", "d"),
    ("photo", {"uuid": "photo"}, "d" + DESK, "-"),
    ("find", {}, EVERY_ROLE, "-"),
    ("new-reports", {}, "cme", "-"),
    ("finding", {"ref": "ref"}, EVERY_ROLE, "-"),
    ("finding-log", {"ref": "ref"}, EVERY_ROLE, "-"),
    ("look", {"ref": "ref"}, "-", "c"),
    ("tell", {"ref": "ref"}, "-", "c"),
    ("raise", {"ref": "ref"}, "-", "cfk"),
    ("plan", {"ref": "ref"}, "-", "c"),
    ("take", {"ref": "ref"}, "-", "fk"),
    ("withdraw", {"ref": "ref"}, "-", "c"),
    ("merge", {"ref": "ref"}, "c", "c"),
    ("move", {"ref": "ref"}, "fkc", "fkc"),
    ("moved", {"ref": "moved"}, DESK, "-"),
    ("repeat", {"ref": "ref"}, "fkc", "fkc"),
    ("occurrence", {"ref": "ref"}, "cme", "cme"),
    ("defer", {"ref": "ref"}, DESK, "c"),
    ("agree", {"pk": "deferral"}, "-", "e"),
    ("extend", {"pk": "deferral"}, "-", "e"),
    ("recall", {"pk": "deferral"}, "-", "ce"),
    ("label", {"number": "201"}, "-", "fkc"),
    ("take-down", {"pk": "label"}, "-", "fkc"),
    ("isolate", {"number": "201"}, "-", "fkc"),
    ("restore", {"pk": "isolation"}, "-", "fkc"),
    ("assistance", {"number": "201"}, "-", "c"),
    ("in-force", {}, EVERY_ROLE, "-"),
    ("examine", {"ref": "ref"}, "fk", "fk"),
    ("make-safe", {"ref": "ref"}, "fk", "fk"),
    ("put-back", {"ref": "ref"}, "fk", "fk"),
    ("leak", {"ref": "ref"}, DESK, "fk"),
    ("gauges", {}, DESK, "-"),
    ("gauge-new", {}, "kme", "kme"),
    ("gauge", {"pk": "gauge"}, DESK, "-"),
    ("calibrate", {"pk": "gauge"}, "-", "kme"),
    ("retire", {"pk": "gauge"}, "-", "kme"),
    ("close", {"ref": "ref"}, "fk", "fk"),
    ("check", {"ref": "ref"}, "k", "k"),
    ("short", {"ref": "ref"}, EVERY_ROLE, "-"),
    ("work", {}, DESK, "-"),
    ("card", {"pk": "visit", "letter": "A"}, "-", "fkc"),
    ("pack", {}, "fkc", "-"),
    ("pack-pdf", {}, "-", "fkc"),
    ("recurring", {}, "cme", "-"),
    ("recurring-csv", {"table": "ends"}, "cme", "-"),
    ("recurring-workbook", {}, "cme", "-"),
    ("reviews", {}, "cme", "-"),
    ("review-make", {}, "-", "me"),
    ("review-pdf", {"year": 2026, "month": 10}, "cme", "-"),
    ("end-history", {"pk": "end"}, "cme", "-"),
    ("place-history", {"code": "BRK"}, "cme", "-"),
    ("part-history", {"code": "air-connection"}, "cme", "-"),
    ("actions", {}, "cme", "-"),
    ("action-new", {}, "me", "me"),
    ("action", {"pk": "action"}, "fkcme", "-"),
    ("action-end", {"pk": "action"}, "-", "me"),
    ("action-done", {"pk": "item"}, "-", "fkme"),
    ("rules-table", {}, EVERY_ROLE, "-"),
    ("rulesets", {}, EVERY_ROLE, "-"),
    ("candidate", {}, "-", "e"),
    ("try-it", {}, EVERY_ROLE, "-"),
    ("glossary", {}, EVERY_ROLE, "-"),
    ("ruleset", {"digest": "ruleset"}, EVERY_ROLE, "-"),
    ("ruleset-document", {"digest": "ruleset"}, EVERY_ROLE, "-"),
    ("compare", {"digest": "ruleset"}, EVERY_ROLE, "-"),
    ("what-if", {"digest": "ruleset"}, "-", "e"),
    ("put-in-force", {"digest": "ruleset"}, "-", "e"),
    ("worker", {}, "a" + SIGNED_IN, "-"),
    ("manifest", {}, "a" + SIGNED_IN, "-"),
    ("shell", {}, "a" + SIGNED_IN, "-"),
    ("page-scripts", {}, "a" + SIGNED_IN, "-"),
    ("late-scripts", {}, "a" + SIGNED_IN, "-"),
    ("report-shell", {}, "a" + SIGNED_IN, "-"),
    ("session", {}, EVERY_ROLE, "-"),
    ("facts", {}, EVERY_ROLE, "-"),
    ("what-became", {}, EVERY_ROLE, "-"),
    ("put-report", {"uuid": "new"}, "-", "-"),
    ("put-photo", {"owner": "observation", "uuid": "new"}, "-", "-"),
    ("handed-over", {}, "c", "c"),
    ("alerts", {}, "cme", "c"),
    ("end-alert", {"pk": "alert"}, "-", "c"),
    ("hoods", {}, DESK, "-"),
    ("confirm-hood", {"pk": "end"}, "-", "fkc"),
    ("counts", {}, "cme", "-"),
    ("handover", {}, "cme", "-"),
    ("mates", {}, "cme", "-"),
    ("couple", {}, EVERY_ROLE, "-"),
    ("coupler", {"serial": "P-201A"}, EVERY_ROLE, "-"),
    ("coupling-new", {}, EVERY_ROLE, EVERY_ROLE),
    ("couplings-import", {}, "cme", "cme"),
    ("coupling-shell", {}, "a" + SIGNED_IN, "-"),
    ("known-mates", {}, EVERY_ROLE, "-"),
    ("people", {}, "me", "-"),
    ("end-sessions", {"pk": "driver"}, "-", "me"),
]
# The phone's own: PUT, for whoever may report.
PUT = {"put-report", "put-photo"}
# A report and a photo of somebody else are not there for another driver: 404, not 403.
HIDDEN = {"receipt", "photo", "add-photo"}


@pytest.fixture
def world(cast, railway, report, now):
    """One of everything an address may name. The report is the driver's own."""
    receipt = report(cast.driver)
    finding = Finding.objects.get(ref=receipt.refs[0])
    finding = workflow.look(finding, version=1, by=cast.controller, now=now)
    depot = railway.places["BRK"]
    finding = workflow.plan(finding, version=2, by=cast.controller, now=now, depot=depot, since=now, shift="early")
    restriction = workflow.restrict(
        end=railway.ends["201 A"], unit=None, limits=Limits(couple="not"), why="x", by=cast.controller, now=now
    )
    photo = Photo.objects.create(
        uuid=uuid_of("photo"),
        owner=Observation.objects.get().uuid,
        sha256_received="0" * 64,
        sha256_stored="0" * 64,
        state="stored",
        by=cast.driver,
        received=now,
    )
    submission = Submission.objects.get()
    b_end = {"end": railway.ends["201 B"], "unit": None, "by": cast.controller, "now": now}
    return {
        "ref": finding.ref,
        "visit": finding.visit_id,
        "restriction": restriction.pk,
        "label": labels.hang(number="7", shows="x", restriction=None, **b_end).pk,
        "isolation": labels.isolate(kind="mrp-cock", where="cab", key="", **b_end).pk,
        "deferral": deferred(cast, finding, now).pk,
        "moved": another_moved(cast, railway, report, now).ref,
        "report": submission.uuid,
        "photo": photo.uuid,
        "ruleset": RuleSet.objects.get().sha256[:12],
        "observation": photo.owner,
        "new": uuid_of("new"),
        "driver": cast.other_driver.pk,
        "end": railway.ends["202 B"].pk,
        "kept": kept_whole(cast, now).pk,
        "gauge": Gauge.objects.create(number="P-017", kind="pressure", step="0.05", unit="bar").pk,
        "review": reviewed(now).pk,
        **acted_on(cast, railway, now),
        "alert": WeatherAlert.objects.create(place=depot, weather="wet", since=now).pk,
    }


@cache
def some_figures():
    """Figures of a month; whichever test asks first."""
    return figures.made(date(2026, 10, 31))


def reviewed(now):
    """October 2026, frozen."""
    made = some_figures()
    return Review.objects.create(
        month=2026 * 12 + 9, cut_off=made["cut_off"], method=made["method"], key="x", figures=made, made=now
    )


def acted_on(cast, railway, now):
    """A fleet action and its one item, not done."""
    due = now.date() + timedelta(days=30)
    action = FleetAction.objects.create(
        what="x", why="y", component="air-connection", by=cast.manager, started=now, due=due
    )
    return {"action": action.pk, "item": action.items.create(end=railway.ends["202 B"]).pk}


def deferred(cast, finding, now):
    """It waits for an engineer."""
    until = now + timedelta(hours=5)
    return Deferral.objects.create(
        finding=finding, category=1, why="x", by=cast.controller, since=now, until=until, events=[]
    )


def kept_whole(cast, now):
    """A body that could not be filed."""
    return Submission.objects.create(
        uuid=uuid_of("kept"), sha256="0" * 64, body=b"{}", submitted_by=cast.driver, channel="phone", received=now,
        status="quarantined", why="unit: This field is required.",
    )  # fmt: skip


def another_moved(cast, railway, report, now):
    """A finding that was moved to the other end."""
    other = Finding.objects.get(ref=report(cast.driver, unit="202").refs[0])
    end = railway.ends["202 B"]
    place = {"unit": end.unit, "end": end, "part": other.slot}
    return moving.move(other, **place, version=1, by=cast.controller, now=now, why="x").finding


ACTS = [row for row in MATRIX if row[3] != "-"]


def address(name, arguments, world):
    return reverse(name, kwargs={key: world.get(value, value) for key, value in arguments.items()})


def outcome(answer):
    """ "no" for refused, "gone" for not there, "sign in", "405", or "yes"."""
    if answer.status_code == 302 and "/sign-in/" in answer.headers["Location"]:
        return "sign in"
    return {401: "sign in", 403: "no", 404: "gone", 405: "405"}.get(answer.status_code, "yes")


def expected(name, allowed, letter):
    if allowed == "-":
        return {"405"} if letter != "a" else {"405", "sign in"}
    if letter in allowed:
        return {"yes", "sign in"} if name == "sign-out" else {"yes"}
    if letter == "a":
        return {"sign in"}
    return {"gone", "no"} if name in HIDDEN else {"no"}


def visitors(cast, client, client_of):
    """(letter, a client of somebody of that role), afresh each time: an address may end a session."""
    for letter, who in ROLES.items():
        yield letter, client_of(getattr(cast, who)) if who else client


def test_who_may_read_what_and_reading_changes_nothing(cast, world, client, client_of):
    before, wrong = state(), []
    for name, arguments, get, _ in MATRIX:
        for letter, visitor in visitors(cast, client, client_of):
            found = outcome(visitor.get(address(name, arguments, world)))
            if found not in expected(name, get, letter):
                wrong.append((name, letter, found))
    assert not wrong
    assert state() == before


@contextmanager
def undone():
    """What is done here is taken back."""
    acts = transaction.atomic()
    acts._from_testcase = True  # as Django's TestCase does: acts of workflow are durable
    with acts:
        yield
        transaction.set_rollback(True)


def test_who_may_do_what_where(cast, world, client, client_of):
    """One world, as new for every address."""
    before, wrong = state(), []
    for name, arguments, _, post in ACTS:
        with undone():
            for letter, visitor in visitors(cast, client, client_of):
                found = outcome(visitor.post(address(name, arguments, world), {"fault": world["observation"]}))
                if found not in expected(name, post, letter):
                    wrong.append((name, letter, found))
        assert state() == before, name
    assert not wrong


def test_other_methods_are_refused(cast, world, client, client_of):
    """One world for all: what is refused changes nothing."""
    before, wrong = state(), []
    for name, arguments, get, post in MATRIX:
        url = address(name, arguments, world)
        if post == "-":
            for letter, visitor in visitors(cast, client, client_of):
                found = outcome(visitor.post(url, {"fault": world["observation"]}))
                if found not in expected(name, post, letter):
                    wrong.append((name, "POST", letter, found))
        for who in ("controller", "fitter", "manager"):
            visitor = client_of(getattr(cast, who))
            for method in METHODS:
                if (method == "HEAD" and get != "-") or (method == "PUT" and name in PUT):
                    continue
                found = visitor.generic(method, url).status_code
                if found not in (NO_SUCH_METHOD, 403):
                    wrong.append((name, method, who, found))
    assert not wrong
    assert state() == before


def test_every_unsafe_method_needs_the_forms_token(cast, world, client_of):
    before = state()
    strict = client_of(cast.controller, enforce_csrf_checks=True)
    for name, arguments, _, _ in ACTS:
        assert strict.post(address(name, arguments, world)).status_code == 403, name
    assert state() == before


@pytest.mark.parametrize("name", sorted(PUT))
def test_the_phone_puts_as_whoever_may_report(cast, world, client, client_of, name):
    arguments = next(row[1] for row in MATRIX if row[0] == name)
    url = address(name, arguments, world)
    for letter, who in ROLES.items():
        visitor = client_of(getattr(cast, who)) if who else client
        answer = visitor.put(url, b"no report", content_type="application/json")
        expect = {"a": (401, "sign in"), "o": (403, "not allowed")}.get(letter, (400, "damaged"))
        assert (answer.status_code, answer.json()["error"]) == expect, letter
    strict = client_of(cast.driver, enforce_csrf_checks=True)
    answer = strict.put(url, b"no report", content_type="application/json")
    assert (answer.status_code, answer.json()["error"]) == (403, "csrf")


def state():
    rows = [list(model.objects.order_by("pk").values()) for model in (Finding, Observation, Submission)]
    return [*rows, log.head()]


def test_an_account_that_was_switched_off_reaches_nothing(cast, world, client_of):
    visitor = client_of(cast.manager)
    cast.manager.is_active = False
    cast.manager.save()
    for name, arguments, get, _ in MATRIX:
        if get not in ("-", "a" + SIGNED_IN):
            assert outcome(visitor.get(address(name, arguments, world))) == "sign in", name


def test_admin_is_for_staff(cast, client, client_of):
    for who in (None, cast.driver, cast.manager):
        visitor = client_of(who) if who else client
        answer = visitor.get("/admin/")
        assert answer.status_code == 302
        assert "login" in answer.headers["Location"] or "sign-in" in answer.headers["Location"]


def names(resolver):
    for entry in resolver.url_patterns:
        if isinstance(entry, URLResolver):
            if entry.namespace != "admin":
                yield from names(entry)
        else:
            yield entry.name


def test_every_address_stands_in_the_table():
    assert sorted(names(get_resolver())) == sorted(row[0] for row in MATRIX)


def test_all_rows_say_something():
    assert len(MATRIX) == len({row[0] for row in MATRIX})
    assert all(set(get) <= {*ROLES, "-"} and set(post) <= {*ROLES, "-"} for _, _, get, post in MATRIX)
