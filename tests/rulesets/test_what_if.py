"""What a candidate would change, counted finding by finding."""

from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from inspections import grading, log, rulesets, what_if
from inspections.models import Finding, LogEntry, Observation, RuleSet
from inspections.rules.limits import DIALS
from tests.conftest import uuid_of
from tests.rulesets.house import SHIPPED, changed, milder, stored, tighter, worse
from tests.screens.desk import copies, finding_of

pytestmark = pytest.mark.django_db
SEAL = {"leak": "over limit"}


def seen_as(finding):
    """An observation of a copied finding, so that it is graded as what it was copied from."""
    first = Observation.objects.first()
    Observation.objects.create(
        uuid=uuid_of("seen", finding.pk), finding=finding, kind="first report", slot=first.slot, by=first.by,
        symptom=first.symptom, facts=first.facts, seen=first.seen, received=first.received,
    )  # fmt: skip


@pytest.fixture
def seal(cast, report):
    return finding_of(report(cast.driver))


def compared(text, now, **more):
    return what_if.compare(grading.read(text), grading.in_force(now), now=now, **more)


def test_the_same_rules_change_nothing(seal, now):
    found = compared(changed(), now)
    assert found["open"]["findings"] == 1
    assert found["open"]["changes"] == {kind: int(kind == what_if.SAME) for kind in what_if.CHANGES}
    assert found["open"]["steps"] == [[2, 2, 1]]
    assert not any(sum(pair) for pair in found["open"]["dials"].values())
    assert found["against"] == RuleSet.objects.get().sha256


CASES = [
    # candidate, kinds of change, worst category before and after, dials tighter
    (tighter, {"newly limited", "tighter"}, [2, 2], {"couple", "move"}),
    (milder, {"down", "later"}, [2, 1], set()),
    (worse, {"up", "sooner"}, [2, 3], set()),
]


@pytest.mark.parametrize(("candidate", "kinds", "step", "tight"), CASES, ids=[c[0].__name__ for c in CASES])
def test_each_kind_of_change_is_counted(seal, now, candidate, kinds, step, tight):
    tally = compared(candidate(), now)["open"]
    assert {kind for kind, count in tally["changes"].items() if count} == kinds
    assert tally["steps"] == [[*step, 1]]
    assert {dial for dial, (t, _) in tally["dials"].items() if t} == tight
    assert not any(looser for _, looser in tally["dials"].values())
    assert set(tally["dials"]) == {*DIALS, "speed", "isolations"}
    assert all(tally["examples"][kind] == ([seal.ref] if kind in kinds else []) for kind in what_if.SHOWN_BY_EXAMPLE)


def test_back_again_is_looser_and_no_longer_limited(seal, now):
    RuleSet.objects.update(text=tighter(), sha256="1" * 64)
    changes = compared(SHIPPED, now)["open"]["changes"]
    assert {kind for kind, count in changes.items() if count} == {"looser", "no longer limited"}


def test_closed_findings_of_the_past_year_count_apart(seal, railway, now):
    ends = [railway.ends[name] for name in ("202 A", "202 B", "301 A")]
    past = {"state": "closed", "closed": now, "current_grade": None}
    for closed in copies(seal, 3, ends, first_seen=now - timedelta(days=300), **past):
        seen_as(closed)
    copies(seal, 1, [railway.ends["301 B"]], ref="99999999", first_seen=now - timedelta(days=400), **past)
    found = compared(tighter(), now)
    assert (found["open"]["findings"], found["past"]["findings"]) == (1, 3)
    assert found["past"]["changes"]["newly limited"] == 3
    assert compared(tighter(), now, days=200)["past"]["findings"] == 0
    assert compared(tighter(), now, days=500)["past"]["findings"] == 4


def test_two_leaks_at_one_end_are_limited_already(seal, now):
    """The combination of two air faults limits the running unit, so the candidate brings no first limit there."""
    seen_as(copies(seal, 1)[0])
    changes = compared(tighter(), now)["open"]["changes"]
    assert (changes["tighter"], changes["newly limited"]) == (2, 0)


def test_merged_and_withdrawn_findings_do_not_count(seal, now):
    copies(seal, 1, state="withdrawn", closed=now)
    copies(seal, 1, ref="99999999", state="merged", closed=now, merged_into=seal)
    found = compared(tighter(), now)
    assert (found["open"]["findings"], found["past"]["findings"]) == (1, 0)


def test_each_is_graded_beside_what_was_open_then(seal, now):
    """An open finding beside the open ones; a closed one beside those that were open when it was closed."""
    other = copies(seal, 1)[0]
    pks = [seal.pk, other.pk]

    def beside():
        return {row.ref: len(others) for row, _, others in what_if.fetched(pks, now - timedelta(days=365))}

    assert beside() == {seal.ref: 1, other.ref: 1}
    Finding.objects.filter(pk=other.pk).update(state="closed", closed=now)
    assert beside() == {seal.ref: 0, other.ref: 1}
    Finding.objects.filter(pk=other.pk).update(closed=seal.first_seen - timedelta(days=1))
    assert beside() == {seal.ref: 0, other.ref: 0}


def test_a_new_weather_class_is_compared_with_the_mildest(seal, now):
    text = changed(
        ("\nfrost = {name", '\nhail = {name = "hail", trigger = "ice falls", months = []}\nfrost = {name'),
    )
    assert "hail" in grading.read(text).weathers
    found = compared(text, now)
    assert found["open"]["findings"] == 1
    assert found["open"]["changes"][what_if.SAME] == 1


def test_the_number_of_queries_does_not_grow(seal, now, railway):
    def queries():
        with CaptureQueriesContext(
            connection,
        ) as found:
            compared(tighter(), now)
        return len(found)

    few = queries()
    for more in copies(seal, 40, list(railway.ends.values())):
        seen_as(more)
    assert compared(tighter(), now)["open"]["findings"] == 41
    assert queries() == few


def test_nothing_is_written(seal, now):
    before = log.head(), Finding.objects.values().get(), RuleSet.objects.values().get()
    compared(tighter(), now)
    assert (log.head(), Finding.objects.values().get(), RuleSet.objects.values().get()) == before


def test_an_empty_logbook_can_be_asked(db, now):
    found = compared(tighter(), now)
    assert (found["open"]["findings"], found["past"]["findings"]) == (0, 0)
    assert found["open"]["steps"] == []


def run(*words):
    out, err = StringIO(), StringIO()
    call_command("what_if", *map(str, words), stdout=out, stderr=err)
    return out.getvalue(), err.getvalue()


def test_the_command_stores_a_candidate_with_its_effect(seal, tmp_path):
    path = tmp_path / "rules.toml"
    path.write_text(tighter())
    out, err = run(path, "--reason", "Couple no torn seal")
    row = RuleSet.objects.candidates().get()
    assert row.text == tighter()
    assert row.reason == "Couple no torn seal"
    assert row.what_if["open"]["changes"]["newly limited"] == 1
    assert f"Newly limited: a situation without any limit gets one: 1 ({seal.ref})" in out
    assert f"Ruleset {row.sha256[:12]} is stored as a candidate; it is not in force." in out
    assert err == ""
    kinds = LogEntry.objects.filter(subject=f"ruleset:{row.sha256[:12]}").values_list("kind", flat=True)
    assert list(kinds) == ["ruleset brought in", "what-if made"]
    assert grading.in_force(timezone.now()).text == SHIPPED


def test_the_command_may_be_run_again_by_name(seal, tmp_path):
    path = tmp_path / "rules.toml"
    path.write_text(tighter())
    run(path)
    first = RuleSet.objects.candidates().get()
    run(path)
    out, err = run(first.sha256[:12], "--progress", "--days", "30")
    again = RuleSet.objects.candidates().get()
    assert again.what_if["days"] == 30
    assert again.what_if["made"] > first.what_if["made"]
    assert err.endswith("100 % 1 of 1\n")
    assert "Comparing [####" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere.toml"], "nowhere.toml: No such file or directory; and no stored candidate has this name."),
        (["0123456789ab"], "no stored candidate has this name"),
        ([".", "--days", "0"], "--days is 0; it must be 1 to 3660."),
        ([".", "--days", "99999999999"], "it must be 1 to 3660"),
        (["."], "Is a directory"),
    ],
)
def test_the_command_says_what_it_cannot_do(db, words, said):
    with pytest.raises(CommandError) as stopped:
        run(*words)
    assert said in str(stopped.value)


def test_the_one_in_force_is_no_candidate(db, tmp_path):
    path = tmp_path / "rules.toml"
    path.write_text(SHIPPED)
    with pytest.raises(CommandError) as stopped:
        run(path)
    assert str(stopped.value).startswith("This very text was in force already.")
    assert RuleSet.objects.count() == 1
    with pytest.raises(CommandError, match="there is nothing left to try out"):
        run(RuleSet.objects.get().sha256[:12])


def test_two_texts_are_compared_line_by_line():
    lines, more = rulesets.compared(SHIPPED, tighter())
    said = [(line.kind, line.text) for line in lines if line.kind in ("added", "removed")]
    assert said[0] == ("removed", 'version = "1"')
    assert said[1] == ("added", 'version = "2"')
    assert [kind for kind, _ in said] == ["removed", "added", "removed", "added"]
    assert 'move = "to depot"' in said[3][1]
    assert more == 0
    at = next(line.at for line in lines if "move" in line.text and line.kind == "added")
    assert 'move = "to depot"' in tighter().splitlines()[at - 1]
    assert rulesets.compared(SHIPPED, SHIPPED) == ([], 0)
    assert len(rulesets.compared(SHIPPED, "x\n" * 3000, most=10)[0]) == 10


def test_a_stored_row_is_found_by_its_short_name(db):
    row = stored(tighter())
    assert rulesets.short(row) == row.sha256[:12]
