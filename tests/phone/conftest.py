"""A railway with much on it, and a page of a browser with the phone's look-up."""

import json
from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.conf import settings
from django.db import transaction

from fleet.models import Coupling, CouplingSide, WeatherAlert
from inspections import grading, workflow
from inspections.models import Deferral, Finding, Grade, Isolation, Observation
from inspections.rules.limits import Limits
from tests.conftest import uuid_of

SCRIPT = settings.BASE_DIR / "static/js/rules.js"


@pytest.fixture
def rules_page(chromium, db, now):
    """ask(expression, *arguments): what the phone's rules.js says, its table loaded, over JSON and back."""
    page = chromium.new_page()
    page.add_script_tag(content=SCRIPT.read_text(encoding="utf-8"))
    page.evaluate("(text) => Rules.load(JSON.parse(text))", json.dumps(grading.published()))

    def ask(expression, *arguments):
        call = f"(text) => JSON.stringify(({expression})(...JSON.parse(text)) ?? null)"
        return json.loads(page.evaluate(call, json.dumps(arguments)))

    yield ask
    page.close()


def couple(railway, one, other, at, *, place, parted=None):
    coupling = Coupling.objects.create(
        uuid=uuid_of("coupling", at, one),
        at=at,
        parted=parted,
        place=railway.places[place],
        source="test",
        source_ref=f"{at} {one}",
        received=at,
    )
    for end in (one, other):
        CouplingSide.objects.create(coupling=coupling, end=railway.ends[end], at=at)


def examined(finding, by, mode, at):
    """A fitter's finding on it: better evidence."""
    Observation.objects.create(
        uuid=uuid_of("examined", finding.ref),
        finding=finding,
        kind="examined",
        quality="examined",
        slot=finding.slot,
        symptom=finding.symptom,
        mode=mode,
        facts={"seen-in": "U"},
        by=by,
        seen=at,
        received=at,
    )
    Finding.objects.filter(pk=finding.pk).update(mode=mode)
    finding.refresh_from_db()
    with transaction.atomic():
        grading.regrade(finding, cause=Grade.Cause.OBSERVATION, now=at, actor=by.pk)
        grading.regrade_siblings(finding, now=at, actor=by.pk)


@pytest.fixture
def busy(cast, railway, report, now):
    """Several faults per end that combine, ends not known, raised, examined, merged; limits people set, of each kind;
    deferrals run out; weather alerted, weather seen; ends coupled; faults that came back."""
    ends = railway.ends

    def fault(unit, end, part, symptom, situation="U", **more):
        receipt = report(cast.driver, unit=unit, end=end, part=part, symptom=symptom, situation=situation, **more)
        return Finding.objects.get(ref=receipt.refs[0])

    couple(railway, "301 A", "202 B", now - timedelta(minutes=5), place="THO")
    couple(railway, "301 B", "401 A", now - timedelta(hours=9), place="SKJ", parted=now - timedelta(hours=8))
    WeatherAlert.objects.create(place=railway.places["THO"], weather="frost", since=now - timedelta(hours=1))
    WeatherAlert.objects.create(place=railway.places["SKJ"], weather="wet", since=now - timedelta(hours=1))

    # closed within the window: what comes again there is a repeat
    for days, unit, part, symptom in [(20, "201", "air-upper", "seal-torn"), (9, "201", "air-upper", "seal-torn")]:
        old = fault(unit, "B", part, symptom, received=now - timedelta(days=days))
        Finding.objects.filter(pk=old.pk).update(state="closed", closed=now - timedelta(days=days - 1))
    # closed long ago with few couplings since, and closed long ago with many
    for unit, end in [("202", "A"), ("401", "A")]:
        old = fault(unit, end, "hook", "hook-marks", received=now - timedelta(days=90))
        Finding.objects.filter(pk=old.pk).update(state="closed", closed=now - timedelta(days=80))
    for n in range(12):
        at = now - timedelta(days=60, minutes=n)
        couple(railway, "401 A", "202 A" if n == 0 else "301 B", at, place="BRK", parted=at + timedelta(seconds=30))

    fault("201", "A", "air-upper", "seal-torn")
    fault("201", "A", "air-lower", "seal-hiss", facts={"seen-in": "R"})
    fault("201", "A", "hook", "hook-marks", situation="C", seen="2026-11-24T05:52:00+00:00")
    fault("201", "?", "cover", "cover-open")
    fault("201", "?", "contacts", "block-wet")
    raised = fault("201", "B", "handle", "handle-stiff")
    workflow.look(raised, version=raised.version, by=cast.controller, now=now)
    raised.refresh_from_db()
    workflow.raise_category(
        raised, version=raised.version, by=cast.controller, now=now, to=3, why="It fell off before"
    )
    looked_into = fault("202", "A", "hook", "")
    examined(looked_into, cast.fitter, "grease-gone", now)
    fault("202", "A", "air-upper", "seal-torn")
    fault("202", "B", "cover", "cover-open", weather="wet")
    fault("202", "B", "contacts", "block-wet")
    again = fault("301", "A", "cables", "cable-hanging")
    fault("301", "A", "cables", "cable-hanging", kind="worse", of=again.ref, facts={"may-fall": "yes"})
    fault("301", "B", "other", "a word of tomorrow")
    run_out = fault("401", "A", "air-upper", "seal-hard")
    fault("401", "B", "shank", "")
    fault("401", "B", "hook", "hook-marks")
    fault("401", "B", "cone", "guide-bent")

    workflow.restrict(
        end=ends["202 B"], unit=None, limits=Limits(uncouple="not before depot", speed=60), why="Secret one",
        by=cast.controller, now=now,
    )  # fmt: skip
    workflow.restrict(
        end=None, unit=railway.units["202"], why="Secret two", by=cast.controller, now=now,
        limits=Limits(couple="not", speed=40, isolations=frozenset({"mrp-cock", "electric-head"})),
    )  # fmt: skip
    Isolation.objects.create(end=ends["401 B"], kind="bp-cock", by=cast.fitter, since=now - timedelta(hours=1))
    Isolation.objects.create(end=ends["202 A"], kind="electric-head", by=cast.fitter, since=now)
    Isolation.objects.create(unit=railway.units["301"], kind="mrp-cock", by=cast.fitter, since=now)
    Deferral.objects.create(
        finding=run_out, category=1, why="Secret three", by=cast.controller, since=now - timedelta(days=3),
        agreed=now - timedelta(days=3), agreed_by=cast.controller, until=now - timedelta(hours=3),
    )  # fmt: skip
    return SimpleNamespace(fault=fault, **vars(railway))
