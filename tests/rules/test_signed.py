"""The worked-out ruleset is the one that was signed; every number of it stands in a list somebody wrote by hand."""

import pytest

from inspections.rules.facts import Fault, Observation
from inspections.rules.grade import grade, settle
from inspections.rules.limits import Limits
from tests.rules import signing

# closing test, least, most, unit, second person: the typical accepts of `trade.md` §2.1 to 2.8
TESTS = [
    ("leak-uncoupled", None, "0.1", "bar", False),
    ("leak-coupled", None, "0.2", "bar", False),
    ("seal-proud", "5", "9", "mm", False),
    ("tube-stroke", None, "1", "mm", False),
    ("lock-play", None, "4", "mm", True),
    ("pin-height", None, "0.5", "mm", False),
    ("pin-stroke", "3", None, "mm", False),
    ("continuity", None, "50", "mΩ", False),
    ("continuity-power", None, "5", "mΩ", False),
    ("insulation", "10", None, "MΩ", False),
    ("head-stroke", "10", None, "mm", False),
    ("bond", None, "50", "mΩ", False),
    ("cover-free", None, "2", "s", False),
    ("cover-pull", None, "50", "N", False),
    ("pour", None, "30", "s", False),
    ("release-pull", None, "250", "N", False),
    ("lever-gap", "2", None, "mm", True),
    ("head-height", "1010", "1040", "mm", False),
    ("heights", None, "60", "mm", False),
    ("clearance", "100", None, "mm", False),
    ("centring", None, "25", "mm", False),
    ("gear-gap", None, "0", "mm", False),
    ("tube-length", None, "0", "mm", False),
    ("latch", None, "2", "mm", False),
    ("heater", None, "10", "%", False),
]

# category, hours, longest deferral in days, extensions, who may leave it
DELEGATION = [
    (0, None, 90, 1, ("controller",)),
    (1, 168, 7, 1, ("controller",)),
    (2, 24, 1, 1, ("controller", "engineer")),
    (3, 0, 0, 0, ()),
]

# the matrix of EN 50126-1:2017 as an example: Insignificant, Marginal, Critical, Catastrophic
MATRIX = [
    ("Frequent", "2 3 3 3"),
    ("Probable", "1 2 3 3"),
    ("Occasional", "1 2 2 3"),
    ("Rare", "0 1 2 2"),
    ("Improbable", "0 0 1 2"),
    ("Highly improbable", "0 0 0 1"),
]

# other numbers of the ruleset
NUMBERS = [("repeat-days", 28), ("repeat-couplings", 10), ("rough-coupling", 5), ("strands-least", 90)]
NUMBERS += [("heights-most", 75), ("curve-tight", 250), ("curve-sharp", 150), ("gradient-steep", 10)]

# limits joined, what they settle to
CONFLICTS = [
    ("stay coupled, not run coupled", "uncouple=not before depot couple=not", "move stand"),
    ("not before depot alone", "uncouple=not before depot couple=attended", "move normal"),
    ("attended and not coupled", "uncouple=attended couple=not", "move normal"),
    ("both pipes shut", "isolations=mrp-cock+bp-cock", "move stand, rescue no"),
    ("main reservoir shut", "isolations=mrp-cock", "move normal, rescue yes"),
    ("brake pipe shut", "isolations=bp-cock", "move normal, rescue yes"),
]

# hazard, its severity
SEVERITY = [
    ("parting", "Critical"),
    ("brake", "Catastrophic"),
    ("false-command", "Critical"),
    ("falls", "Critical"),
    ("live", "Critical"),
    ("crash", "Catastrophic"),
    ("held", "Marginal"),
    ("not-rescued", "Marginal"),
    ("in-service", "Critical"),
    ("mistake", "Marginal"),
    ("air-lost", "Insignificant"),
    ("damage", "Insignificant"),
    ("function-lost", "Insignificant"),
]

# symptom, how the end was when seen ("" = not said), the failure modes it may be
CANDIDATES = [
    ("seal-hiss", "U", "valve-passes hose-split release-leak"),
    ("seal-hiss", "C", "valve-passes hose-split release-leak"),
    ("seal-hiss", "R", "seal-torn seal-missing mouthpiece-stuck hose-split release-leak"),
    ("seal-hiss", "", "seal-torn seal-missing mouthpiece-stuck valve-passes hose-split release-leak"),
    ("hook-marks", "U", "lock-ready"),
    ("hook-marks", "C", "lock-not-home telltale-wrong"),
    ("hook-marks", "R", "lock-not-home telltale-wrong"),
    ("hook-marks", "", "lock-ready lock-not-home telltale-wrong"),
    ("hook-lamp", "U", "telltale-wrong"),
    ("hook-lamp", "R", "lock-not-home telltale-wrong"),
    ("hook-knock", "", "hook-worn draft-gear"),
    ("hook-slow", "", "lock-spring lock-seized release-stuck"),
    ("block-behind", "", "block-behind cover-shut"),
    ("block-odd", "", "pin-bent insulation-low carrier-cracked harness-bare"),
    ("cover-lip", "", "cover-seal drain-blocked"),
    ("release-parted", "", "lock-not-home release-unwanted"),
    ("release-bounce", "", "lock-spring release-stuck"),
    ("release-hiss", "", "hose-split release-leak"),
    ("shank-side", "", "off-centre swivel-seized"),
    ("shank-clunk", "", "draft-gear tube-triggered"),
    ("other-loose", "", "clamp-loose harness-bare cover-hanging bracket-broken hood-loose nose-door"),
    ("other-rough", "", "crack horn-bent clamp-loose tube-triggered"),
    ("release-moving", "", "inhibit-dead"),
]

MISSED = "lock-spring lock-seized funnel-object release-stuck height-mismatch off-centre swivel-seized hood-loose"
CANDIDATES.append(("other-missed", "", MISSED))

# part, then the worst category of "I can't tell" in U, C, R on a dry day: as it is, and with nothing loose
CANT_TELL = [
    ("air-upper", "2 3 3", "2 3 3"),
    ("hoses", "2 3 3", "2 3 3"),
    ("hook", "3 3 3", "2 3 3"),
    ("cone", "3 3 3", "2 3 3"),
    ("contacts", "2 3 3", "2 3 3"),
    ("cover", "3 3 3", "2 2 2"),
    ("handle", "2 3 3", "2 3 3"),
    ("shank", "3 3 3", "3 3 3"),
    ("hood", "3 3 3", "1 2 1"),
]


def test_the_worked_out_ruleset_is_the_signed_one(ruleset):
    assert signing.lines(ruleset) == signing.FILE.read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize("case", TESTS, ids=lambda c: c[0])
def test_a_closing_test_has_its_accept(ruleset, case):
    test = ruleset.tests[case[0]]
    said = tuple(None if v is None else f"{v.normalize():f}" for v in (test.low, test.high))
    assert (test.code, *said, test.unit, test.checker) == case


def test_every_value_test_is_in_the_list(ruleset):
    assert [t.code for t in ruleset.tests.values() if t.kind == "value"] == [case[0] for case in TESTS]


@pytest.mark.parametrize("case", DELEGATION, ids=lambda c: str(c[0]))
def test_who_may_leave_it_and_how_long(ruleset, case):
    d = ruleset.delegation[case[0]]
    assert (d.category, d.hours, d.longest_days, d.extensions, d.by) == case
    assert d.may_defer == (case[0] < 3)


@pytest.mark.parametrize(("frequency", "categories"), MATRIX)
def test_a_row_of_the_matrix(ruleset, frequency, categories):
    severities = ("Insignificant", "Marginal", "Critical", "Catastrophic")
    assert " ".join(str(ruleset.matrix[s, frequency]) for s in severities) == categories


@pytest.mark.parametrize(("code", "value"), NUMBERS)
def test_a_number_of_the_ruleset(ruleset, code, value):
    assert ruleset.limit_values[code].value == value


def test_every_number_says_that_it_is_not_approved(ruleset):
    for limit in ruleset.limit_values.values():
        assert limit.unit and limit.set_by and limit.document == "indicative, not approved", limit.code


@pytest.mark.parametrize(("hazard", "severity"), SEVERITY)
def test_the_one_severity_of_a_hazard(ruleset, hazard, severity):
    assert ruleset.hazards[hazard].severity == severity
    assert len(SEVERITY) == len(ruleset.hazards)


@pytest.mark.parametrize(("symptom", "seen_in", "modes"), CANDIDATES)
def test_what_a_symptom_may_be(ruleset, symptom, seen_in, modes):
    assert candidates(ruleset, symptom, seen_in) == modes


def candidates(ruleset, symptom: str, seen_in: str) -> str:
    """The modes a driver's report of this symptom is judged on."""
    look = Observation(ruleset.symptoms[symptom].parts[0], symptom, facts={"seen-in": seen_in} if seen_in else {})
    return " ".join(grade(ruleset, Fault("a", (look,))).modes)


@pytest.mark.parametrize(("what", "joined", "expected"), CONFLICTS, ids=[c[0] for c in CONFLICTS])
def test_a_conflict_rule_and_its_edges(ruleset, what, joined, expected):
    settled = settle(ruleset, limits_of(joined))
    for said in expected.split(", "):
        dial, value = said.split(" ", 1)
        assert getattr(settled, dial) == value


def limits_of(text: str) -> Limits:
    """ "uncouple=not before depot couple=not" → limits."""
    values, key = {}, ""
    for word in text.split():
        if "=" in word:
            key, word = word.split("=")
            values[key] = word
        else:
            values[key] += f" {word}"
    if "isolations" in values:
        values["isolations"] = frozenset(values["isolations"].split("+"))
    return Limits(**values)


@pytest.mark.parametrize(("part", "as_it_is", "nothing_loose"), CANT_TELL, ids=[c[0] for c in CANT_TELL])
def test_cannot_tell_is_the_worst_of_the_part(ruleset, part, as_it_is, nothing_loose):
    told = []
    for facts in ({}, {"may-fall": "no"}):
        answer = grade(ruleset, Fault("a", (Observation(part, facts=facts),)))
        told.append(" ".join(str(answer.cells[s, "dry"].category) for s in "UCR"))
    assert told == [as_it_is, nothing_loose]
