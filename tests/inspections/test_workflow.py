"""Every act: allowed ones work and log once; all others are refused in words and change nothing."""

from datetime import timedelta
from decimal import Decimal
from hashlib import sha256
from threading import Barrier, Thread

import pytest
from django.db import connections, transaction

from inspections import closing, deferring, grading, labels, log, moving, repairing, workflow, working
from inspections.models import (
    CloseOut,
    Deferral,
    Finding,
    Grade,
    Isolation,
    Label,
    LogEntry,
    MateLook,
    Observation,
    Restriction,
    TestResult,
    Visit,
)
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
    "repair at once": ({"reported"}, {"fitter", "checker"}),
    "examine": ({"in work"}, {"fitter", "checker"}),
    "make safe": ({"in work"}, {"fitter", "checker"}),
    "put back": ({"in work"}, {"fitter", "checker"}),
    "close": ({"in work"}, {"fitter", "checker"}),
    "check": ({"awaiting check"}, {"checker"}),
    "merge": ({"reported", "acknowledged", "planned"}, {"controller"}),
    "move": ({"reported", "acknowledged", "planned", "in work"}, {"controller", "fitter", "checker"}),
    "name repeat": ({"reported", "acknowledged", "planned", "in work"}, {"controller", "fitter", "checker"}),
    "defer": ({"acknowledged", "planned"}, {"controller"}),
    "agree": ({"acknowledged", "planned"}, {"engineer"}),
    "extend": ({"acknowledged", "planned"}, {"engineer"}),
    "recall": (
        {"reported", "acknowledged", "planned", "in work", "awaiting check"},
        {"controller", "engineer"},
    ),
    "decide occurrence": (set(STATES), {"controller", "manager", "engineer"}),
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
    rules = grading.ruleset()
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


def prepare(act, finding, cast, railway, report, now):
    """What an act needs beside the finding: another one, a closed one, a restriction with its label, a deferral."""
    if act == "merge":
        receipt = report(cast.other_driver)
        return Finding.objects.get(ref=receipt.refs[0])
    if act == "name repeat":
        receipt = report(cast.other_driver)
        earlier = Finding.objects.filter(ref=receipt.refs[0])
        earlier.update(state="closed", closed=finding.first_seen, first_seen=finding.first_seen - timedelta(days=9))
        return earlier.get()
    if act in ("defer", "agree", "extend"):
        end = railway.ends["201 A"]
        limits = Limits(couple="not")
        row = workflow.restrict(end=end, unit=None, limits=limits, why="seal", by=cast.controller, now=now)
        labels.hang(
            number="7", end=end, unit=None, shows="Do not couple", restriction=row, by=cast.controller, now=now
        )
    if act in ("agree", "extend", "recall"):
        agreed = {} if act == "agree" else {"agreed": now, "agreed_by": cast.engineer}
        until = now + timedelta(hours=5)
        return Deferral.objects.create(
            finding=finding, category=1, why="part", by=cast.controller, since=now, until=until, **agreed
        )
    return None


def do(act, finding, by, railway, now, version=None, beside=None):
    common = {"version": version or finding.version, "by": by, "now": now}
    if act in ("agree", "extend", "recall") and beside:
        beside.finding = finding
    match act:
        case "merge":
            return workflow.merge(finding, **common, into=beside)
        case "name repeat":
            return workflow.name_repeat(finding, **common, of=beside, why="the same leak")
        case "move":
            end = railway.ends["201 B"]
            return moving.move(finding, **common, unit=end.unit, end=end, part=finding.slot, why="wrong end")
        case "defer":
            return deferring.defer(finding, **common, until=now + timedelta(days=1), why="part is ordered")
        case "agree":
            return deferring.agree(beside, **common)
        case "extend":
            return deferring.extend(beside, **common, until=now + timedelta(days=2), why="part is late")
        case "recall":
            return deferring.recall(beside, **common, why="repaired sooner")
        case "decide occurrence":
            return workflow.decide_occurrence(finding, **common, reportable=True, reference="12/26", why="")
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
        case "repair at once":
            finding.version = common["version"]
            return repairing.begin(finding, by=by, now=now)
        case "examine":
            return working.examine(finding, **common, work=working.Examination(mode="seal-torn"))
        case "make safe":
            return working.make_safe(finding, **common, done="Flap taken off.", secured=True)
        case "put back":
            return working.put_back(finding, **common, parts_off="Seal ring")
        case "close":
            return workflow.close_out(finding, **common, password=PASSWORD, work=repaired(finding))
        case "check":
            return workflow.check(finding, **common, password=PASSWORD)


def everything():
    kept = (Deferral, Label, Isolation, MateLook)
    tables = (Finding, Observation, Grade, CloseOut, TestResult, Visit, Restriction, LogEntry, *kept)
    return [list(table.objects.order_by("pk").values()) for table in tables]


@pytest.mark.parametrize("act", ALLOWED)
def test_every_state_role_and_act(cast, railway, report, finding, now, act):
    assert set(ALLOWED) == set(workflow.FROM)
    states, roles = ALLOWED[act]
    beside = prepare(act, finding, cast, railway, report, now)
    worked = 0
    for state in STATES:
        for role in ROLES:
            point = transaction.savepoint()
            put(finding, state, cast, now)
            before, entries = everything(), LogEntry.objects.count()
            try:
                do(act, finding, getattr(cast, role), railway, now, beside=beside)
            except Refused as refusal:
                assert not (state in states and role in roles), (act, state, role, str(refusal))
                assert len(str(refusal)) > 15
                assert everything() == before
            else:
                assert state in states, (act, state, role)
                assert role in roles, (act, state, role)
                assert LogEntry.objects.count() > entries
                assert Finding.objects.get(pk=finding.pk).version == finding.version + 1
                worked += 1
            transaction.savepoint_rollback(point)
    assert worked == len(states) * len(roles)


@pytest.mark.parametrize("act", ALLOWED)
def test_an_old_version_is_refused_and_shows_what_changed(cast, railway, report, finding, now, act):
    beside = prepare(act, finding, cast, railway, report, now)
    workflow.tell(finding, version=1, by=cast.controller, now=now, whom="signaller", how="radio")
    put(finding, min(ALLOWED[act][0]), cast, now)
    before = everything()
    by = getattr(cast, min(ALLOWED[act][1]))
    with pytest.raises(workflow.Stale) as stale:
        do(act, finding, by, railway, now, version=1, beside=beside)
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
    assert close.signed_sha256 == sha256(close.signed_text.encode()).hexdigest()
    assert finding.ref in close.signed_text


def in_work(finding, cast, now):
    return put(finding, "in work", cast, now)


def limited_tests(finding):
    rules = grading.ruleset()
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
