"""The phone's look-up and join give what the rules give, for everything it can be asked, in a real browser."""

import json
from decimal import Decimal
from pathlib import Path

import brotli
import pytest

from inspections.rules import publish
from inspections.rules.facts import Fault, Observation, Pattern
from inspections.rules.grade import settle
from inspections.rules.limits import Limits
from tests.rules import worlds
from tests.rules.saying import fault, judged, seen

SCRIPT = Path(__file__).parents[2] / "static" / "js" / "rules.js"
SHORT = """(asked, pattern) => asked.map((faults) => {
  const told = Rules.verdict(faults, pattern);
  const short = (c) => [c.category, Object.values(c.limits)].flat(2).join(" ");
  const cells = (by) => Object.values(by).flatMap((weathers) => Object.values(weathers).map(short));
  return [...told.faults.map((f) => [f.modes, f.worst, cells(f.cells)]), cells(told.end)];
})"""
WHOLE = "(asked, pattern) => asked.map((faults) => Rules.verdict(faults, pattern))"
PATTERN = Pattern("no", {"air-upper": "MRP", "air-lower": "BP"})


@pytest.fixture(scope="module")
def phone(chromium, ruleset):
    """A blank page with the script and the published table, as JSON and back."""
    page = chromium.new_page()
    page.add_script_tag(content=SCRIPT.read_text(encoding="utf-8"))
    published = json.dumps(publish.table(ruleset))
    page.evaluate("(text) => Rules.load(JSON.parse(text))", published)
    yield page
    page.close()


def sent(observation: Observation) -> dict:
    """An observation as the phone holds it."""
    facts = {code: f"{v:f}" if isinstance(v, Decimal) else v for code, v in observation.facts.items()}
    return {
        "part": observation.part,
        "symptom": observation.symptom,
        "mode": observation.mode,
        "quality": observation.quality,
        "facts": facts,
    }


def short(told: dict) -> list:
    """The same digest of a verdict as SHORT makes."""

    def cells(by):
        return [line(cell) for weathers in by.values() for cell in weathers.values()]

    def line(cell):
        *dials, isolations = cell["limits"].values()
        said = [cell["category"], *dials, *isolations]
        return " ".join("" if value is None else str(value) for value in said)

    return [[f["modes"], f["worst"], cells(f["cells"])] for f in told["faults"]] + [cells(told["end"])]


def ask(phone, script: str, asked: list, pattern: Pattern) -> list:
    """The phone's answers, a thousand questions at a time."""
    said = {"contacts_dead": pattern.contacts_dead, "pipes": dict(pattern.pipes)}
    call = f"(text) => JSON.stringify(({script})(...JSON.parse(text)))"
    answers = []
    for start in range(0, len(asked), 1000):
        answers += json.loads(phone.evaluate(call, json.dumps([asked[start : start + 1000], said])))
    return answers


@pytest.mark.parametrize(("pattern", "every"), [(Pattern(), 1), (PATTERN, 5)], ids=["pattern not known", "known"])
def test_every_single_report_is_told_alike(phone, ruleset, pattern, every):
    """All of them where the pattern says nothing; one in five where it says pipe and contacts."""
    observations = (worlds.of_modes(ruleset) + worlds.of_symptoms(ruleset, most=200))[::every]
    answers = ask(phone, SHORT, [[sent(o)] for o in observations], pattern)
    for observation, answer in zip(observations, answers, strict=True):
        assert answer == short(publish.verdict(ruleset, [fault(observation)], pattern)), observation


def test_every_pair_of_modes_and_symptoms_is_told_alike(phone, ruleset):
    single = [Observation("", mode=code, quality="examined") for code in ruleset.modes]
    single += [Observation(s.parts[0], s.code) for s in ruleset.symptoms.values()]
    pairs = [[a, b] for i, a in enumerate(single) for b in single[i:]]
    answers = ask(phone, SHORT, [[sent(a), sent(b)] for a, b in pairs], PATTERN)
    for pair, answer in zip(pairs, answers, strict=True):
        told = publish.verdict(ruleset, [Fault(str(n), (o,)) for n, o in enumerate(pair)], PATTERN)
        assert answer == short(told), pair


def test_limits_are_said_in_the_same_sentences(phone, ruleset):
    observations = worlds.of_symptoms(ruleset)[::37] + worlds.of_modes(ruleset)[::3]
    answers = ask(phone, WHOLE, [[sent(o)] for o in observations], PATTERN)
    for observation, answer in zip(observations, answers, strict=True):
        assert answer == publish.verdict(ruleset, [fault(observation)], PATTERN), observation


NUMBERS = ["0", "0.9", "0.99999999999999999999", "1", "1.0", "1.5", "1.50000000000000000001", "4", "4.0001", "9.999"]
NUMBERS += ["10", "59.9", "60", "75", "75.01", "100", "99.999", "-1", "1e3", " 5", "١", "", "NaN", "wide"]


def test_numbers_fall_into_the_same_bands(phone, ruleset):
    asked = []
    for mode, fact in [("hook-worn", "gap"), ("insulation-low", "insulation"), ("droop", "clearance")]:
        asked += [Observation("", mode=mode, quality="measured", facts={fact: n}) for n in NUMBERS]
    asked += [Observation("", mode="droop", quality="measured", facts={"height-difference": n}) for n in NUMBERS]
    for leak in ("0.7", "0.8", "0.1", "1.1", "1.3", "x"):
        for spread in ("0.3", "0.2", "0.1", "0.4", "0.9", "", "x"):
            facts = {"leak": leak, "leak-uncertainty": spread}
            asked.append(Observation("", mode="seal-torn", quality="measured", facts=facts))
    answers = ask(phone, SHORT, [[sent(o)] for o in asked], PATTERN)
    for observation, answer in zip(asked, answers, strict=True):
        assert answer == short(publish.verdict(ruleset, [fault(observation)], PATTERN)), observation


def test_a_finding_folded_by_the_server_is_told_alike(phone, ruleset):
    folded = [
        fault(seen("seal-torn", part="air-upper"), judged("seal-torn", "leak=0.2 leak-uncertainty=0.1", "air-upper")),
        fault(seen("hook-marks", "seen-in=R", part="hook"), judged("telltale-wrong", "looked-at=yes")),
        fault(seen("cover-slow", part="cover"), Observation("cover", kind="raised", raised_to=2)),
        fault(seen("pins-dirty", "repeats=2", part="contacts"), seen("pin-bent", part="contacts")),
    ]
    known = [[{"known": publish.known(ruleset, f, PATTERN)} for f in folded]]
    answer = ask(phone, WHOLE, known, PATTERN)[0]
    assert answer == publish.verdict(ruleset, folded, PATTERN)


def test_limits_join_and_settle_alike(phone, ruleset):
    some = [
        Limits(),
        Limits(couple="not", rescue="no", speed=25),
        Limits(uncouple="not before depot", speed=60),
        Limits(isolations=frozenset({"mrp-cock"})),
        Limits(isolations=frozenset({"bp-cock", "electric-head"}), move="to depot"),
        Limits(couple="attended", passengers="no", move="stand"),
    ]
    for a in some:
        for b in some:
            named = [publish.named(x) for x in (a, b)]
            assert phone.evaluate("([a, b]) => Rules.join(a, b)", named) == publish.named(settle(ruleset, a, b))


def test_the_table_is_small_and_names_its_ruleset(ruleset):
    text = json.dumps(publish.table(ruleset), ensure_ascii=False, separators=(",", ":")).encode()
    assert publish.table(ruleset)["sha256"] == ruleset.sha256
    assert len(brotli.compress(text)) <= 7_000  # of the 60 kB in which a phone gets ready for no signal
    assert len(SCRIPT.read_bytes()) <= 18_000
