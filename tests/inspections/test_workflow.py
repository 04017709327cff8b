"""Every act: allowed ones work and log once; all others are refused in words and change nothing."""

from decimal import Decimal
from threading import Barrier, Thread

import pytest
from django.db import connections

from inspections import closing, log, workflow
from inspections.models import CloseOut, Finding, Grade, LogEntry, Observation, Restriction, TestResult, Visit
from inspections.permissions import Refused
from inspections.rules.limits import Limits
from tests.conftest import PASSWORD

STATES = [state.value for state in Finding.State]
ROLES = ["driver", "fitter", "checker", "controller", "manager", "engineer", "outsider"]
ALLOWED = {
    "look": ({"reported"}, {"controller"}),
    "tell": ({"reported", "acknowledged", "planned", "in work", "awaiting check"}, {"controller"}),
    "raise": ({"reported", "acknowledged", "planned", "in work"}, {"controller", "fitter", "checker"}),
    "plan": ({"acknowledged", "planned"}, {"controller"}),
    "take": ({"acknowledged", "planned"}, {"fitter", "checker"}),
    "withdraw": ({"reported", "acknowledged", "planned"}, {"controller"}),
    "close": ({"in work"}, {"fitter", "checker"}),
    "check": ({"awaiting check"}, {"checker"}),
}


@pytest.fixture
def finding(cast, report):
    report(cast.driver)
    return Finding.objects.select_related("end__pattern", "unit").get()


def put(finding, state, cast, now):
    """Put a finding in a state by hand, with what the tables then ask for."""
    over = state in ("closed", "merged", "withdrawn")
    target = finding.pk if state == "merged" else None
    Finding.objects.filter(pk=finding.pk).update(state=state, closed=now if over else None, merged_into=target)
    if state in ("awaiting check", "closed"):
        CloseOut.objects.create(
            finding=finding,
            seen_version=1,
            confirmed=True,
            outcome="repaired",
            by=cast.other_fitter,
            signed=now,
            signed_text="x",
            signed_sha256="y",
            check_needed=True,
        )
    finding.refresh_from_db()
    return finding


def results(finding, **values):
    """A passing result for each test the finding asks; `values` replaces the value of a test by its code."""
    rules = workflow.grading.ruleset()
    passing = []
    for code in closing.tests_asked(finding):
        test = rules.tests[code]
        middle = test.high if test.high is not None else test.low
        value = values.get(code.replace("-", "_"), middle)
        passing.append(closing.Result(code, value=value, passed=None if value is not None else True))
    return tuple(passing)


def repaired(finding, **values):
    return closing.Work(
        confirmed=True,
        cause="wear",
        action="renewed",
        found="Seal renewed.",
        outcome="repaired",
        results=results(finding, **values),
    )


def do(act, finding, by, railway, now, version=None):
    common = {"version": version or finding.version, "by": by, "now": now}
    match act:
        case "look" | "take":
            return getattr(workflow, act)(finding, **common)
        case "tell":
            return workflow.tell(finding, **common, whom="signaller", how="phone")
        case "raise":
            return workflow.raise_category(finding, **common, to=3, why="worse than it looks")
        case "plan":
            return workflow.plan(finding, **common, depot=railway.places["BRK"], since=now, shift="early")
        case "withdraw":
            return workflow.withdraw(finding, **common, why="wrong unit")
        case "close":
            return workflow.close_out(finding, **common, password=PASSWORD, work=repaired(finding))
        case "check":
            return workflow.check(finding, **common, password=PASSWORD)


def everything():
    tables = (Finding, Observation, Grade, CloseOut, TestResult, Visit, Restriction, LogEntry)
    return [list(table.objects.order_by("pk").values()) for table in tables]


@pytest.mark.parametrize("act", ALLOWED)
def test_every_state_role_and_act(cast, railway, finding, now, act):
    assert set(ALLOWED) == set(workflow.FROM)
    states, roles = ALLOWED[act]
    worked = 0
    for state in STATES:
        for role in ROLES:
            point = workflow.transaction.savepoint()
            put(finding, state, cast, now)
            before, entries = everything(), LogEntry.objects.count()
            try:
                do(act, finding, getattr(cast, role), railway, now)
            except Refused as refusal:
                assert not (state in states and role in roles), (act, state, role, str(refusal))
                assert len(str(refusal)) > 15
                assert everything() == before
            else:
                assert state in states, (act, state, role)
                assert role in roles, (act, state, role)
                assert LogEntry.objects.count() > entries
                assert Finding.objects.get().version == finding.version + 1
                worked += 1
            workflow.transaction.savepoint_rollback(point)
    assert worked == len(states) * len(roles)


@pytest.mark.parametrize("act", ALLOWED)
def test_an_old_version_is_refused_and_shows_what_changed(cast, railway, finding, now, act):
    workflow.tell(finding, version=1, by=cast.controller, now=now, whom="signaller", how="radio")
    put(finding, min(ALLOWED[act][0]), cast, now)
    before = everything()
    by = getattr(cast, min(ALLOWED[act][1]))
    with pytest.raises(workflow.Stale) as stale:
        do(act, finding, by, railway, now, version=1)
    assert [entry.kind for entry in stale.value.since] == ["told"]
    assert everything() == before


def test_fifty_at_once_one_wins_and_the_others_see_it(transactional_db, cast, railway, finding, now):
    start, outcomes = Barrier(50), []

    def look():
        start.wait()
        try:
            workflow.look(finding, version=1, by=cast.controller, now=now)
            outcomes.append("won")
        except workflow.Stale as stale:
            outcomes.append([entry.kind for entry in stale.since])
        finally:
            connections.close_all()

    threads = [Thread(target=look) for _ in range(50)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert outcomes.count("won") == 1
    assert outcomes.count(["looked at"]) == 49
    assert LogEntry.objects.filter(kind="looked at").count() == 1
    assert log.first_break() is None


def test_the_whole_life_of_a_finding(cast, railway, finding, now):
    finding = workflow.look(finding, version=1, by=cast.controller, now=now)
    finding = do("plan", finding, cast.controller, railway, now)
    assert finding.visit.depot == railway.places["BRK"]
    finding = do("take", finding, cast.fitter, railway, now)
    close = do("close", finding, cast.fitter, railway, now)
    finding.refresh_from_db()
    assert finding.state == ("awaiting check" if close.check_needed else "closed")
    assert close.signed_sha256 == workflow.sha256(close.signed_text.encode()).hexdigest()
    assert finding.ref in close.signed_text


def in_work(finding, cast, now):
    return put(finding, "in work", cast, now)


def limited_tests(finding):
    rules = workflow.grading.ruleset()
    tests = [rules.tests[code] for code in closing.tests_asked(finding)]
    return [test for test in tests if test.high is not None or test.low is not None]


def test_a_value_at_its_limit_passes_and_just_outside_blocks_repaired(cast, railway, finding, now):
    in_work(finding, cast, now)
    tests = limited_tests(finding)
    assert tests
    for test in tests:
        key = test.code.replace("-", "_")
        for limit, step in ((test.high, Decimal("0.001")), (test.low, Decimal("-0.001"))):
            if limit is None:
                continue
            rows = closing.test_rows(finding, repaired(finding, **{key: limit}))
            assert {row.verdict for row in rows} == {"pass"}
            work = repaired(finding, **{key: limit + step})
            with pytest.raises(Refused, match="limit of"):
                workflow.close_out(finding, version=1, by=cast.fitter, now=now, password=PASSWORD, work=work)
    assert not CloseOut.objects.exists()
    assert Finding.objects.get().state == "in work"


def work_like(finding, **changes):
    base = repaired(finding)
    return closing.Work(**{name: changes.get(name, getattr(base, name)) for name in base.__dataclass_fields__})


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"results": ()}, "is missing"),
        ({"confirmed": False}, "needs the fault confirmed"),
        ({"outcome": "no fault found"}, "does not fit"),
        ({"outcome": "released with limits"}, "at least one limit"),
        ({"outcome": "released with limits", "limits": Limits(couple="not")}, "and why"),
    ],
)
def test_unsound_work_is_refused_in_its_sentence(cast, railway, finding, now, changes, sentence):
    in_work(finding, cast, now)
    with pytest.raises(Refused, match=sentence):
        workflow.close_out(
            finding, version=1, by=cast.fitter, now=now, password=PASSWORD, work=work_like(finding, **changes)
        )
    assert not CloseOut.objects.exists()


def test_wrong_password_signs_nothing(cast, railway, finding, now):
    in_work(finding, cast, now)
    with pytest.raises(Refused, match="password"):
        workflow.close_out(finding, version=1, by=cast.fitter, now=now, password="x", work=repaired(finding))
    assert not CloseOut.objects.exists()


def test_released_with_limits_leaves_a_restriction(cast, railway, finding, now):
    in_work(finding, cast, now)
    work = work_like(
        finding,
        outcome="released with limits",
        limits=Limits(couple="attended"),
        limits_why="spare awaited",
    )
    close = workflow.close_out(finding, version=1, by=cast.fitter, now=now, password=PASSWORD, work=work)
    left = Restriction.objects.get()
    assert (left.couple, left.close_out, left.end) == ("attended", close, finding.end)


def test_a_value_below_zero_is_no_value(cast, railway, finding, now):
    in_work(finding, cast, now)
    released = {"outcome": "released with limits", "limits": Limits(couple="not"), "limits_why": "spare awaited"}
    for more in ({}, released):
        work = work_like(finding, results=results(finding, leak_coupled=Decimal("-5")), **more)
        with pytest.raises(Refused, match="below zero"):
            workflow.close_out(finding, version=1, by=cast.fitter, now=now, password=PASSWORD, work=work)
    assert not CloseOut.objects.exists()


def test_a_limit_does_not_vanish_with_another_outcome(cast, railway, finding, now):
    in_work(finding, cast, now)
    gone = {"confirmed": False, "outcome": "no fault found", "results": ()}
    for more in ({}, gone):
        work = work_like(finding, limits=Limits(speed=40), **more)
        with pytest.raises(Refused, match="You set a limit, but chose"):
            workflow.close_out(finding, version=1, by=cast.fitter, now=now, password=PASSWORD, work=work)
    assert not CloseOut.objects.exists()


def test_no_limit_is_left_on_a_unit_that_is_not_named(cast, report, now):
    report(cast.driver, unit="471")
    finding = in_work(Finding.objects.select_related("end__pattern", "unit").get(), cast, now)
    work = work_like(finding, outcome="released with limits", limits=Limits(couple="not"), limits_why="x")
    with pytest.raises(Refused, match="not on the list yet"):
        workflow.close_out(finding, version=1, by=cast.fitter, now=now, password=PASSWORD, work=work)
    assert not CloseOut.objects.exists()


def test_a_refused_plan_moves_nothing_to_another_road(cast, railway, finding, now):
    put(finding, "acknowledged", cast, now)
    plan = {"by": cast.controller, "now": now, "depot": railway.places["BRK"], "since": now, "shift": "early"}
    finding = workflow.plan(finding, version=finding.version, road="3", **plan)
    with pytest.raises(workflow.Stale):
        workflow.plan(finding, version=finding.version - 1, road="7", **plan)
    assert Visit.objects.get().road == "3"
    workflow.plan(finding, version=finding.version, road="7", **plan)
    assert Visit.objects.get().road == "7"
    assert LogEntry.objects.filter(kind="planned").order_by("seq").last().data["road"] == "7"


def test_the_checker_is_never_the_one_who_did_it(cast, railway, finding, now):
    put(finding, "awaiting check", cast, now)
    CloseOut.objects.update(by=cast.checker)
    with pytest.raises(Refused, match="somebody else"):
        workflow.check(finding, version=1, by=cast.checker, now=now, password=PASSWORD)
    CloseOut.objects.update(by=cast.fitter)
    workflow.check(finding, version=1, by=cast.checker, now=now, password=PASSWORD)
    assert Finding.objects.get().state == "closed"


def test_raise_never_lowers(cast, railway, finding, now):
    with pytest.raises(Refused, match="never lowered"):
        workflow.raise_category(finding, version=1, by=cast.controller, now=now, to=0, why="looks fine")
    raised = workflow.raise_category(finding, version=1, by=cast.controller, now=now, to=3, why="gangway")
    raised.refresh_from_db()
    assert raised.worst == 3


def test_restriction_tightens_and_lifting_one_leaves_the_other(cast, railway, finding, now):
    end = railway.ends["201 A"]
    first = workflow.restrict(
        end=end, unit=None, limits=Limits(couple="not"), why="until seen", by=cast.controller, now=now
    )
    workflow.restrict(
        end=None, unit=end.unit, limits=Limits(move="to depot"), why="until seen", by=cast.controller, now=now
    )
    workflow.lift(first, by=cast.controller, now=now, why="examined")
    assert [r.move for r in Restriction.objects.in_force(now)] == ["to depot"]
    with pytest.raises(Refused, match="already"):
        workflow.lift(first, by=cast.controller, now=now, why="again")


def test_an_empty_restriction_is_refused(cast, railway, now):
    with pytest.raises(Refused, match="restrict nothing"):
        workflow.restrict(end=railway.ends["201 A"], unit=None, limits=Limits(), why="x", by=cast.controller, now=now)


def test_a_report_nobody_saw_makes_the_version_old(cast, railway, report, finding, now):
    in_work(finding, cast, now)
    report(cast.other_driver, kind="worse", of=finding.ref)
    with pytest.raises(workflow.Stale) as stale:
        workflow.close_out(finding, version=1, by=cast.fitter, now=now, password=PASSWORD, work=repaired(finding))
    assert [entry.kind for entry in stale.value.since] == ["observed"]
    assert not CloseOut.objects.exists()


@pytest.mark.parametrize(
    ("part", "symptom", "closes"),
    [("handle", "release-parted", False), ("cables", "cable-hanging", False), ("air-upper", "seal-torn", True)],
)
def test_no_fault_found_does_not_close_a_parting_or_wiring(cast, railway, report, now, part, symptom, closes):
    report(cast.driver, part=part, symptom=symptom)
    finding = in_work(Finding.objects.select_related("end__pattern", "unit").get(), cast, now)
    work = closing.Work(confirmed=False, cause="", action="", found="Nothing seen.", outcome="no fault found")
    act = {"version": 1, "by": cast.fitter, "now": now, "password": PASSWORD, "work": work}
    if closes:
        assert workflow.close_out(finding, **act).outcome == "no fault found"
    else:
        with pytest.raises(Refused, match="independent wiring check"):
            workflow.close_out(finding, **act)
        assert not CloseOut.objects.exists()
