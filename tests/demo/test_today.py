"""Live on the day: what somebody who opens the demonstration must find."""

import pytest
from django.contrib.auth.models import User

from fleet.models import CouplerEnd, Unit, WeatherAlert
from inspections import intake, permissions, photos, standing
from inspections.demonstration.pictures import DRAWINGS, picture
from inspections.history import reviews
from inspections.models import (
    Finding,
    FleetAction,
    LogEntry,
    Observation,
    Photo,
    Restriction,
    Review,
    Submission,
)

pytestmark = [pytest.mark.usefixtures("filled"), pytest.mark.django_db]
State = Finding.State


def test_about_a_dozen_stand_open_in_every_open_state():
    states = list(Finding.objects.open().values_list("state", flat=True))
    assert 12 <= len(states) <= 16
    assert set(states) == {"reported", "acknowledged", "planned", "in work", "awaiting check"}


def test_the_worst_was_not_looked_at(filled):
    first = Finding.objects.not_looked_at().worst_first().first()
    assert first.worst == 3
    assert 600 < (filled.now - first.first_seen).total_seconds() < 3600


def test_unlisted_unit_and_unknown_end_are_kept_as_given():
    assert Finding.objects.open().get(unit__isnull=True).unit_given == "517"
    assert Finding.objects.open().get(end__isnull=True, unit__isnull=False).end_given == "?"


def test_one_body_is_in_quarantine():
    assert "an end stands twice" in Submission.objects.quarantined().get().why


def test_photos_are_drawn_stored_and_one_is_missing():
    stored = Photo.objects.shown()
    assert stored.count() == 4
    assert all(photos.open_photo(photo).read(2) == b"\xff\xd8" for photo in stored)
    named = Observation.objects.exclude(photos=[]).select_related("inspection__submission")
    missing = [intake.receipt(o.inspection.submission, status=200).missing for o in named]
    assert sorted(len(uuids) for uuids in missing) == [0, 0, 0, 0, 1]


def test_a_close_out_waits_for_its_second_person():
    finding = Finding.objects.get(state=State.AWAITING_CHECK)
    close = finding.close_outs.get()
    assert close.check_needed
    assert close.checker_id is None


def test_two_faults_of_one_end_make_one_card():
    planned = Finding.objects.filter(state=State.PLANNED).values_list("visit", "end")
    assert len(planned) == len(set(planned)) + 1


def test_one_unit_can_be_rescued_by_neither_end(filled):
    units = standing.of_units(list(Unit.objects.exclude(type__code="RL")), filled.now)
    helpless = [s for s in units.values() if s.limits.rescue == "no"]
    assert helpless
    both = Restriction.objects.in_force(filled.now).filter(rescue="no").values_list("end__unit", flat=True)
    assert {unit for unit in both if list(both).count(unit) == 2} & {s.unit.pk for s in helpless}


def test_frost_is_alerted_from_tonight(filled):
    assert not WeatherAlert.objects.at(filled.now).exists()
    alerts = WeatherAlert.objects.all()
    assert {alert.place.code for alert in alerts} == {"SAL", "THO"}
    assert all(alert.weather == "frost" and alert.since.date() == filled.now.date() for alert in alerts)


def test_restrictions_are_in_force_and_make_a_standing(filled):
    rows = Restriction.objects.in_force(filled.now)
    assert rows.count() >= 4
    ends = list(CouplerEnd.objects.select_related("unit", "pattern"))
    told = standing.of_ends(ends, filled.now)
    for row in rows:
        assert told[row.end_id].situations["C"].limits.couple in ("not", "attended") or row.couple == "normal"


def test_people_have_their_roles():
    roles = {u.username: permissions.groups_of(u) for u in User.objects.all()}
    assert len(roles) == 12
    assert {name for name, held in roles.items() if "checker" in held} == {"fitter3", "fitter4"}
    assert {name for name, held in roles.items() if "engineer" in held} == {"manager1"}
    assert all(
        name.startswith(held_role) for name, held in roles.items() for held_role in held & set(permissions.ROLES)
    )
    assert {str(u.first_name) for u in User.objects.filter(username="driver1")} == {"Driver 1"}


def test_log_entries_hold_no_names():
    names = set(User.objects.values_list("first_name", flat=True))
    assert not [e for e in LogEntry.objects.all() if any(name in e.payload for name in names)]


@pytest.mark.parametrize("of", DRAWINGS)
def test_drawings_are_repeatable_and_differ_by_seed(of):
    assert picture(of, 1) == picture(of, 1)
    assert picture(of, 1) != picture(of, 2)
    assert photos.clean(picture(of, 1)).width == 1280


def test_a_report_on_the_wrong_end_was_put_right_and_repaired():
    entry = LogEntry.objects.get(kind="moved")
    finding = Finding.objects.get(ref=entry.subject.removeprefix("finding:"))
    assert (finding.end_given, finding.end.letter, finding.state) == ("A", "A", State.CLOSED)
    assert (entry.data["before"]["end"], entry.data["after"]["end"]) == ("B", "A")


def test_a_fleet_action_runs_and_two_months_are_reviewed(filled):
    running = FleetAction.objects.get(ended__isnull=True)
    assert running.items.exists()
    assert not running.items.filter(done__isnull=False).exists()
    last = reviews.last_over(filled.now)
    assert set(Review.objects.values_list("month", flat=True)) == {last - 1, last}
