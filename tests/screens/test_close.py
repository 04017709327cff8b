"""Close-out and check: what is asked, what a value does to "repaired", what is signed, who may sign."""

from hashlib import sha256

import pytest

from inspections import closing, grading, workflow
from inspections.models import CloseOut, Finding, LogEntry, Restriction
from inspections.models import TestResult as Result
from inspections.rules.limits import Limits
from tests.conftest import PASSWORD
from tests.screens.desk import ESCAPED, HOSTILE, entries, finding_of, looked, taken

pytestmark = pytest.mark.django_db
FAULTS = {
    "seal-torn": ("air-upper", "seal-torn"),
    "seal-hard": ("air-upper", "seal-hard"),
    "insulation-low": ("contacts", "block-wet"),
    "block-forward": ("contacts", "block-proud"),
    "cover-open": ("cover", "cover-open"),
    "droop": ("shank", "shank-low"),
    "hook-worn": ("hook", "hook-knock"),
    "tube-triggered": ("shank", "shank-short"),
}
# Mode, test, value, inside its limit? At the limit, just inside, just outside, on each side that has one.
LIMITS = [
    ("seal-torn", "leak-coupled", "0.2", True),
    ("seal-torn", "leak-coupled", "0.1999", True),
    ("seal-torn", "leak-coupled", "0.2001", False),
    ("seal-torn", "leak-coupled", "0", True),
    ("seal-hard", "seal-proud", "5", True),
    ("seal-hard", "seal-proud", "5.0001", True),
    ("seal-hard", "seal-proud", "4.9999", False),
    ("seal-hard", "seal-proud", "9", True),
    ("seal-hard", "seal-proud", "8.9999", True),
    ("seal-hard", "seal-proud", "9.0001", False),
    ("insulation-low", "insulation", "10", True),
    ("insulation-low", "insulation", "10.0001", True),
    ("insulation-low", "insulation", "9.9999", False),
    ("block-forward", "head-stroke", "10", True),
    ("block-forward", "head-stroke", "9.9", False),
    ("cover-open", "cover-free", "2", True),
    ("cover-open", "cover-free", "2.1", False),
    ("droop", "head-height", "1010", True),
    ("droop", "head-height", "1009.9", False),
    ("droop", "head-height", "1040", True),
    ("droop", "head-height", "1040.1", False),
    ("hook-worn", "lock-play", "4", True),
    ("hook-worn", "lock-play", "4.01", False),
    ("tube-triggered", "tube-length", "0", True),
    ("tube-triggered", "tube-length", "0.0001", False),
]
SOUND = {"leak-coupled": "0.1", "leak-uncoupled": "0.05", "seal-proud": "7", "insulation": "50", "head-stroke": "12"}


@pytest.fixture
def job(cast, railway, report, now):
    """A finding in the fitter's hands."""

    def make(mode="seal-torn", **more):
        part, symptom = FAULTS[mode]
        return taken(cast, railway, finding_of(report(cast.driver, part=part, symptom=symptom, **more)), now)

    return make


@pytest.fixture
def fitter(cast, client_of):
    return client_of(cast.fitter)


def address(finding):
    return f"/findings/{finding.ref}/close/"


def sound(finding, mode):
    """Entries in which every test of the mode is well within its limit."""
    rules = grading.ruleset()
    tests = {}
    for code in rules.modes[mode].tests:
        test = rules.tests[code]
        middle = test.low if test.high is None else test.high
        tests[f"test-{code}"] = str(middle) if test.kind == "value" else "yes"
    given = {key: value for key, value in entries(finding).items() if not key.startswith("test-")}
    return {**given, "found": mode, "action": rules.modes[mode].actions[0], **tests}


def sign(client, finding, posted, password=PASSWORD):
    return client.post(address(finding), {**posted, "step": "sign", "password": password})


def test_first_it_asks_what_was_found_as_reported_first(job, fitter):
    finding = job()
    page = fitter.get(address(finding)).content.decode()
    assert page.index("As it was reported") < page.index("Air seal torn") < page.index("Another fault of this part")
    assert page.index("Another fault of this part") < page.index("Air seal hard") < page.index("No fault found")
    assert 'method="get"' in page
    assert page.count('class="primary"') == 1


def test_then_it_asks_the_tests_of_that_mode_with_limit_unit_and_document(job, fitter):
    finding = job()
    page = fitter.get(address(finding), {"found": "seal-torn"}).content.decode()
    assert "Air leak, coupled: at most 0.2 bar" in page
    assert '<span aria-hidden="true">bar</span>' in page
    assert "Document: indicative, not approved; set by: shipped with the logbook." in page
    assert "Seal protrusion" not in page
    assert "Seal protrusion: 5 to 9 mm" in fitter.get(address(finding), {"found": "seal-hard"}).content.decode()


def test_a_mode_that_is_not_offered_is_asked_again(job, fitter):
    finding = job()
    for found in ("pin-bent", "no-such-mode", HOSTILE):
        response = fitter.get(address(finding), {"found": found})
        assert response.status_code == 422
        assert "Choose what you found" in response.content.decode()
        posted = {**entries(finding), "found": found}
        assert fitter.post(address(finding), posted).status_code == 422


@pytest.mark.parametrize(("mode", "test", "value", "inside"), LIMITS)
def test_a_value_outside_its_limit_blocks_repaired_by_its_field(job, fitter, mode, test, value, inside):
    finding = job(mode)
    response = fitter.post(address(finding), {**sound(finding, mode), f"test-{test}": value})
    page = response.content.decode()
    if inside:
        assert response.status_code == 200, page
        assert "What you sign" in page
    else:
        assert response.status_code == 422
        field = page[page.index(f'id="div_id_test-{test}"') :]
        assert "the limit of" in field[: field.index("<input")]
        assert f'<a href="#id_test-{test}">' in page
        assert "You can release it with limits, or leave it open." in page


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"test-look": ""}, "“Look” is needed for “repaired”"),
        ({"test-leak-coupled": ""}, "“Air leak, coupled” is needed for “repaired”"),
        ({"test-look": "no"}, "“Look” did not pass. You can release it with limits, or leave it open."),
        ({"test-leak-coupled": "0,1"}, "“Air leak, coupled”: enter a number with a point, like 0.15"),
        ({"test-leak-coupled": "NaN"}, "“Air leak, coupled”: enter a number with a point, like 0.15"),
        ({"test-leak-coupled": "0.12345"}, "“Air leak, coupled” has too many digits: at most 4 after"),
        ({"cause": ""}, "Choose a cause"),
        ({"action": "Magic"}, "Choose what was done"),
        ({"action": "Something else, in my words below", "in_words": " "}, "Write what was done"),
        ({"outcome": ""}, "Choose an outcome"),
        ({"outcome": "no fault found"}, "Choose an outcome"),
        ({"test-leak-coupled": "-5"}, "“Air leak, coupled” is below zero"),
        ({"test-leak-coupled": "1234567"}, "“Air leak, coupled” has too many digits: at most 6 before"),
        ({"test-look": "maybe"}, "“Look”: choose one of the answers shown"),
        ({"in_words": "x" * 4001}, "“Found and done, in your words” is too long: at most 4000 characters"),
        ({"couple": "not"}, "You set a limit, but chose repaired. Choose “released with limits”, or take"),
        ({"speed": "40"}, "You set a limit, but chose repaired."),
        ({"limits_why": "No ring."}, "chose repaired. Choose “released with limits”, or take that reason away."),
        ({"outcome": "released with limits"}, "“Released with limits” needs at least one limit"),
        ({"outcome": "released with limits", "couple": "not"}, "Say why it is released so"),
    ],
)
def test_what_blocks_the_outcome_is_said_and_the_rest_is_kept(job, fitter, changes, sentence):
    finding = job()
    response = fitter.post(address(finding), {**entries(finding), **changes})
    page = response.content.decode()
    assert response.status_code == 422
    assert sentence in page
    assert "<title>Problem: " in page
    if "in_words" not in changes:
        assert "Ring was cut at the bottom." in page
    assert not CloseOut.objects.exists()


def test_everything_that_is_wrong_is_said_at_once(job, fitter):
    finding = job()
    posted = entries(finding, cause="", **{"test-look": "", "test-leak-coupled": "0.3"})
    page = fitter.post(address(finding), posted).content.decode()
    for sentence in ("Choose a cause", "“Look” is needed for “repaired”", "0.3 bar is over the limit of 0.2 bar"):
        assert sentence in page


def test_what_is_signed_is_shown_first_then_signed(job, fitter, cast):
    finding = job()
    page = fitter.post(address(finding), entries(finding)).content.decode()
    for words in (
        "Yes: Air seal torn, nicked or part missing",
        "Wear or age",
        "Seal ring renewed",
        "Ring was cut at the bottom.",
        "0.1 bar, limit at most 0.2 bar: passed",
        "Repaired",
    ):
        assert words in page
    assert not CloseOut.objects.exists()
    response = sign(fitter, finding, entries(finding))
    assert response.status_code == 302
    close_out = CloseOut.objects.get()
    assert (close_out.by, close_out.outcome, close_out.confirmed) == (cast.fitter, "repaired", True)
    assert close_out.signed_sha256 == sha256(close_out.signed_text.encode()).hexdigest()
    leak = Result.objects.get(test="leak-coupled")
    assert (str(leak.value), str(leak.high), leak.unit, leak.verdict) == ("0.1000", "0.2000", "bar", "pass")
    finding = Finding.objects.get(pk=finding.pk)
    assert (finding.state, finding.mode) == ("closed", "seal-torn")


def test_change_something_goes_back_with_everything_kept(job, fitter):
    finding = job()
    posted = {**entries(finding), "step": "change", "in_words": "Kept words"}
    page = fitter.post(address(finding), posted).content.decode()
    assert "Kept words" in page
    assert 'value="0.1"' in page
    assert 'value="yes"' in page
    assert "Check what I sign" in page
    assert not CloseOut.objects.exists()


def test_a_wrong_password_signs_nothing_and_keeps_everything(job, fitter):
    finding = job()
    for password in ("wrong", ""):
        response = sign(fitter, finding, entries(finding), password)
        page = response.content.decode()
        assert response.status_code == 422
        assert "Ring was cut at the bottom." in page
        assert password == "" or "That is not your password. Nothing was signed." in page
        assert password == "" or f'value="{password}"' not in page
    assert not CloseOut.objects.exists()
    assert Finding.objects.get(pk=finding.pk).state == "in work"


def test_signing_twice_signs_once(job, fitter):
    finding = job()
    assert [sign(fitter, finding, entries(finding)).status_code for _ in range(2)] == [302, 302]
    assert CloseOut.objects.count() == 1
    assert LogEntry.objects.filter(kind="signed").count() == 1


def test_a_stale_close_out_says_who_and_keeps_everything(job, fitter, cast, now):
    finding = job()
    posted = entries(finding)
    workflow.raise_category(
        finding, version=finding.version, by=cast.controller, now=now, to=3, why="Seen hanging at Pennick."
    )
    response = sign(fitter, finding, posted)
    page = response.content.decode()
    assert response.status_code == 409
    assert "Controller 1 raised this at 06:00. See what changed before you save." in page
    assert "Raised to intolerable: <bdi>Seen hanging at Pennick.</bdi>" in page
    assert "Ring was cut at the bottom." in page
    assert not CloseOut.objects.exists()
    assert sign(fitter, finding, {**posted, "version": finding.version + 1}).status_code == 302


def test_a_close_out_that_came_second_keeps_its_words(job, fitter, cast, client_of):
    finding = job()
    other = client_of(cast.other_fitter)
    assert sign(other, finding, entries(finding)).status_code == 302
    response = sign(fitter, finding, entries(finding, in_words="My own words"))
    page = response.content.decode()
    assert response.status_code == 409
    assert "Fitter 2 signed this off at" in page
    assert "It is closed now, so it cannot be signed." in page
    assert "My own words" in page
    assert CloseOut.objects.count() == 1


def test_released_with_limits_leaves_a_restriction(job, fitter, railway):
    finding = job()
    posted = entries(
        finding, outcome="released with limits", couple="not", speed="60", limits_why="No ring in store."
    ) | {"test-leak-coupled": "0.4"}
    page = fitter.post(address(finding), posted).content.decode()
    assert "0.4 bar, limit at most 0.2 bar: failed" in page
    assert "Do not couple at this end." in page
    assert "60 km/h" in page
    assert sign(fitter, finding, posted).status_code == 302
    restriction = Restriction.objects.get()
    assert restriction.limits == Limits(couple="not", speed=60)
    assert (restriction.end, restriction.why) == (railway.ends["201 A"], "No ring in store.")


def test_limits_of_another_outcome_are_not_signed(job, fitter):
    finding = job()
    gone = {"found": "not-found", "outcome": "no fault found", "couple": "not", "limits_why": "x"}
    for changes in ({"couple": "not", "limits_why": "x"}, gone):
        response = sign(fitter, finding, entries(finding, **changes))
        assert response.status_code == 422
        said = f"You set a limit, but chose {changes.get('outcome', 'repaired')}."
        assert said in response.content.decode()
    assert not Restriction.objects.exists()
    assert not CloseOut.objects.exists()


@pytest.mark.parametrize("version", ["", "1x", "9" * 20])
def test_a_version_that_never_was_is_said_and_the_page_goes_on(job, fitter, version):
    finding = job()
    response = sign(fitter, finding, entries(finding, version=version))
    page = response.content.decode()
    assert response.status_code == 422
    assert "This page had lost part of itself" in page or "This page does not fit what stands here now" in page
    assert "What changed" not in page
    assert f'name="version" value="{finding.version}"' in page
    assert not CloseOut.objects.exists()


def test_marks_that_turn_text_are_not_signed(job, fitter):
    finding = job()
    assert sign(fitter, finding, entries(finding, in_words="Ring\u202e cut\u2066.")).status_code == 302
    assert CloseOut.objects.get().found == "Ring cut."


def test_no_shipped_test_takes_a_value_below_zero():
    for test in grading.ruleset().tests.values():
        assert closing.least(test) == 0, test.code


def test_no_fault_found_needs_no_tests(job, fitter):
    finding = job()
    posted = {
        "version": finding.version, "found": "not-found", "outcome": "no fault found", "in_words": "Ring is whole.",
        "step": "check",
    }  # fmt: skip
    page = fitter.get(address(finding), {"found": "not-found"}).content.decode()
    assert "Repaired" not in page
    assert "No fault found" in fitter.post(address(finding), posted).content.decode()
    assert sign(fitter, finding, posted).status_code == 302
    close_out = CloseOut.objects.get()
    assert (close_out.outcome, close_out.confirmed, close_out.tests.count()) == ("no fault found", False, 0)
    assert Finding.objects.get(pk=finding.pk).mode == ""


def test_hostile_words_are_signed_as_typed_and_shown_escaped(job, fitter):
    finding = job()
    posted = entries(finding, in_words=HOSTILE)
    page = fitter.post(address(finding), posted).content.decode()
    assert ESCAPED in page
    assert "<script>alert" not in page
    assert sign(fitter, finding, posted).status_code == 302
    assert CloseOut.objects.get().found == HOSTILE
    assert "<script>alert" not in fitter.get(f"/findings/{finding.ref}/").content.decode()


def test_a_finding_not_in_work_sends_back_with_words(cast, report, fitter, now):
    finding = finding_of(report(cast.driver))
    assert "Control has not looked at this yet" in fitter.get(address(finding), follow=True).content.decode()
    finding = looked(cast, finding, now)
    assert "Take this job first" in fitter.get(address(finding), follow=True).content.decode()
    response = sign(fitter, finding, entries(finding))
    assert response.status_code == 422
    assert not CloseOut.objects.exists()


@pytest.mark.parametrize("who", ["driver", "controller", "manager", "outsider"])
def test_only_fitters_close_and_only_checkers_check(job, client_of, cast, who):
    finding = job()
    client = client_of(getattr(cast, who))
    for url in (address(finding), f"/findings/{finding.ref}/check/"):
        assert client.get(url).status_code == 403
        assert client.post(url, entries(finding)).status_code == 403
    assert client_of(cast.fitter).get(f"/findings/{finding.ref}/check/").status_code == 403


# --- the second person --------------------------------------------------------------------------------------------
@pytest.fixture
def signed_by(job, cast, client_of):
    """A worn hook, signed by somebody, waiting for its check."""

    def make(who="fitter"):
        finding = job("hook-worn")
        assert closing.check_needed(finding, "hook-worn")
        assert sign(client_of(getattr(cast, who)), finding, sound(finding, "hook-worn")).status_code == 302
        finding = Finding.objects.get(pk=finding.pk)
        assert finding.state == "awaiting check"
        return finding

    return make


def check(client, finding, password=PASSWORD, version=None):
    posted = {"version": version or finding.version, "password": password}
    return client.post(f"/findings/{finding.ref}/check/", posted)


def test_a_second_person_reads_and_signs(signed_by, cast, client_of):
    finding = signed_by()
    client = client_of(cast.checker)
    page = client.get(f"/findings/{finding.ref}/check/").content.decode()
    assert "4 mm, limit at most 4 mm: passed" in page
    assert "Fitter 1" in page
    assert check(client, finding).status_code == 302
    close_out = CloseOut.objects.get()
    assert close_out.checker == cast.checker
    assert Finding.objects.get(pk=finding.pk).state == "closed"
    assert check(client, finding).status_code == 302, "a second press of the button"
    assert LogEntry.objects.filter(kind="checked").count() == 1


def test_the_doer_is_not_the_checker(signed_by, cast, client_of):
    finding = signed_by("checker")
    client = client_of(cast.checker)
    page = client.get(f"/findings/{finding.ref}/check/").content.decode()
    assert "You did this work: the check must be somebody else’s." in page
    assert 'type="password"' not in page
    response = check(client, finding)
    assert response.status_code == 422
    assert "You did this work" in response.content.decode()
    assert CloseOut.objects.get().checker is None


def test_a_wrong_password_checks_nothing(signed_by, cast, client_of):
    finding = signed_by()
    response = check(client_of(cast.checker), finding, "wrong")
    assert response.status_code == 422
    assert "That is not your password. Nothing was signed." in response.content.decode()
    assert Finding.objects.get(pk=finding.pk).state == "awaiting check"


def test_a_stale_check_is_told(signed_by, cast, client_of, now):
    finding = signed_by()
    seen = finding.version
    workflow.tell(finding, version=seen, by=cast.controller, now=now, whom="Depot", how="by phone")
    response = check(client_of(cast.checker), finding)
    page = response.content.decode()
    assert response.status_code == 409
    assert "Controller 1 recorded who was told at 06:00." in page
    assert check(client_of(cast.checker), finding, version=seen + 1).status_code == 302


@pytest.mark.parametrize("version", ["1x", "9" * 20])
def test_a_check_of_a_version_that_never_was(signed_by, cast, client_of, version):
    finding = signed_by()
    response = check(client_of(cast.checker), finding, version=version)
    assert response.status_code == 422
    assert f'name="version" value="{finding.version}"' in response.content.decode()
    assert CloseOut.objects.get().checker is None


def test_nothing_to_check_sends_back_with_words(job, cast, client_of):
    finding = job()
    client = client_of(cast.checker)
    page = client.get(f"/findings/{finding.ref}/check/", follow=True).content.decode()
    assert "This finding is in work; this is not possible now." in page
    assert check(client, finding).status_code == 422
