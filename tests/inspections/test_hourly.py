"""The clock's work: what it does, twice the same as once, two at once, one bad address, one step that fails."""

from datetime import UTC, date, datetime, timedelta
from smtplib import SMTPRecipientsRefused
from threading import Barrier, Thread, local
from time import sleep

import pytest
from django.core import mail
from django.core.mail.backends.base import BaseEmailBackend
from django.core.mail.backends.locmem import EmailBackend
from django.core.management import CommandError, call_command
from django.db import connections
from django.utils import timezone

from fleet.models import Coupling, CouplingSide
from inspections import grading, hourly, log, notices, rulesets
from inspections.models import (
    Deferral,
    Finding,
    Grade,
    LogEntry,
    MateLook,
    Notice,
    Observation,
    Review,
    RuleSet,
    Seal,
)
from inspections.rules.ruleset import shipped_text
from tests.conftest import uuid_of
from tests.screens.desk import finding_of, looked

pytestmark = pytest.mark.django_db


class Choosy(EmailBackend):
    """A mail server that refuses one address."""

    def send_messages(self, messages):
        if "bad@example.org" in messages[0].to:
            raise SMTPRecipientsRefused({"bad@example.org": (550, b"no such box")})
        return super().send_messages(messages)


class Dead(BaseEmailBackend):
    """A mail server that is not there."""

    tries = 0

    def send_messages(self, messages):
        Dead.tries += 1
        raise ConnectionRefusedError("nobody listens")


@pytest.fixture
def addresses(cast):
    """Control and the engineer can be reached."""
    for person in (cast.controller, cast.other_controller, cast.engineer):
        person.email = f"{person.username}@example.org"
        person.save()


@pytest.fixture
def intolerable(cast, report):
    return finding_of(
        report(cast.driver, part="hook", symptom="hook-marks", situation="C", end="B", note="By the lower bolt.")
    )


def about(kind):
    return sorted(Notice.objects.filter(about__startswith=kind).values_list("about", flat=True))


def deferred(cast, finding, now, **changes):
    row = {"category": 1, "why": "part", "by": cast.controller, "since": now - timedelta(hours=9), "agreed": now}
    row |= {"until": now - timedelta(hours=1), "agreed_by": cast.engineer}
    return Deferral.objects.create(finding=finding, **(row | changes))


# ---- what is told, to whom


def test_an_intolerable_finding_is_told_once_to_control_and_the_engineer(addresses, cast, intolerable, now):
    assert hourly.run(now).failed == ()
    assert about("intolerable") == [f"intolerable:{intolerable.ref}"]
    mails = [m for m in mail.outbox if m.subject.startswith("Intolerable")]
    assert sorted(m.to[0] for m in mails) == [
        "controller1@example.org", "controller2@example.org", "manager2@example.org",
    ]  # fmt: skip
    assert mails[0].subject == "Intolerable: 201, B end: 4 Lock hook"
    assert intolerable.spoken_ref in mails[0].body
    assert "The call is the report" in mails[0].body
    assert "clears no unit to run" in mails[0].body


def test_mail_holds_no_name_and_no_note(addresses, cast, intolerable, now):
    hourly.run(now)
    told = "".join(m.subject + m.body for m in mail.outbox)
    assert told
    for hidden in ("By the lower bolt", "Driver 1", "driver1", "Controller"):
        assert hidden not in told


def test_a_unit_given_with_a_line_break_cannot_write_a_header(addresses, cast, report, now):
    report(cast.driver, unit="47\n1", part="hook", symptom="hook-marks", situation="C")
    assert hourly.run(now).failed == ()
    assert [m.subject for m in mail.outbox][0].startswith("Intolerable: 47 1, A end")


def test_a_deferral_that_ran_out_is_told_once(addresses, cast, report, now):
    row = deferred(cast, looked(cast, finding_of(report(cast.driver)), now), now)
    hourly.run(now)
    assert about("ran-out") == [f"ran-out:{row.pk}"]
    (one, *_) = [m for m in mail.outbox if m.subject.startswith("Deferral ran out")]
    assert "Its deferral ended 05:00 today: its time is past." in one.body
    hourly.run(now + timedelta(hours=1))
    assert about("ran-out") == [f"ran-out:{row.pk}"]


def test_one_that_still_holds_is_not_told(addresses, cast, report, now):
    deferred(cast, looked(cast, finding_of(report(cast.driver)), now), now, until=now + timedelta(hours=1))
    hourly.run(now)
    assert about("ran-out") == []


@pytest.mark.parametrize(
    ("part", "symptom", "told"),
    [("contacts", "pin-bent", True), ("contacts", "pins-wet", True), ("air-upper", "seal-torn", False)],
)
def test_wrong_side_electrical_faults_are_told(addresses, cast, report, now, part, symptom, told):
    finding = finding_of(report(cast.driver, part=part, symptom=symptom))
    hourly.run(now)
    assert about("wrong-side") == ([f"wrong-side:{finding.ref}"] if told else [])


def test_what_is_closed_is_not_told(addresses, cast, intolerable, now):
    Finding.objects.update(state="withdrawn", closed=now)
    hourly.run(now)
    assert about("intolerable") == about("wrong-side") == []


# ---- sending


def test_a_second_run_sends_nothing_twice(addresses, cast, intolerable, now):
    hourly.run(now)
    count = len(mail.outbox)
    assert count
    hourly.run(now + timedelta(hours=1))
    seal = [m for m in mail.outbox[count:] if not m.subject.startswith("Seal")]
    assert seal == []
    assert not Notice.objects.filter(sent=None).exists()


def test_one_bad_address_stops_nothing_and_is_tried_again_alone(addresses, cast, intolerable, settings, now):
    settings.EMAIL_BACKEND = f"{__name__}.Choosy"
    cast.other_controller.email = "bad@example.org"
    cast.other_controller.save()
    assert hourly.run(now).failed == ()
    reached = [m.to[0] for m in mail.outbox if m.subject.startswith("Intolerable")]
    assert sorted(reached) == ["controller1@example.org", "manager2@example.org"]
    row = Notice.objects.get(about=f"intolerable:{intolerable.ref}")
    assert (row.sent, row.tries, row.to) == (None, 1, [f"person:{cast.other_controller.pk}"])
    cast.other_controller.email = "good@example.org"
    cast.other_controller.save()
    mail.outbox.clear()
    later = now + timedelta(hours=1)
    hourly.run(later)
    assert [m.to for m in mail.outbox if m.subject.startswith("Intolerable")] == [["good@example.org"]]
    row.refresh_from_db()
    assert (row.sent, row.tries) == (later, 2)


def test_a_dead_mail_server_costs_a_few_tries_and_is_news_for_two_days(addresses, cast, settings, now):
    settings.EMAIL_BACKEND = f"{__name__}.Dead"
    Notice.objects.bulk_create(
        Notice(about=f"x:{n}", subject="x", text="x", to=["controller"], made=now) for n in range(30)
    )
    Dead.tries = 0
    assert notices.send(now) == notices.Sent(0, notices.GIVE_UP, 0)
    assert Dead.tries == notices.GIVE_UP * 2
    settings.EMAIL_BACKEND = f"{__name__}.Choosy"
    assert notices.send(now + timedelta(days=3)).sent == 0
    assert notices.send(now + timedelta(hours=1)).sent == 30


def test_nobody_to_send_to_is_said_and_costs_no_try(cast, intolerable, now):
    told = hourly.run(now).told["mail"]
    assert told.endswith("without anybody to send to")
    assert set(Notice.objects.values_list("tries", flat=True)) == {0}
    assert mail.outbox == []


def test_somebody_switched_off_gets_no_mail(addresses, cast, intolerable, now):
    cast.engineer.is_active = False
    cast.engineer.save()
    hourly.run(now)
    assert "manager2@example.org" not in [m.to[0] for m in mail.outbox]


# ---- the other steps


def test_yesterday_is_sealed_and_days_that_were_missed(addresses, cast, report, now):
    report(cast.driver, received=now - timedelta(days=3))
    last = LogEntry.objects.order_by("-seq").first()
    hourly.run(now)
    (row,) = Seal.objects.all()
    assert (row.day, row.last_seq, row.hash) == (date(2026, 11, 23), last.seq, last.hash)
    hourly.run(now + timedelta(hours=1))
    assert Seal.objects.count() == 1
    hourly.run(now + timedelta(days=3))
    assert [seal.day.day for seal in Seal.objects.all()] == [23, 24, 25, 26]
    assert "Keep this mail outside" in [m.body for m in mail.outbox if m.subject.startswith("Seal")][0]


@pytest.mark.parametrize(
    ("at", "day"),
    [
        (datetime(2026, 7, 1, 22, 59, tzinfo=UTC), date(2026, 6, 30)),
        (datetime(2026, 7, 1, 23, 1, tzinfo=UTC), date(2026, 7, 1)),
        (datetime(2026, 11, 24, 0, 1, tzinfo=UTC), date(2026, 11, 23)),
    ],
)
def test_a_day_ends_at_local_midnight(cast, railway, report, at, day):
    report(cast.driver, received=at - timedelta(days=2))
    hourly.run(at)
    assert Seal.objects.get().day == day


def test_no_seal_of_a_day_before_the_log_began(cast, now):
    hourly.run(now)
    assert not Seal.objects.exists()


def test_what_an_earlier_ruleset_graded_is_graded_anew(cast, report, now):
    finding = finding_of(report(cast.driver))
    text = shipped_text().replace('version = "1"', 'version = "1.1"')
    row = rulesets.bring(text, by=cast.engineer, reason="x", now=now)
    RuleSet.objects.filter(pk=row.pk).update(in_force_from=now - timedelta(minutes=1), by=cast.engineer)
    assert hourly.run(now).told["regrade"] == "1 graded, 0 still wait"
    finding.refresh_from_db()
    assert Grade.objects.get(pk=finding.current_grade_id).ruleset_id == row.pk
    assert hourly.run(now + timedelta(hours=1)).told["regrade"] == "nothing to grade"


def test_a_coupling_that_nobody_followed_is_followed(cast, railway, report, now):
    report(cast.driver, part="contacts", symptom="pin-bent")
    at = now - timedelta(hours=6)
    coupling = Coupling.objects.create(uuid=uuid_of("c"), at=at, source="test", source_ref="1", received=now)
    for name in ("201 A", "202 B"):
        CouplingSide.objects.create(coupling=coupling, end=railway.ends[name], at=at)
    assert hourly.run(now).told["mates"] == "1 looks asked for"
    assert MateLook.objects.get().end == railway.ends["202 B"]
    assert hourly.run(now + timedelta(minutes=5)).told["mates"] == "0 looks asked for"


# ---- running


def test_a_step_that_fails_stops_no_other_and_is_not_done(addresses, cast, intolerable, now, monkeypatch):
    def broken(now, since):
        raise RuntimeError("disk full")

    monkeypatch.setitem(hourly.STEPS, "seal", broken)
    done = hourly.run(now)
    assert done.failed == ("seal",)
    assert mail.outbox
    assert hourly.last_done() is None
    monkeypatch.setattr(timezone, "now", lambda: now + timedelta(minutes=1))
    with pytest.raises(CommandError, match="Not done: seal"):
        call_command("hourly")


def test_a_run_that_was_killed_is_taken_over_after_half_an_hour(cast, now):
    assert hourly.begin(now)
    assert hourly.run(now + timedelta(minutes=29)) is None
    assert hourly.run(now + timedelta(minutes=31)) is not None


def test_control_is_told_when_it_has_not_run(cast, now):
    assert "has never run" in hourly.stale_words(now)
    hourly.run(now)
    assert hourly.stale_words(now + timedelta(minutes=119)) == ""
    assert "was last done 06:00 today" in hourly.stale_words(now + timedelta(hours=2))


def test_the_command_says_what_it_did(cast, capsys):
    call_command("hourly")
    said = capsys.readouterr().out
    assert [line.split(":")[0] for line in said.splitlines()] == list(hourly.STEPS)


def test_nothing_a_unit_may_do_depends_on_it(cast, intolerable, now):
    before = [list(model.objects.order_by("pk").values()) for model in (Finding, Observation, Grade, Deferral)]
    hourly.run(now)
    assert [list(m.objects.order_by("pk").values()) for m in (Finding, Observation, Grade, Deferral)] == before
    assert log.first_break() is None


@pytest.mark.parametrize("pause", [0, 1])
def test_two_at_once_send_each_mail_once(transactional_db, cast, railway, report, now, monkeypatch, pause):
    """One after the other closely, or the second while the first is at work."""
    monkeypatch.setitem(hourly.STEPS, "regrade", lambda now, since: sleep(pause) or "")
    for person in (cast.controller, cast.engineer):
        person.email = f"{person.username}@example.org"
        person.save()
    for unit in ("201", "202", "301"):
        report(
            cast.driver, unit=unit, part="hook", symptom="hook-marks", situation="C", received=now - timedelta(days=2)
        )
    start, outcomes = Barrier(2), []

    def go():
        start.wait()
        try:
            outcomes.append(hourly.run(now))
        finally:
            connections.close_all()

    threads = [Thread(target=go) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    ran = [outcome for outcome in outcomes if outcome]
    assert len(outcomes) == 2 and (len(ran) == 1 if pause else ran)
    assert {outcome.failed for outcome in ran} == {()}
    told = [(m.subject, m.to[0]) for m in mail.outbox]
    assert len(told) == len(set(told)) >= 6
    assert Seal.objects.count() == 1
    assert log.first_break() is None


def test_two_that_overlap_all_the_same_send_each_mail_once(transactional_db, cast, now, monkeypatch):
    """The lease is over, the first run is at work still, and both have read what waits: one claims each try."""
    cast.controller.email = "controller1@example.org"
    cast.controller.save()
    Notice.objects.bulk_create(
        Notice(about=f"x:{n}", subject=f"x {n}", text="x", to=["controller"], made=now) for n in range(20)
    )
    both_read, mine, claim = Barrier(2), local(), notices.claimed

    def claimed(row):
        if not getattr(mine, "waited", False):
            mine.waited = True
            both_read.wait(30)
        return claim(row)

    monkeypatch.setattr(notices, "claimed", claimed)

    def go():
        try:
            notices.send(now)
        finally:
            connections.close_all()

    threads = [Thread(target=go) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert not Notice.objects.filter(sent=None).exists()
    assert sorted(m.subject for m in mail.outbox) == sorted(f"x {n}" for n in range(20))


def test_the_shipped_ruleset_has_the_hazards_that_are_told(cast):
    rules = grading.ruleset()
    assert {notices.WRONG_SIDE, notices.WRONG_SIDE_ELECTRICAL} <= set(rules.hazards)
    assert any(component.function == "E" for component in rules.components.values())


def test_the_last_month_is_reviewed_once(cast, report, now):
    finding_of(report(cast.driver))
    Finding.objects.update(first_seen=now - timedelta(days=60))
    assert hourly.run(now).told["review"] == "2026-10 reviewed"
    assert hourly.run(now + timedelta(hours=1)).told["review"] == "nothing to review"
    assert [str(row) for row in Review.objects.all()] == ["2026-10"]


def test_nothing_is_reviewed_where_nothing_was_found(railway, now):
    assert hourly.run(now).told["review"] == "nothing to review"
