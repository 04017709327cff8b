"""What must hold for any reports at all: more bad news never makes it milder, and joining is joining."""

from hypothesis import given
from hypothesis import strategies as st

from inspections.rules.facts import QUALITIES, Fault, Observation, Pattern
from inspections.rules.grade import grade, settle
from inspections.rules.limits import DIALS, Limits, join, tighter_or_equal
from inspections.rules.ruleset import load, shipped_text

RULESET = load(shipped_text())
LATER = ("first report", "still there", "worse", "not there now", "raised", "corrected", "made safe")
WEAK = ("not confirmed", "seen")
WORDS = {code: fact.words or ("0.1",) for code, fact in RULESET.facts.items()}
NUMBERS = ("0", "0.5", "1", "3", "9", "60", "76", "99", "101")

codes = st.sampled_from(["", *RULESET.modes])
symptoms = st.sampled_from(["", "nonsense", *RULESET.symptoms])
parts = st.sampled_from(["", *RULESET.parts])
said = [(code, word) for code, words in WORDS.items() for word in words]
said += [(code, n) for code, fact in RULESET.facts.items() if fact.kind == "number" for n in NUMBERS]
facts = st.lists(st.sampled_from(said), max_size=4).map(dict)
patterns = st.builds(
    Pattern,
    contacts_dead=st.sampled_from(["yes", "no", "unknown"]),
    pipes=st.sampled_from([{}, {"air-upper": "MRP", "air-lower": "BP"}]),
)


def observations(kinds=("first report", "examined"), qualities=QUALITIES):
    return st.builds(
        Observation,
        part=parts,
        symptom=symptoms,
        mode=codes,
        kind=st.sampled_from(kinds),
        quality=st.sampled_from(qualities),
        facts=facts,
        raised_to=st.sampled_from([None, 0, 1, 2, 3]),
    )


faults = st.builds(Fault, st.just("a"), st.lists(observations(), min_size=1, max_size=3).map(tuple))
limits = st.builds(
    Limits,
    **{dial: st.sampled_from(words) for dial, words in DIALS.items()},
    speed=st.sampled_from([None, 17, 25, 60, 100]),
    isolations=st.frozensets(st.sampled_from([*RULESET.isolations, "something else"]), max_size=3),
)


def no_milder(before, after) -> bool:
    """Every cell of `after` is at least as serious, as tight and as soon as that of `before`."""
    for key, cell in before.cells.items():
        now = after.cells[key]
        assert now.category >= cell.category, (key, cell, now)
        assert tighter_or_equal(now.limits, cell.limits), (key, cell, now)
        assert cell.hours is None or (now.hours is not None and now.hours <= cell.hours), (key, cell, now)
    return True


@given(faults, st.lists(faults, max_size=2), faults, patterns)
def test_another_finding_at_the_end_never_makes_it_milder(fault, others, another, pattern):
    before = grade(RULESET, fault, others, pattern)
    assert no_milder(before, grade(RULESET, fault, [*others, another], pattern))


@given(faults, observations(LATER, WEAK), patterns)
def test_another_look_that_is_no_better_evidence_never_makes_it_milder(fault, look, pattern):
    before = grade(RULESET, fault, (), pattern)
    later = Fault("a", (*fault.observations, look))
    assert no_milder(before, grade(RULESET, later, (), pattern))


@given(observations(), patterns)
def test_worse_evidence_for_the_same_words_never_makes_it_milder(look, pattern):
    graded = []
    for quality in reversed(QUALITIES):
        same = Observation(look.part, look.symptom, look.mode, look.kind, quality, look.facts)
        graded.append(grade(RULESET, Fault("a", (same,)), (), pattern))
    assert all(no_milder(better, worse) for better, worse in zip(graded, graded[1:], strict=False))


@given(observations(), st.sampled_from(list(WORDS)), patterns)
def test_not_saying_a_fact_is_as_bad_as_any_of_its_words(look, code, pattern):
    expected = RULESET.facts[code].unknown or (code == "pipe" and pattern.pipes)  # silence then means something
    if expected or look.quality == "not confirmed":
        return
    rest = {c: v for c, v in look.facts.items() if c != code}
    silent = grade(RULESET, Fault("a", (_with(look, rest),)), (), pattern)
    for word in WORDS[code]:
        assert no_milder(grade(RULESET, Fault("a", (_with(look, rest | {code: word}),)), (), pattern), silent)


def _with(look: Observation, facts: dict) -> Observation:
    return Observation(look.part, look.symptom, look.mode, look.kind, look.quality, facts)


@given(faults, faults, faults, patterns)
def test_the_order_of_the_other_findings_does_not_matter(fault, one, two, pattern):
    assert grade(RULESET, fault, [one, two], pattern) == grade(RULESET, fault, [two, one], pattern)


@given(faults, st.integers(0, 3), patterns)
def test_raising_only_raises_and_reaches_what_it_says(fault, to, pattern):
    before = grade(RULESET, fault, (), pattern)
    raised = Fault("a", (*fault.observations, Observation("", kind="raised", raised_to=to)))
    after = grade(RULESET, raised, (), pattern)
    assert no_milder(before, after)
    assert all(cell.category >= to for cell in after.cells.values())


@given(limits, limits, limits)
def test_joining_is_associative_commutative_idempotent(a, b, c):
    assert join(a, join(b, c)) == join(join(a, b), c) == join(a, b, c)
    assert join(a, b) == join(b, a)
    assert join(a, a) == a == join(a, Limits())


@given(limits, limits, limits)
def test_settling_is_associative_commutative_idempotent_and_only_tightens(a, b, c):
    whole = settle(RULESET, a, b, c)
    assert whole == settle(RULESET, a, settle(RULESET, b, c)) == settle(RULESET, c, b, a)
    assert settle(RULESET, whole, whole) == whole
    assert tighter_or_equal(whole, join(a, b, c))


@given(limits, limits)
def test_a_further_restriction_or_expired_deferral_never_loosens(a, further):
    assert tighter_or_equal(settle(RULESET, a, further), settle(RULESET, a))


@given(limits, limits)
def test_tighter_or_equal_is_what_joining_says(a, b):
    assert tighter_or_equal(a, b) == (join(a, b) == a)


@given(faults, patterns)
def test_limits_of_a_cell_are_settled(fault, pattern):
    for cell in grade(RULESET, fault, (), pattern).cells.values():
        assert settle(RULESET, cell.limits) == cell.limits
