"""The phone says of two ends what Python says, for every case and many more, on one page of a real browser."""

import json
from pathlib import Path
from random import Random

import pytest

from inspections.rules import publish
from inspections.rules.coupling import can_couple, told
from inspections.rules.limits import DIALS, Limits
from inspections.rules.ruleset import load, shipped_text
from tests.rules.joining import end, place, sent, sent_place
from tests.rules.test_coupling import ASKED, CASES, REASONS

JS = Path(__file__).parents[2] / "static" / "js"
ASK = "(text) => JSON.stringify(JSON.parse(text).map(([one, other, place]) => Couple.answer(one, other, place)))"
LINES = [c[1:4] for c in CASES] + [a[1:4] for a in ASKED] + [r[:3] for r in REASONS]
MANY = 4000


def page_with(chromium, table):
    page = chromium.new_page()
    for name in ("rules.js", "couple.js"):
        page.add_script_tag(content=(JS / name).read_text(encoding="utf-8"))
    page.evaluate("(text) => { const t = JSON.parse(text); Rules.load(t); Couple.load(t); }", json.dumps(table))
    return page


@pytest.fixture(scope="module")
def phone(chromium, ruleset):
    page = page_with(chromium, publish.table(ruleset))
    yield page
    page.close()


def ask(phone, asked: list) -> list:
    """The phone's answers, a thousand questions at a time."""
    answers = []
    for start in range(0, len(asked), 1000):
        some = [[sent(one), sent(other), sent_place(where)] for one, other, where in asked[start : start + 1000]]
        answers += json.loads(phone.evaluate(ASK, json.dumps(some)))
    return answers


def agree(phone, ruleset, asked: list) -> list:
    """Each answer of the phone is Python's; returns them."""
    answers = ask(phone, asked)
    for question, answer in zip(asked, answers, strict=True):
        assert answer == json.loads(json.dumps(told(can_couple(ruleset, *question)))), question
    return answers


def test_every_case_is_told_alike_both_ways_round(phone, ruleset):
    asked = [(end(one), end(other, "305", "B"), place(where)) for one, other, where in LINES]
    assert len(asked) > 100
    answers = agree(phone, ruleset, asked)
    assert answers == ask(phone, [(other, one, where) for one, other, where in asked])
    assert {a["level"] for a in answers} == {"full", "air", "mechanical", "adapter", "no"}


def chosen(random: Random) -> tuple:
    """Two ends and a place, most of it sound, the rest anything; the same every time."""
    sound = random.random() < 0.8  # for each fact of a sound world, most likely nothing is wrong

    def pick(usual, *others):
        return usual if random.random() < (0.93 if sound else 0.5) else random.choice(others)

    def limits():
        if pick(True, False):
            return []
        dials = {dial: random.choice(words) for dial, words in DIALS.items()}
        isolations = random.sample(["electric-head", "mrp-cock", "bp-cock", "lamp", "contacts-or-hood"], 2)
        text = Limits(**dials, speed=random.choice([None, 25, 60]), isolations=frozenset(isolations))
        return [(key, value) for key, value in publish.named(text).items() if value not in (None, "normal", "yes")]

    def one(unit):
        said = [
            f"contacts={pick(72, 0, 40, '?')}",
            f"dead={pick('yes', 'no', 'unknown')}",
            f"pipes={pick('MRP_BP', 'BP', 'none', '?')}",
            f"category={pick(0, 1, 2, 3, '?')}",
            f"height={pick('1025', '985', '964.9', '1100.50', '1000', '?')}",
        ]
        for group in ("couple", "run", "rest"):
            values = limits()
            said += [f"{group}=?"] if pick(False, True) else []
            said += [f"{group}.{k}={'+'.join(v) if k == 'isolations' else v}" for k, v in values]
        said += [f"label={pick('17', '18+17', 'é')}"] if random.random() < 0.1 else []
        said += [f"from={random.choice(['finding_1', 'ž+a', '😀+￿', '￿+b+😀'])}"] if random.random() < 0.5 else []
        text = " ".join([pick("P", "Q", "H", "Z", "?"), *(s.replace(" ", "_") for s in said)])
        return end(text, unit, random.choice("AB"))

    where = f"curve={pick('0', '100', '150', '160', '250', '300', '?')}"
    where += f" gradient={pick('0', '10', '-10.1', '33', '?')} weather={pick('dry', 'wet', 'frost', '?', 'fog')}"
    return one("201"), one(pick("305", "201", "é", "")), place(where)


def test_many_more_are_told_alike(phone, ruleset):
    random = Random(5)
    asked = [chosen(random) for _ in range(MANY)]
    answers = agree(phone, ruleset, asked)
    levels = [(a["level"], a["once_checked"]) for a in answers]
    counts = {level: levels.count(level) for level in set(levels)}
    assert {("full", "full"), ("no", "full"), ("air", "air"), ("adapter", "adapter")} <= set(counts)
    assert counts["no", "no"] < 0.8 * MANY, counts


def test_an_older_table_says_nothing(phone, chromium):
    older = load(shipped_text().split("# ==== joining two ends")[0])
    asked = [(end("P"), end("P", "305", "B"), place())]
    page = page_with(chromium, publish.table(older))
    assert ask(page, asked) == [json.loads(json.dumps(told(can_couple(older, *asked[0]))))]
    page.evaluate("() => { const t = {}; Couple.load(t); }")
    assert ask(page, asked)[0]["words"] == ["This ruleset says nothing about coupling."]
    page.close()


# what the phone may hold that Python refuses: it counts as not known
ODD = [
    {"height": "tall"}, {"height": -1}, {"height": "1e3"}, {"height": ""}, {"height": None}, {"height": "١"},
]  # fmt: skip
ODD_PLACES = [{"curve": -5}, {"curve": "x"}, {"gradient": "steep"}, {"gradient": "--1"}, {"weather": 3}, {}]


def test_what_cannot_be_read_is_not_known(phone):
    good, where = sent(end("P")), sent_place(place())
    for odd in ODD:
        [answer] = json.loads(phone.evaluate(ASK, json.dumps([[good | odd, sent(end("P", "305", "B")), where]])))
        assert "heights.unknown" in [r["rule"] for r in answer["reasons"]], odd
        assert answer["level"] == "no"
    for odd in ODD_PLACES:
        asked = [[good, sent(end("P", "305", "B")), (where | odd) if odd else {}]]
        [answer] = json.loads(phone.evaluate(ASK, json.dumps(asked)))
        assert answer["level"] == "no" and answer["once_checked"] == "full", odd
    [answer] = json.loads(phone.evaluate(ASK, json.dumps([[{}, {}, {}]])))
    assert answer["level"] == answer["once_checked"] == "no"
    number = good | {"height": 1025.5}
    [answer] = json.loads(phone.evaluate(ASK, json.dumps([[number, sent(end("P", "305", "B")), where]])))
    assert answer["level"] == "full"
