"""Observations as JSON lines in, grades as JSON lines out."""

import json
import os
import subprocess
import sys
import time
from io import StringIO

import pytest
from django.core.management import call_command

from inspections import graded_lines, grading, log
from inspections.models import Grade, RuleSet
from inspections.rules import facts
from inspections.rules.limits import DIALS
from tests.rules.worlds import of_symptoms

pytestmark = pytest.mark.django_db


@pytest.fixture
def rules(db, now):
    return grading.ruleset(now)


def graded(rules, *lines):
    return list(graded_lines.graded([x if isinstance(x, str) else json.dumps(x) for x in lines], rules))


def test_an_answer_says_everything(rules):
    ((number, answer),) = graded(rules, {"id": "a1", "part": "air-upper", "symptom": "seal-torn"})
    assert number == answer["line"] == 1
    assert answer["id"] == "a1"
    assert answer["ruleset"] == rules.sha256
    assert answer["worst"] == "undesirable"
    assert answer["modes"] == ["seal-torn"]
    assert [(c["situation"], c["weather"]) for c in answer["cells"]] == [
        (s, w) for s in "UCR" for w in rules.weathers
    ]
    cell = answer["cells"][0]
    assert set(cell) == {"situation", "weather", "category", "hours", "limits", "rules", "words", "why"}
    assert set(cell["limits"]) == {*DIALS, "speed", "isolations"}
    assert cell["limits"]["couple"] == "not"
    assert cell["words"] == ["Do not couple at this end.", "Do not rely on this end for rescue."]
    assert cell["category"] == "negligible" and cell["hours"] is None
    assert any("seal-torn-L1" in sentence for sentence in cell["why"])


def test_it_equals_the_rules_everywhere(rules):
    """Every symptom with the facts that matter to it, as a line and as a value."""
    observations = of_symptoms(rules, most=40)
    lines = (
        json.dumps(
            {"part": o.part, "symptom": o.symptom, "quality": o.quality, "facts": dict(o.facts)}, default=float
        )
        for o in observations
    )
    count = 0
    for observation, (_, answer) in zip(observations, graded_lines.graded(lines, rules), strict=True):
        value = grading.grade_of(rules, facts.Fault("a", (observation,)), (), facts.Pattern())
        assert answer["modes"] == list(value.modes)
        assert [c["category"] for c in answer["cells"]] == [
            facts.CATEGORIES[c.category] for c in value.cells.values()
        ]
        assert [c["rules"] for c in answer["cells"]] == [list(c.rules) for c in value.cells.values()]
        count += 1
    assert count > 500


def worst(rules, **line):
    ((_, answer),) = graded(rules, line)
    assert not isinstance(answer, graded_lines.BadLine), answer
    return answer["worst"], answer["cells"]


def test_earlier_others_pattern_and_numbers_count(rules):
    torn = {"part": "air-upper", "symptom": "seal-torn"}
    assert worst(rules, **torn)[0] == "undesirable"
    raised = {"kind": "raised", "raised_to": "intolerable"}
    assert worst(rules, **raised, earlier=[torn])[0] == "intolerable"
    alone, beside = (
        worst(rules, mode="remote-dead", quality="examined", others=o)[1] for o in ([], [{"mode": "manual-dead"}])
    )
    assert alone[6]["limits"]["move"] == "normal" and beside[6]["limits"]["move"] == "to depot"
    pins = {"part": "contacts", "symptom": "pin-bent"}
    dead, live = (worst(rules, **pins, pattern={"contacts_dead": word})[1] for word in ("yes", "no"))
    assert (dead[0]["category"], live[0]["category"]) == ("tolerable", "undesirable")
    gaps = [worst(rules, mode="hook-worn", quality="measured", facts={"gap": gap})[0] for gap in (1, 2.5, "2.5", 4.1)]
    assert gaps == ["negligible", "tolerable", "tolerable", "intolerable"]


BAD = [
    # what is wrong with the line, the line, what is said
    ("a key nobody knows", {"colour": "red"}, "key 'colour' is not known"),
    ("a part nobody knows", {"part": "wing"}, "part 'wing' is not in the ruleset"),
    ("a symptom nobody knows", {"symptom": "wobbles"}, "symptom 'wobbles' is not in the ruleset"),
    ("a mode nobody knows", {"mode": "gremlins"}, "mode 'gremlins' is not in the ruleset"),
    ("a fact nobody knows", {"facts": {"mood": "bad"}}, "fact 'mood' is not in the ruleset"),
    ("a word nobody knows", {"facts": {"leak": "huge"}}, "fact 'leak': 'huge' is not one of within limit"),
    ("a number below nothing", {"facts": {"gap": -1}}, "fact 'gap'"),
    ("a fact that is a list", {"facts": {"gap": [1]}}, "facts.gap must be a word or a number"),
    ("a fact that is true", {"facts": {"gap": True}}, "facts.gap must be a word or a number, not true"),
    ("facts in a list", {"facts": ["gap"]}, "facts must be an object"),
    ("a kind nobody knows", {"kind": "rumour"}, "kind: 'rumour' is not one of first report"),
    ("a quality nobody knows", {"quality": "hearsay"}, "quality: 'hearsay' is not one of"),
    ("a part that is a number", {"part": 5}, "part must be text, not 5"),
    ("raised to nothing", {"kind": "raised"}, "raised_to goes with the kind 'raised'"),
    ("raised without saying so", {"raised_to": "tolerable"}, "raised_to goes with the kind 'raised'"),
    ("raised to a number", {"kind": "raised", "raised_to": 3}, "raised_to must be text, not 3"),
    ("a wrong key earlier", {"earlier": [{"x": 1}]}, "key 'earlier.1.x' is not known"),
    ("a wrong part beside", {"others": [{"part": "hook"}, {"part": "wing"}]}, "part 'wing' is not in the ruleset"),
    ("others that are none", {"others": {"part": "hook"}}, "others must be a list"),
    ("an other that is text", {"others": ["hook"]}, "others.1 must be an object"),
    ("too many others", {"others": [{}] * 201}, "others must be a list of at most 200"),
    ("a pattern key", {"pattern": {"x": 1}}, "key 'pattern.x' is not known"),
    ("a pattern word", {"pattern": {"contacts_dead": "maybe"}}, "pattern.contacts_dead: 'maybe' is not one of"),
    ("a pipe of no part", {"pattern": {"pipes": {"wing": "BP"}}}, "part 'wing' is not in the ruleset"),
    ("a pipe nobody knows", {"pattern": {"pipes": {"air-upper": "gas"}}}, "pattern.pipes.air-upper: 'gas'"),
    ("no JSON", "seal-torn", "is not JSON"),
    ("JSON that ends too soon", '{"part": "hook"', "is not JSON"),
    ("a list", "[1]", "is not an object in braces"),
    ("a key twice", '{"part": "hook", "part": "cup"}', "key 'part' stands twice"),
    ("no number", '{"facts": {"gap": NaN}}', "NaN is not a number"),
    ("a number without end", '{"facts": {"gap": 1e999999999}}', "is too long"),
    ("a number of 5000 digits", '{"facts": {"gap": ' + "9" * 5000 + "}}", "is too long"),
    ("lists in lists", "[" * 50_000, "nested too deep"),
    ("a line without end", '"' + "x" * 100_001, "is longer than 100000 letters"),
]  # fmt: skip


@pytest.mark.parametrize(("what", "line", "said"), BAD, ids=[b[0] for b in BAD])
def test_a_wrong_line_is_named_and_the_others_are_graded(rules, what, line, said):
    good = {"part": "hook"}
    first, bad, last = graded(rules, good, line, good)
    assert (first[0], bad[0], last[0]) == (1, 2, 3)
    assert isinstance(bad[1], graded_lines.BadLine)
    assert said in str(bad[1])
    assert first[1]["worst"] == last[1]["worst"]


def test_blank_lines_are_left_out_and_counted(rules):
    assert [number for number, _ in graded(rules, "", {"part": "hook"}, "  \n", {"part": "cup"})] == [2, 4]


def test_lines_come_out_as_they_come_in(rules):
    taken = []

    def lines():
        for n in range(3):
            taken.append(n)
            yield "{}"

    answers = graded_lines.graded(lines(), rules)
    next(answers)
    assert taken == [0]


def run(monkeypatch, text):
    out, err = StringIO(), StringIO()
    monkeypatch.setattr(sys, "stdin", StringIO(text))
    code = 0
    try:
        call_command("grade", stdout=out, stderr=err)
    except SystemExit as stopped:
        code = stopped.code
    return code, out.getvalue(), err.getvalue()


def test_the_command_grades_and_names_what_is_wrong(db, monkeypatch):
    before = log.head(), Grade.objects.count(), RuleSet.objects.count()
    code, out, err = run(monkeypatch, '{"part":"hook"}\n{"part":"wing"}\n{"x":1}\n{"id":"é","part":"cup"}\n')
    assert code == 1
    assert [json.loads(line)["line"] for line in out.splitlines()] == [1, 4]
    assert json.loads(out.splitlines()[1])["id"] == "é"
    assert err.splitlines()[0] == "line 2: part 'wing' is not in the ruleset"
    assert err.splitlines()[1].startswith("line 3: key 'x' is not known")
    assert (log.head(), Grade.objects.count(), RuleSet.objects.count()) == before


def test_the_command_ends_well_when_all_lines_are_good(db, monkeypatch):
    code, out, err = run(monkeypatch, '{"part":"hook"}\n')
    assert (code, err) == (0, "")
    assert run(monkeypatch, "") == (0, "", "")


@pytest.mark.django_db(transaction=True)
def test_as_a_program_with_a_reader_that_leaves(db, settings, tmp_path):
    """A real process on a database of its own: bytes that are no text are named, a closed pipe is no traceback."""
    environ = os.environ | {"DATABASE_URL": f"sqlite:///{tmp_path}/own.sqlite3"}
    manage = [sys.executable, "manage.py"]
    subprocess.run([*manage, "migrate", "-v0"], cwd=settings.BASE_DIR, env=environ, check=True)
    lines = b'{"part":"hook"}\n\xff\xfe\n' + b'{"part":"cup"}\n' * 300
    done = subprocess.run([*manage, "grade"], cwd=settings.BASE_DIR, env=environ, input=lines, capture_output=True)
    assert done.returncode == 1
    assert len(done.stdout.splitlines()) == 301
    assert done.stderr.decode().startswith("line 2: is not JSON")
    shell = f"{sys.executable} manage.py grade | head -n 1"
    cut = subprocess.run(
        ["sh", "-c", shell], cwd=settings.BASE_DIR, env=environ, input=lines, capture_output=True, check=True
    )
    assert json.loads(cut.stdout)["line"] == 1
    assert b"Traceback" not in cut.stderr


def test_lines_are_graded_by_the_thousand(rules, capsys):
    """Lines a second with every cell explained. The figure is printed; held is a tenth of it, for a busy machine."""
    line = json.dumps({"part": "air-upper", "symptom": "seal-torn", "facts": {"leak": "over limit"}})
    start = time.process_time()
    count = sum(1 for _ in graded_lines.graded([line] * 1000, rules))
    rate = count / (time.process_time() - start)
    with capsys.disabled():
        print(f"\n  {rate:.0f} lines a second of processor time")
    assert rate > 500
