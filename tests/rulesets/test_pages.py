"""Rulesets, words and limits, and the page to try the rules on: every role reads, an engineer acts."""

import re
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from inspections import grading, log, rulesets
from inspections.forms.rules import TryForm
from inspections.models import Finding, RuleSet
from inspections.rules import facts
from tests.conftest import PASSWORD
from tests.rulesets.house import SHIPPED, milder, stored, tighter
from tests.screens.desk import ESCAPED, HOSTILE, finding_of

pytestmark = pytest.mark.django_db
ROLES = ("driver", "fitter", "checker", "controller", "manager", "engineer")


@pytest.fixture
def engineer(cast, client_of):
    return client_of(cast.engineer)


def name():
    return RuleSet.objects.candidates().get().sha256[:12]


def text_of(response):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", response.content.decode()))


def upload(client, text, why="Couple no torn seal", **more):
    file = SimpleUploadedFile("rules.toml", text if isinstance(text, bytes) else text.encode())
    return client.post("/rules/new/", {"document": file, "why": why, **more})


def sign(client, **changes):
    row = RuleSet.objects.candidates().get()
    said = {"seen": row.what_if["made"] if row.what_if else "", "why": "Agreed in the depot", "password": PASSWORD}
    return client.post(f"/rules/{name()}/put-in-force/", {**said, **changes})


def test_from_a_file_to_the_ruleset_in_force(engineer, cast, report):
    finding = finding_of(report(cast.driver))
    assert upload(engineer, tighter()).headers["Location"] == f"/rules/{name()}/"
    short = name()
    page = engineer.get(f"/rules/{short}/")
    assert "This is not worked out yet." in text_of(page)
    assert "Put it in force" not in text_of(page)
    assert engineer.post(f"/rules/{short}/what-if/").status_code == 302
    page = text_of(engineer.get(f"/rules/{short}/"))
    assert "Newly limited: a situation without any limit gets one 1 0" in page
    assert "Move 1 0 0 0" in page
    assert "Stays undesirable 1 0" in page
    assert f"{finding.ref[:4]} {finding.ref[4:]}" in page
    answer = sign(engineer)
    assert answer.headers["Location"] == f"/rules/{short}/"
    page = text_of(engineer.get(f"/rules/{short}/"))
    assert "Open findings graded anew: 1;" in page
    assert "In force" in page
    assert "Agreed in the depot" in page
    assert "What was expected of it" in page
    assert Finding.objects.get().current_grade.ruleset.sha256[:12] == short
    assert f"/rules/{short}/" in engineer.get("/rules/").content.decode()


def test_pressed_twice_it_is_done_once(engineer, cast, report):
    report(cast.driver)
    upload(engineer, tighter())
    engineer.post(f"/rules/{name()}/what-if/")
    row = RuleSet.objects.candidates().get()
    said = {"seen": row.what_if["made"], "why": "x", "password": PASSWORD}
    answers = [engineer.post(f"/rules/{row.sha256[:12]}/put-in-force/", said) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [302, 302]
    assert log.LogEntry.objects.filter(kind="ruleset in force").count() == 1


def test_somebody_else_was_first(engineer, cast, report, client_of):
    report(cast.driver)
    upload(engineer, tighter())
    engineer.post(f"/rules/{name()}/what-if/")
    stored(milder(), in_force_from=timezone.now())
    answer = sign(engineer, why="My good reason")
    assert answer.status_code == 409
    page = answer.content.decode()
    assert "Another ruleset came into force since its effect was worked out" in page
    assert "<title>Problem: " in page
    assert RuleSet.objects.candidates().count() == 1


def test_a_refused_signature_keeps_the_reason_and_not_the_password(engineer, cast, report):
    report(cast.driver)
    upload(engineer, tighter())
    engineer.post(f"/rules/{name()}/what-if/")
    answer = sign(engineer, why="My good reason", password="wrong password")
    assert answer.status_code == 422
    page = answer.content.decode()
    assert "That is not your password. Nothing was put in force." in page
    assert "My good reason" in page
    assert "wrong password" not in page
    empty = sign(engineer, why="", password="")
    assert empty.status_code == 422
    assert "Say why" in empty.content.decode()
    assert "Enter your password" in empty.content.decode()
    again = sign(engineer, seen="2026-01-01T00:00:00+00:00")
    assert again.status_code == 409
    assert "worked out again since you opened this page" in text_of(again)


def test_a_broken_file_is_refused_with_its_place_and_the_reason_kept(engineer):
    answer = upload(engineer, SHIPPED.replace("value = 28,", 'value = "many",'), why="Wider window")
    assert answer.status_code == 422
    page = text_of(answer)
    assert "limits.repeat-days.value: must be a number" in page
    assert "The ruleset in force is untouched." in page
    assert "Wider window" in answer.content.decode()
    assert not RuleSet.objects.candidates().exists()


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"a = \xff", "line 1: is not UTF-8 text"),
        (b"x" * 1_000_001, "more than 1 MB"),
        (b"", "The file is empty"),
        (b"\x89PNG\r\n", "line 1: is not UTF-8 text"),
        (SHIPPED.encode(), "This very text was in force already"),
        (HOSTILE.encode(), "line 1: "),
        (f'title = "{"x" * 5}"\n["{ESCAPED}"]\nx = 1'.encode(), "version: is missing"),
    ],
)
def test_any_file_is_answered_in_words(engineer, raw, said):
    answer = upload(engineer, raw)
    assert answer.status_code == 422
    assert said in text_of(answer)
    assert "<script>alert" not in answer.content.decode()


def test_no_file_and_no_reason_are_asked_for(engineer):
    page = text_of(engineer.post("/rules/new/", {}))
    assert "Choose a file" in page
    assert "Say why" in page


def test_hostile_words_of_a_ruleset_are_only_words(engineer):
    text = tighter().replace('approved = "', 'approved = "<script>alert(1)</script> ')
    upload(engineer, text, why=HOSTILE)
    for path in ("/rules/", f"/rules/{name()}/", f"/rules/{name()}/compare/"):
        page = engineer.get(path).content.decode()
        assert "<script>alert" not in page, path
        assert ESCAPED in page, path


def test_drivers_read_when_but_not_who_nor_why(cast, client_of, engineer):
    upload(engineer, tighter(), why="As Fitter 1 asked")
    for who in ROLES:
        client = client_of(getattr(cast, who))
        pages = "".join(client.get(path).content.decode() for path in ("/rules/", f"/rules/{name()}/"))
        named = "Manager 2" in pages.replace('<span>Manager 2</span> <button class="quiet">', "")
        assert named == (who != "driver"), who
        assert ("As Fitter 1 asked" in pages) == (who != "driver"), who
        assert ("Bring one in" in pages) == (who == "engineer"), who
        assert ("what it would change</button>" in pages) == (who == "engineer"), who


def test_a_ruleset_nobody_stored_is_not_there(engineer):
    for end in ("/", "/compare/", ".toml"):
        assert engineer.get(f"/rules/0123456789ab{end}").status_code == 404, end
    short = RuleSet.objects.get().sha256[:12]
    for other in ("0123456789ab", "a", "%", short[:5]):
        assert engineer.get(f"/rules/{short}/compare/", {"with": other}).status_code == 404


def test_the_document_comes_byte_for_byte(engineer):
    upload(engineer, tighter())
    answer = engineer.get(f"/rules/{name()}.toml")
    assert answer.content == tighter().encode()
    assert answer["Content-Disposition"] == f'attachment; filename="ruleset-{name()}.toml"'
    assert answer["Content-Type"] == "text/plain; charset=utf-8"


def test_two_rulesets_are_compared_in_words(engineer):
    upload(engineer, tighter())
    page = text_of(engineer.get(f"/rules/{name()}/compare/"))
    at = SHIPPED.splitlines().index('version = "1"') + 1
    assert f"− removed {at} version = &quot;1&quot;" in page
    assert f"+ added {at} version = &quot;2&quot;" in page
    first = RuleSet.objects.exclude(in_force_from=None).get().sha256[:12]
    assert "There is no other ruleset to compare" in text_of(engineer.get(f"/rules/{first}/compare/"))
    back = text_of(engineer.get(f"/rules/{first}/compare/", {"with": name()}))
    assert f"− removed {at} version = &quot;2&quot;" in back


def test_too_many_findings_are_left_to_the_command(engineer, cast, report, monkeypatch):
    report(cast.driver)
    upload(engineer, tighter())
    monkeypatch.setattr("inspections.views.rulesets.MOST_IN_PAGE", 0)
    answer = engineer.post(f"/rules/{name()}/what-if/")
    assert answer.status_code == 422
    assert f"Run manage.py what_if {name()}" in text_of(answer)
    monkeypatch.undo()
    engineer.post(f"/rules/{name()}/what-if/")
    monkeypatch.setattr("inspections.views.rulesets.MOST_IN_PAGE", 0)
    short = name()
    sign(engineer)
    page = text_of(engineer.get(f"/rules/{short}/"))
    assert "1 open finding still carries the grade of an earlier ruleset. Run manage.py regrade" in page


def test_the_one_in_force_is_not_tried_and_not_put_in_force_again(engineer):
    short = RuleSet.objects.get().sha256[:12]
    answer = engineer.post(f"/rules/{short}/what-if/")
    assert answer.status_code == 422
    assert "there is nothing left to try out" in text_of(answer)
    again = engineer.post(f"/rules/{short}/put-in-force/", {"seen": "x", "why": "x", "password": PASSWORD})
    assert again.status_code == 422
    assert "put in force already" in text_of(again)


def queries(client, path):
    with CaptureQueriesContext(connection) as found:
        assert client.get(path).status_code == 200
    return len(found)


def test_the_number_of_queries_does_not_grow(engineer, cast, report):
    upload(engineer, tighter())
    short = name()
    paths = ("/rules/", f"/rules/{short}/", f"/rules/{short}/compare/", "/rules/glossary/", "/rules/try/?part=hook")
    few = {path: queries(engineer, path) for path in paths}
    for n in range(12):
        report(cast.driver, part="hook", symptom="hook-marks", end="AB"[n % 2])
        stored(tighter(f"{n}.a"), by=cast.engineer)
        stored(tighter(f"{n}.b"), by=cast.engineer, in_force_from=timezone.now() - timedelta(days=n + 10))
    assert {path: queries(engineer, path) for path in paths} == few
    assert max(few.values()) <= 9, few


def test_the_glossary_has_every_word_and_number(cast, client_of):
    page = client_of(cast.driver).get("/rules/glossary/").content.decode()
    rules = grading.ruleset(timezone.now())
    for part in rules.parts.values():
        assert f'id="part-{part.code}"' in page
    for mode in rules.modes.values():
        assert f'id="mode-{mode.code}"' in page
    for limit in rules.limit_values.values():
        row = page.partition(f'id="limit-{limit.code}"')[2].partition("</tr>")[0]
        assert f">{limit.value} {limit.unit}<" in row
        assert f">{limit.document}<" in row and f">{limit.set_by}<" in row
    text = re.sub(r"<[^>]+>", " ", page)
    for caution in rules.cautions.values():
        assert caution.words.replace("'", "&#x27;") in text
    for said in (*rules.dial_words["couple"].values(), *rules.running_words["couple"].values()):
        assert said in text
    assert "Not faster than … km/h." in text
    for word in facts.CATEGORIES:
        assert word.capitalize() in text
    anchors = set(re.findall(r'href="#([^"]+)"', page)) - {"main"}
    assert anchors and all(f'id="{anchor}"' in page for anchor in anchors)
    assert page.count("Proposed, not agreed") == sum(not m.agreed for m in rules.modes.values() if not m.retired)


def tried(client, **said):
    return client.get("/rules/try/", said)


def test_try_it_shows_all_cells_as_the_rules_have_them(cast, client_of):
    client = client_of(cast.driver)
    page = tried(client, part="air-upper", symptom="seal-torn")
    assert page.status_code == 200
    rules = grading.ruleset(timezone.now())
    fault = facts.Fault("", (facts.Observation("air-upper", "seal-torn"),))
    value = grading.grade_of(rules, fault, (), facts.Pattern())
    told = [grading.told(rules, value, *key) for key in value.cells]
    assert [cell for row in page.context["rows"] for _, cell in row["cells"]] == told
    text = text_of(page)
    for cell in told:
        assert cell.band in text
        assert all(sentence in text for sentence in (*cell.limits, *cell.why[1:]))


def test_try_it_asks_only_what_matters(cast, client_of):
    client = client_of(cast.driver)
    form = tried(client, part="air-upper", symptom="seal-torn").context["form"]
    asked = {field.removeprefix("fact-") for field in form.fields if field.startswith("fact-")}
    assert asked == {"leak", "leak-uncertainty", "pipe"}
    everything = tried(client, part="other").context["form"]
    assert len([name for name in everything.fields if name.startswith("fact-")]) > 15


def band(client, **said):
    answer = tried(client, **said)
    assert answer.status_code == 200
    return answer.context["category"]


def test_try_it_takes_facts_numbers_evidence_and_another_finding(cast, client_of):
    client = client_of(cast.manager)
    worn = {"part": "hook", "mode": "hook-worn"}
    assert band(client, **worn) == "intolerable"
    assert band(client, **worn, quality="measured", **{"fact-gap": "2.5"}) == "tolerable"
    assert band(client, **worn, quality="seen", **{"fact-gap": "2.5"}) == "intolerable"
    page = tried(client, part="handle", mode="remote-dead", quality="examined", other="manual-dead")
    assert "the train cannot be split at all" in text_of(page)
    frost = tried(client, part="air-upper", symptom="seal-torn", weather="frost")
    assert [[names for names, _ in row["reasons"]] for row in frost.context["rows"]] == [["frost or snow"]] * 3


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"part": "hook", "symptom": "seal-torn"}, "This does not go with the part; choose one of these"),
        ({"part": "hook", "mode": "hook-worn", "fact-gap": "wide"}, "Enter a number of 0 or more, in mm"),
        ({"part": "hook", "mode": "hook-worn", "fact-gap": "-1"}, "Enter a number of 0 or more, in mm"),
        ({"part": "hook", "mode": "hook-worn", "fact-gap": "1e400"}, "Enter a number of 0 or more, in mm"),
        ({"part": "hook", "mode": "hook-worn", "fact-gap": "NaN"}, "Enter a number of 0 or more, in mm"),
        ({"part": "hook", "quality": "hearsay"}, "choose one of these"),
        ({"part": "hook", "symptom": HOSTILE}, "choose one of these"),
    ],
)
def test_try_it_says_what_it_cannot_take(cast, client_of, said, words):
    answer = tried(client_of(cast.driver), **said)
    assert answer.status_code == 422
    assert words in text_of(answer)
    assert "<title>Problem: " in answer.content.decode()
    assert "<script>alert" not in answer.content.decode()


def test_try_it_takes_a_driver_at_their_word_unless_told_better(cast, client_of):
    client = client_of(cast.driver)
    form = tried(client, part="hook").context["form"]
    assert form.observation().quality == "seen"
    assert form.fields["quality"].choices[0][0] == "seen"


def test_try_it_starts_with_the_parts(cast, client_of):
    client = client_of(cast.driver)
    for said in ({}, {"part": "wing"}, {"part": HOSTILE}):
        page = tried(client, **said).content.decode()
        assert page.count('href="?part=') == len(grading.ruleset(timezone.now()).parts)
        assert "<script>alert" not in page


def test_every_part_symptom_and_mode_can_be_tried(cast, client_of):
    """Each answer the form offers leads to a grade."""
    rules = grading.ruleset(timezone.now())
    for part in rules.parts:
        offered = TryForm({"part": part}, rules=rules, part=part)
        for key in ("symptom", "mode"):
            for code, _ in offered.fields[key].choices:
                form = TryForm({"part": part, key: code}, rules=rules, part=part)
                assert form.is_valid(), (part, code, form.errors)
                value = grading.grade_of(rules, facts.Fault("", (form.observation(),)), (), facts.Pattern())
                assert len(value.cells) == 9


def test_trying_stores_nothing(cast, client_of, report):
    report(cast.driver)
    before = log.head(), Finding.objects.values().get()
    tried(client_of(cast.driver), part="hook", symptom="hook-marks")
    assert (log.head(), Finding.objects.values().get()) == before


def test_every_role_finds_the_rules_in_the_header(cast, client_of):
    for who in ROLES:
        assert '<a href="/rules/">Rules</a>' in client_of(getattr(cast, who)).get("/units/").content.decode(), who
    assert rulesets.short(RuleSet.objects.get()) in client_of(cast.driver).get("/rules/").content.decode()
