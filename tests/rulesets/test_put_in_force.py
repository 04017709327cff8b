"""A candidate comes in, is tried, is put in force: by an engineer, on what was read, once."""

from datetime import timedelta
from threading import Barrier, Thread

# ruff: noqa: E501 - one line a case
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.db import connection

from inspections import grading, log, rulesets
from inspections.grading import RulesetError
from inspections.models import Finding, LogEntry, RuleSet
from inspections.permissions import Refused
from tests.conftest import PASSWORD
from tests.rules.test_broken import BROKEN, SYNTAX
from tests.rulesets.house import SHIPPED, changed, milder, stored, tighter
from tests.screens.desk import finding_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def tried(cast, report, now):
    """A finding, and a candidate whose effect is worked out."""
    report(cast.driver)
    row = rulesets.bring(tighter(), by=cast.engineer, reason="Couple no torn seal", now=now)
    return rulesets.try_out(row, by=cast.engineer, now=now)


def put(row, cast, now, **changes):
    said = {"seen": row.what_if["made"] if row.what_if else "", "password": PASSWORD, "reason": "Agreed"}
    return rulesets.put_in_force(row, **{**said, "by": cast.engineer, "now": now, **changes})


def test_it_comes_into_force_and_what_is_open_is_graded_by_it(tried, cast, now):
    done = put(tried, cast, now)
    assert (done.graded, done.waiting) == (1, 0)
    row = RuleSet.objects.get(pk=tried.pk)
    assert (row.in_force_from, row.by, row.reason) == (now, cast.engineer, "Agreed")
    assert grading.in_force(now) == row
    assert grading.in_force(now - timedelta(seconds=1)).text == SHIPPED
    finding = Finding.objects.get()
    assert finding.current_grade.ruleset == row
    assert finding.current_grade.cause == "ruleset"
    assert {cell.couple for cell in finding.current_grade.cells.filter(situation="R")} == {"not"}
    assert log.first_break() is None


def test_the_log_says_who_when_and_why(tried, cast, now):
    put(tried, cast, now)
    entries = LogEntry.objects.filter(subject=f"ruleset:{tried.sha256[:12]}")
    assert [entry.kind for entry in entries] == ["ruleset brought in", "what-if made", "ruleset in force"]
    last = entries.last()
    assert (last.actor, last.happened, last.data["reason"]) == (cast.engineer, now, "Agreed")
    assert last.data["ruleset"] == tried.sha256
    assert last.data["before"] == tried.what_if["against"]
    assert entries[0].data["reason"] == "Couple no torn seal"


def refused(row, cast, now, words, **changes):
    before = list(RuleSet.objects.values()), log.head()
    with pytest.raises(Refused) as error:
        put(row, cast, now, **changes)
    assert words in str(error.value)
    assert (list(RuleSet.objects.values()), log.head()) == before
    return error.value


def test_a_wrong_password_an_empty_reason_or_another_role_are_refused(tried, cast, now):
    refused(tried, cast, now, "not your password", password="wrong")
    refused(tried, cast, now, "Say why", reason="  ")
    for who in (cast.manager, cast.controller, cast.driver, cast.checker, cast.outsider):
        refused(tried, cast, now, "Your role may not", by=who)
        with pytest.raises(Refused, match="Your role may not"):
            rulesets.bring(milder(), by=who, reason="x", now=now)
        with pytest.raises(Refused, match="Your role may not"):
            rulesets.try_out(tried, by=who, now=now)


def test_without_its_effect_worked_out_it_is_refused(cast, now):
    row = rulesets.bring(tighter(), by=cast.engineer, reason="x", now=now)
    assert not isinstance(refused(row, cast, now, "First work out"), rulesets.Overtaken)


def test_two_people_at_once_the_second_is_refused_in_words(tried, cast, now):
    other = rulesets.try_out(rulesets.bring(milder(), by=cast.engineer, reason="x", now=now), by=None, now=now)
    put(tried, cast, now)
    late = now + timedelta(seconds=1)
    found = refused(other, cast, late, "Another ruleset came into force since its effect was worked out.")
    assert isinstance(found, rulesets.Overtaken)
    again = rulesets.try_out(other, by=cast.engineer, now=late)
    put(again, cast, late)
    assert grading.in_force(late).text == milder()


def test_the_same_one_twice_is_refused(tried, cast, now):
    put(tried, cast, now)
    row = RuleSet.objects.get(pk=tried.pk)
    refused(row, cast, now, "put in force already")
    with pytest.raises(Refused, match="in force already"):
        rulesets.bring(tighter(), by=cast.engineer, reason="x", now=now)


def test_an_effect_that_was_worked_out_again_must_be_read_again(tried, cast, now):
    rulesets.try_out(tried, by=cast.engineer, now=now + timedelta(minutes=1))
    found = refused(tried, cast, now + timedelta(minutes=2), "worked out again", seen=now.isoformat())
    assert isinstance(found, rulesets.Overtaken)


def test_a_clock_that_runs_behind_is_refused(tried, cast, now):
    RuleSet.objects.filter(text=SHIPPED).update(in_force_from=now + timedelta(hours=1))
    assert isinstance(refused(tried, cast, now, "clock of this machine is behind"), Refused)


def test_the_same_text_is_one_candidate(cast, now):
    rows = [rulesets.bring(tighter(), by=cast.engineer, reason="x", now=now) for _ in range(2)]
    assert rows[0] == rows[1]
    assert LogEntry.objects.filter(kind="ruleset brought in").count() == 1


def test_too_many_findings_are_left_to_the_command(tried, cast, now, report):
    report(cast.driver, part="hook", symptom="hook-marks")
    with pytest.raises(Refused, match=f"Run manage.py what_if {tried.sha256[:12]}"):
        rulesets.try_out(tried, by=cast.engineer, now=now, most=1)
    assert put(tried, cast, now, most=1).waiting == 1


def test_a_code_that_was_in_force_never_vanishes(cast, report, now):
    report(cast.driver, part="cover", symptom="cover-slow")
    gone = changed(('cover-slow = {parts = ["cover"], ', 'cover-lazy = {parts = ["cover"], '))
    with pytest.raises(RulesetError) as error:
        rulesets.bring(gone, by=cast.engineer, reason="x", now=now)
    assert str(error.value) == (
        "symptoms.cover-slow: was in force before; 1 stored record uses it. "
        "A code never vanishes: retire it with retired = true"
    )
    assert not RuleSet.objects.candidates().exists()
    retired = changed(
        ('cover-slow = {parts = ["cover"], ', 'cover-slow = {retired = true, parts = ["cover"], '),
    )
    assert rulesets.bring(retired, by=cast.engineer, reason="x", now=now)


@pytest.mark.parametrize(
    "kind", ["parts", "components", "symptoms", "modes", "facts", "weathers", "isolations", "tests"]
)
def test_every_kind_of_code_is_kept(db, now, kind):
    """A ruleset of another railway was in force once: each of its codes is missed by name."""
    rules = grading.read(SHIPPED)
    code = list(rulesets.codes(rules)[kind])[-1]
    before = SHIPPED.replace(code, f"{code}-x")
    assert f"{code}-x" in rulesets.codes(grading.read(before))[kind]
    stored(before, in_force_from=now - timedelta(days=9000))
    with pytest.raises(RulesetError) as error:
        rulesets.sound(SHIPPED)
    assert "A code never vanishes" in str(error.value)
    assert f"{code}-x" in error.value.path


def test_a_code_may_vanish_between_bringing_in_and_putting_in_force(tried, cast, now):
    """Another one with a new code came into force meanwhile."""
    stored(SHIPPED.replace("cover-slow", "cover-slow-x"), in_force_from=now - timedelta(days=1))
    row = RuleSet.objects.get(pk=tried.pk)
    row.what_if["against"] = grading.in_force(now).sha256
    row.save()
    with pytest.raises(RulesetError, match="cover-slow-x: was in force before"):
        put(row, cast, now)
    assert RuleSet.objects.candidates().filter(pk=row.pk).exists()


def test_a_code_nobody_put_in_force_may_go(cast, report, now):
    report(cast.driver, part="wing", symptom="wobbles")
    assert rulesets.bring(tighter(), by=cast.engineer, reason="x", now=now)


ROOM = [
    # what does not fit, text, text in its place, the place named
    ("a long weather", "\nfrost = {name", '\nvery-long-weather = {name = "x", trigger = "x", months = []}\nfrost = {name', "weathers.very-long-weather"),
    ("a long code", "cover-slow = {", f"{'cover' * 9} = {{parts = [\"cover\"], words = \"x\", modes = [\"cover-slow\"]}}\ncover-slow = {{", f"symptoms.{'cover' * 9}"),
    ("hours without end", 'name = "Tolerable: time allowed", value = 168', 'name = "Tolerable: time allowed", value = 100000', "limits.hours-week.value"),
    ("hours in thirds", 'name = "Tolerable: time allowed", value = 168', 'name = "Tolerable: time allowed", value = 0.333', "limits.hours-week.value"),
    ("a limit too large", 'name = "Lock play, no-go above", value = 4', 'name = "Lock play, no-go above", value = 999999999', "limits.play-most.value"),
    ("a limit too fine", 'name = "Lock play, no-go above", value = 4', 'name = "Lock play, no-go above", value = 4.00001', "limits.play-most.value"),
    ("a speed of light", 'name = "Nose door tied shut, speed", value = 60', 'name = "Nose door tied shut, speed", value = 40000', "limits.speed-tied-door.value"),
]  # fmt: skip


@pytest.mark.parametrize(("what", "old", "new", "path"), ROOM, ids=[r[0] for r in ROOM])
def test_what_no_row_could_hold_is_refused(db, what, old, new, path):
    with pytest.raises(RulesetError) as error:
        rulesets.sound(changed((old, new)))
    assert error.value.path == path


ODD = [
    ("lists in lists", "a = " + "[" * 5000, "nested too deep"),
    ("a number of 5000 digits", "a = " + "9" * 5000, "cannot be read"),
    ("an exponent that fills the memory", "a = 1\nb = 1e999999999", "line 2: a number is far too large"),
    ("nothing", "", "title: is missing"),
    ("a zero byte", "a = \x00", "line 1"),
]


@pytest.mark.parametrize(("what", "text", "words"), ODD, ids=[o[0] for o in ODD])
def test_hostile_text_is_refused_in_words(db, what, text, words):
    with pytest.raises(RulesetError) as error:
        rulesets.sound(text)
    assert words in str(error.value)


def test_bytes_that_are_no_text_are_refused_with_the_line():
    with pytest.raises(RulesetError, match="line 2: is not UTF-8 text"):
        rulesets.text_of(b"a = 1\nb = \xff")
    with pytest.raises(RulesetError, match="more than 1 MB"):
        rulesets.text_of(b"x" * 1_000_001)
    assert rulesets.text_of(b"\xef\xbb\xbfa = 1") == "a = 1"


def broken_texts():
    """(what, text, place) of every broken ruleset the pure rules refuse."""
    for what, old, new, path, _ in BROKEN:
        yield what, SHIPPED.replace(old, new), path
    for what, old, new in SYNTAX:
        yield what, SHIPPED.replace(old, new, 1), "line "


ALL_BROKEN = list(broken_texts())


def test_there_are_enough_kinds_of_broken_rulesets():
    assert len({place for _, _, place in ALL_BROKEN}) >= 20


def test_every_broken_ruleset_is_refused_by_command_and_page(cast, client_of, tmp_path):
    """Through both ways in, with the place named and the one in force untouched."""
    before, head = list(RuleSet.objects.values()), log.head()
    client = client_of(cast.engineer)
    path = tmp_path / "rules.toml"
    wrong = []
    for what, text, place in ALL_BROKEN:
        path.write_text(text)
        try:
            call_command("what_if", str(path))
            wrong.append(f"{what}: the command took it")
        except CommandError as error:
            if not str(error).startswith(place) or "The ruleset in force is untouched." not in str(error):
                wrong.append(f"{what}: {error}")
        answer = client.post("/rules/new/", {"document": SimpleUploadedFile("r.toml", text.encode()), "why": "x"})
        said = answer.context["form"].errors.get("document", [""])[0] if answer.context else ""
        if answer.status_code != 422 or not said.startswith(place):
            wrong.append(f"{what}: page {answer.status_code} {said}")
    assert not wrong
    assert list(RuleSet.objects.values()) == before
    assert log.head() == head


def test_finding_of_is_graded_at_intake_by_the_new_one(tried, cast, report, now):
    put(tried, cast, now)
    later = now + timedelta(minutes=1)
    finding = finding_of(report(cast.driver, unit="202", received=later))
    assert finding.current_grade.ruleset.sha256 == tried.sha256


@pytest.mark.django_db(transaction=True)
def test_two_signatures_in_the_same_moment_put_one_in_force(cast, report, now):
    """Two threads, two candidates, each tried against the one in force: one comes into force, one is refused."""
    report(cast.driver)
    texts = (tighter(), milder())
    rows = [rulesets.try_out(rulesets.bring(t, by=None, reason="", now=now), by=None, now=now) for t in texts]
    start, outcomes = Barrier(2), []

    def sign(row):
        start.wait()
        try:
            put(row, cast, now + timedelta(seconds=1))
            outcomes.append("in force")
        except rulesets.Overtaken:
            outcomes.append("refused")
        finally:
            connection.close()

    threads = [Thread(target=sign, args=(row,)) for row in rows]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(outcomes) == ["in force", "refused"]
    assert RuleSet.objects.candidates().count() == 1
    assert LogEntry.objects.filter(kind="ruleset in force").count() == 1
    assert log.first_break() is None
    current = grading.in_force(now + timedelta(seconds=1))
    assert Finding.objects.get().current_grade.ruleset == current
