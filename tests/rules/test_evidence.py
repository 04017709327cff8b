"""What a fault's observations leave possible: who outranks whom, what is never narrowed, what is not known."""

# ruff: noqa: E501 - one line a case
from decimal import Decimal

import pytest

from inspections.rules import publish
from inspections.rules.evidence import strangers
from inspections.rules.facts import Fault, Observation, Pattern
from tests.rules.saying import facts

NO_PATTERN = Pattern()
PIPES = Pattern("unknown", {"air-upper": "MRP", "air-lower": "BP"})


def look(quality="seen", said="", **more) -> Observation:
    return Observation(**{"part": "hook", "quality": quality, "facts": facts(said)} | more)


def words(ruleset, fact: str, *looks, pattern=NO_PATTERN) -> str:
    """The words of a fact that are still possible, in the fact's order."""
    told = publish.known(ruleset, Fault("a", looks), pattern)["facts"]
    unsaid = ruleset.facts[fact].unknown
    return " | ".join(told.get(fact, [unsaid] if unsaid else ruleset.facts[fact].words))


def modes(ruleset, *looks) -> str:
    return " ".join(publish.known(ruleset, Fault("a", looks))["modes"])


# what, fact, the looks (quality, what is said, kind), words still possible
FACTS = [
    ("nobody said", "may-fall", [("seen", "", "")], "yes | no"),
    ("the first look says", "may-fall", [("seen", "may-fall=no", "")], "no"),
    ("a second look of the same rank only widens", "may-fall", [("seen", "may-fall=no", ""), ("seen", "may-fall=yes", "")], "yes | no"),
    ("silence at first is not narrowed by a later look", "may-fall", [("seen", "", ""), ("seen", "may-fall=no", "")], "yes | no"),
    ("an examination narrows", "may-fall", [("seen", "", ""), ("examined", "may-fall=no", "")], "no"),
    ("a later examination takes the place of an earlier", "may-fall", [("examined", "may-fall=yes", ""), ("examined", "may-fall=no", "")], "no"),
    ("a measurement takes the place of an examination", "may-fall", [("examined", "may-fall=yes", ""), ("measured", "may-fall=no", "")], "no"),
    ("an examination does not undo a measurement", "may-fall", [("measured", "may-fall=yes", ""), ("examined", "may-fall=no", "")], "yes | no"),
    ("a driver after an examination widens", "may-fall", [("examined", "may-fall=no", ""), ("seen", "may-fall=yes", "")], "yes | no"),
    ("a silent driver after an examination changes nothing", "may-fall", [("examined", "may-fall=no", ""), ("seen", "", "")], "no"),
    ("worse makes it unsaid again", "may-fall", [("examined", "may-fall=no", ""), ("seen", "", "worse")], "yes | no"),
    ("worse that restates it keeps to that", "may-fall", [("examined", "may-fall=no", ""), ("seen", "may-fall=no", "worse")], "no"),
    ("worse makes an expected fact expected, not worse", "curve", [("seen", "curve=no", ""), ("seen", "", "worse")], "no"),
    ("worse takes back that it was secured", "secured", [("examined", "secured=yes", ""), ("seen", "", "worse")], "yes | no"),
    ("a driver who says what was measured leaves it", "may-fall", [("measured", "may-fall=no", ""), ("seen", "may-fall=no", "")], "no"),
    ("an examination that says what was measured leaves it", "may-fall", [("measured", "may-fall=no", ""), ("examined", "may-fall=no", "")], "no"),
    ("an examination after worse settles it again", "may-fall", [("examined", "may-fall=no", ""), ("seen", "", "worse"), ("examined", "may-fall=no", "")], "no"),
    ("what was not confirmed yields to an examination", "curve", [("not confirmed", "curve=yes", ""), ("examined", "curve=no", "")], "no"),
    ("an odd fact hides no other", "curve", [("seen", "mood=bad curve=yes", "")], "yes"),
    ("not confirmed narrows nothing", "may-fall", [("not confirmed", "may-fall=no", "")], "yes | no"),
    ("not confirmed still adds", "curve", [("not confirmed", "curve=yes", "")], "no | yes"),
    ("a quality nobody knows counts as not confirmed", "may-fall", [("hearsay", "may-fall=no", "")], "yes | no"),
    ("not there now is not listened to", "curve", [("seen", "", ""), ("seen", "curve=yes", "not there now")], "no"),
    ("raising says nothing of facts", "curve", [("seen", "", ""), ("seen", "curve=yes", "raised")], "no"),
    ("measured needs measured", "gap", [("examined", "gap=1", "")], "as new | near limit | no-go"),
    ("measured is believed", "gap", [("measured", "gap=1", "")], "as new"),
    ("a word that is none", "may-fall", [("examined", "may-fall=perhaps", "")], "yes | no"),
    ("a word that is none, where one is expected", "curve", [("seen", "curve=perhaps", "")], "no | yes"),
    ("secured by a driver's word", "secured", [("seen", "secured=yes", "")], "yes | no"),
    ("leak with its uncertainty across the limit", "leak", [("measured", "leak=0.9 leak-uncertainty=0.2", "")], "within limit | over limit"),
    ("leak with its uncertainty below", "leak", [("measured", "leak=0.8 leak-uncertainty=0.2", "")], "within limit"),
    ("leak with its uncertainty above", "leak", [("measured", "leak=1.3 leak-uncertainty=0.2", "")], "over limit"),
    ("leak, uncertainty larger than the leak", "leak", [("measured", "leak=0.1 leak-uncertainty=0.5", "")], "within limit"),
    ("leak in words", "leak", [("measured", "leak=within_limit", "")], "within limit"),
    ("height across two edges", "height-difference", [("measured", "height-difference=near_limit", "")], "near limit"),
]  # fmt: skip


@pytest.mark.parametrize(("what", "fact", "looks", "expected"), FACTS, ids=[f[0] for f in FACTS])
def test_what_stays_possible_of_a_fact(ruleset, what, fact, looks, expected):
    observations = [look(q, said, **({"kind": kind} if kind else {})) for q, said, kind in looks]
    assert words(ruleset, fact, *observations) == expected


NUMBERS = [
    (Decimal("1.5"), "as new"),
    (Decimal("1.51"), "near limit"),
    (1, "as new"),
    ("4", "near limit"),
    (Decimal(0), "as new"),
    (Decimal("-1"), "as new | near limit | no-go"),
    (Decimal("NaN"), "as new | near limit | no-go"),
    (Decimal("Infinity"), "as new | near limit | no-go"),
    (True, "as new | near limit | no-go"),
    (1.0, "as new | near limit | no-go"),
    ("1e0", "as new | near limit | no-go"),
    (None, "as new | near limit | no-go"),
    (["as new"], "as new | near limit | no-go"),
]


@pytest.mark.parametrize(("value", "expected"), NUMBERS, ids=[repr(n[0]) for n in NUMBERS])
def test_a_number_is_read_or_left_open(ruleset, value, expected):
    assert words(ruleset, "gap", Observation("hook", quality="measured", facts={"gap": value})) == expected


def test_the_pattern_says_which_pipe(ruleset):
    upper, lower = Observation("air-upper"), Observation("air-lower")
    assert words(ruleset, "pipe", upper, pattern=PIPES) == "MRP"
    assert words(ruleset, "pipe", lower, pattern=PIPES) == "BP"
    assert words(ruleset, "pipe", upper, lower, pattern=PIPES) == "MRP | BP"
    assert words(ruleset, "pipe", Observation("hoses"), pattern=PIPES) == "MRP | BP"
    said = Observation("air-upper", facts={"pipe": "BP"})
    assert words(ruleset, "pipe", said, pattern=PIPES) == "MRP | BP"
    assert words(ruleset, "pipe", said) == "BP"
    agreed = Observation("air-upper", facts={"pipe": "MRP"})
    assert words(ruleset, "pipe", agreed, pattern=PIPES) == "MRP"


def test_the_pattern_outranks_what_was_said_of_contacts(ruleset):
    said = Observation("contacts", quality="measured", facts={"contacts-dead": "yes"})
    assert words(ruleset, "contacts-dead", said) == "yes"
    assert words(ruleset, "contacts-dead", said, pattern=Pattern("no", {})) == "no"
    assert words(ruleset, "contacts-dead", Observation("contacts")) == "yes | no"


def test_a_mode_outranks_a_symptom_unless_not_confirmed(ruleset):
    both = {"part": "cover", "symptom": "cover-open", "mode": "cover-slow"}
    assert modes(ruleset, Observation(**both)) == "cover-slow"
    assert modes(ruleset, Observation(**both, quality="not confirmed")) == "cover-open cover-slow"


def test_modes_add_up_until_better_evidence(ruleset):
    open_, slow = Observation("cover", "cover-open"), Observation("cover", "cover-slow", kind="still there")
    assert modes(ruleset, open_, slow) == "cover-open cover-slow"
    examined = Observation("cover", mode="cover-missing", kind="examined", quality="examined")
    assert modes(ruleset, open_, slow, examined) == "cover-missing"
    assert modes(ruleset, open_, examined, slow) == "cover-slow cover-missing"
    assert modes(ruleset, examined, Observation("cover", mode="cover-missing", kind="still there")) == "cover-missing"
    measured = Observation("cover", mode="cover-missing", kind="measured", quality="measured")
    assert modes(ruleset, measured, examined) == "cover-missing"
    vague = Observation("cover", mode="cover-slow", quality="not confirmed")
    assert set(modes(ruleset, vague).split()) == set(ruleset.candidates("cover"))
    assert modes(ruleset, vague, examined) == "cover-missing"
    gone = Observation("cover", "cover-slow", kind="not there now")
    assert modes(ruleset, open_, gone) == "cover-open"


def test_a_later_look_that_names_nothing_adds_no_mode(ruleset):
    open_ = Observation("cover", "cover-open")
    assert modes(ruleset, open_, Observation("cover", kind="still there")) == "cover-open"
    assert modes(ruleset, open_, Observation("cover", kind="worse")) == "cover-open"
    again = modes(ruleset, open_, Observation("cover")).split()  # a first report of its own, merged: cannot tell
    assert set(again) == set(ruleset.candidates("cover"))
    cannot = modes(ruleset, open_, Observation("cover", "cover-other", kind="still there")).split()
    assert set(cannot) == set(ruleset.candidates("cover"))


def test_unknown_codes_widen_to_the_part_then_to_everything(ruleset):
    assert set(modes(ruleset, Observation("cover", "wobbles")).split()) == set(ruleset.candidates("cover"))
    everything = set(ruleset.modes)
    assert (
        set(modes(ruleset, Observation("wing", "wobbles")).split()) == everything == set(ruleset.candidates("other"))
    )
    assert set(modes(ruleset, Observation("", "cover-other")).split()) == set(ruleset.candidates("cover"))
    assert set(modes(ruleset).split()) == everything


def test_nothing_loose_takes_out_the_obvious_only_where_nobody_can_tell(ruleset):
    nothing = {"facts": {"may-fall": "no"}}
    told = modes(ruleset, Observation("cover", **nothing)).split()
    assert set(ruleset.candidates("cover")) - set(told) == {"cover-hanging"}
    assert modes(ruleset, Observation("cover", "cover-hanging", **nothing)) == "cover-hanging"
    assert "cover-hanging" in modes(ruleset, Observation("cover", **nothing, quality="not confirmed"))
    assert "cover-hanging" in modes(ruleset, Observation("cover", facts={"may-fall": "yes"}))


def test_raised_is_kept_until_an_examination(ruleset):
    def raised(*looks):
        return publish.known(ruleset, Fault("a", looks))["raised"]

    first, up = Observation("cover", "cover-slow"), Observation("cover", kind="raised", raised_to=2)
    examined = Observation("cover", mode="cover-slow", kind="examined", quality="examined")
    assert raised(first) == 0
    assert raised(first, up) == 2
    assert raised(first, up, Observation("cover", kind="raised", raised_to=1)) == 2
    assert raised(first, up, Observation("cover", kind="raised")) == 2
    assert raised(first, up, Observation("cover", "cover-slow", kind="still there")) == 2
    assert raised(first, up, examined) == 0
    assert raised(first, up, Observation("cover", "cover-slow", kind="worse", quality="examined")) == 0
    assert raised(first, examined, up) == 2
    assert raised(first, Observation("cover", kind="raised", raised_to=7)) == 3
    assert raised(Observation("cover", kind="raised", raised_to=2, quality="examined")) == 2
    assert raised(first, Observation("cover", "cover-slow", raised_to=3)) == 0


STRANGERS = [
    ("nothing strange", look(symptom="hook-marks", mode="hook-worn", said="gap=4 curve=yes"), ()),
    ("a part", look(part="wing"), ("part 'wing' is not in the ruleset",)),
    ("a symptom", look(symptom="wobbles"), ("symptom 'wobbles' is not in the ruleset",)),
    ("a mode", look(mode="gremlins"), ("mode 'gremlins' is not in the ruleset",)),
    ("a fact, and what follows is still read", look(said="mood=bad curve=bent"), ("fact 'mood' is not in the ruleset", "fact 'curve': 'bent' is not one of no, yes")),
    ("a number where a word belongs", look(said="curve=3"), ("fact 'curve': Decimal('3') is not one of no, yes",)),
    ("a word where a number belongs", look(said="leak-uncertainty=some"), ("fact 'leak-uncertainty': 'some' is not one of the numbers",)),
    ("a band's word for a number", look(said="gap=no-go"), ()),
]  # fmt: skip


@pytest.mark.parametrize(("what", "observation", "expected"), STRANGERS, ids=[s[0] for s in STRANGERS])
def test_strangers_are_named(ruleset, what, observation, expected):
    assert strangers(ruleset, Fault("a", (observation,))) == expected
