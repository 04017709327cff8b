"""What must hold for any two ends: the order does not matter, and worse news or less knowledge never loosens."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from hypothesis import assume, given
from hypothesis import strategies as st

from inspections.rules.coupling import LEVELS, STRAIGHT, Answer, End, Source, Where, can_couple
from inspections.rules.limits import DIALS, Limits, join, tighter_or_equal
from inspections.rules.ruleset import load, shipped_text

RULESET = load(shipped_text())
SILENT = load(shipped_text().split("# ==== joining two ends")[0])
UNKNOWN = {"pattern": "", "contacts": None, "contacts_dead": "unknown", "pipes": None, "about": None}
UNKNOWN |= {"running": None, "others": None, "category": None, "height": None}

limits = st.builds(
    Limits,
    **{dial: st.sampled_from([words[0], *words]) for dial, words in DIALS.items()},
    speed=st.sampled_from([None, 25, 60]),
    isolations=st.frozensets(st.sampled_from([*RULESET.isolations, "lamp"]), max_size=2),
)
calm = st.just(Limits())
numbers = st.sampled_from(["0", "0.1", "59.9", "60", "60.1", "75", "75.1", "200"]).map(Decimal)
heights = st.none() | numbers.map(lambda n: 950 + n)
sources = st.builds(
    Source,
    st.sampled_from(["finding 1", "finding 2", "restriction"]),
    limits,
    st.sampled_from(["C", "R", ""]),
    st.integers(0, 3),
)
ends = st.builds(
    End,
    unit=st.sampled_from(["", "201", "305", "401"]),
    letter=st.sampled_from(["", "A", "B"]),
    pattern=st.sampled_from(["", "P", "P", "Q", "H", "Z"]),
    contacts=st.sampled_from([None, 0, 72, 72, 40]),
    contacts_dead=st.sampled_from(["yes", "no", "unknown"]),
    pipes=st.none() | st.frozensets(st.sampled_from(["MRP", "BP"])),
    about=st.none() | calm | limits,
    running=st.none() | calm | limits,
    others=st.none() | calm | limits,
    category=st.sampled_from([None, 0, 0, 1, 2, 3]),
    labels=st.lists(st.sampled_from(["17", "18", "ü"]), max_size=2, unique=True).map(tuple),
    height=heights,
    sources=st.lists(sources, max_size=3).map(tuple),
)
# Two ends of which little is wrong: without these nearly every answer is "no", which is easy to keep monotone.
sound = st.builds(
    End,
    unit=st.sampled_from(["201", "305", "401"]),
    letter=st.just("A"),
    pattern=st.sampled_from(["P", "P", "Q"]),
    contacts=st.just(72),
    contacts_dead=st.sampled_from(["yes", "no"]),
    pipes=st.just(frozenset({"MRP", "BP"})),
    about=st.sampled_from([Limits(), Limits(couple="attended"), Limits(rescue="no")]),
    running=st.sampled_from([Limits(), Limits(uncouple="attended"), Limits(move="to depot", speed=60)]),
    others=st.sampled_from([Limits(), Limits(move="stand")]),
    category=st.integers(0, 2),
    labels=st.sampled_from([(), ("17",)]),
    height=st.just(Decimal(1000)) | st.just(Decimal(1065)) | st.none(),
)
pairs = st.tuples(ends, ends) | st.tuples(sound, sound).filter(lambda p: p[0].unit != p[1].unit)
curves = st.sampled_from([None, STRAIGHT, 1, 149, 150, 151, 250, 251, 4000])
gradients = st.sampled_from([None, *map(Decimal, ("0", "9.9", "10", "10.1", "-10", "-10.1", "33"))])
places = st.builds(Where, curve=curves, gradient=gradients, weather=st.sampled_from(["", "fog", *RULESET.weathers]))


def no_looser(before: Answer, after: Answer) -> bool:
    """`after` joins no further than `before`, now and once checked, and asks for no less; a "no" is the tightest."""
    assert LEVELS.index(after.level) >= LEVELS.index(before.level), (before, after)
    assert LEVELS.index(after.once_checked) >= LEVELS.index(before.once_checked), (before, after)
    if after.once_checked != "no":
        for kind in ("first", "checks", "conditions", "cautions", "agree"):
            assert set(getattr(after, kind)) >= set(getattr(before, kind)), (kind, before, after)
        assert tighter_or_equal(after.train, before.train), (before, after)
    return True


def less_known(before: Answer, after: Answer) -> bool:
    """`after` knows less than `before`: it joins no further now; what it no longer asks for waits for a look."""
    assert LEVELS.index(after.level) >= LEVELS.index(before.level), (before, after)
    if after.level != "no":
        return no_looser(before, after)
    assert after.once_checked == "no" or set(after.first) >= set(before.first), (before, after)
    return True


@given(pairs, places)
def test_the_order_of_the_ends_does_not_matter(pair, place):
    one, other = pair
    assert can_couple(RULESET, one, other, place) == can_couple(RULESET, other, one, place)


@given(pairs, places)
def test_the_answer_is_whole(pair, place):
    answer = can_couple(RULESET, *pair, place)
    assert answer.reasons and answer.cautions and all(answer.words)
    held = [r.level for r in answer.reasons]
    assert max(held, key=LEVELS.index) == answer.level
    assert (answer.level != answer.once_checked) == bool(answer.first and answer.once_checked != "no")
    assert LEVELS.index(answer.once_checked) <= LEVELS.index(answer.level)
    for r in answer.reasons:
        assert r.words.strip() and r.source.strip() and "{" not in r.words + r.source
    assert len(set(answer.reasons)) == len(answer.reasons)


@given(pairs, places, limits, st.sampled_from(["about", "running", "others"]))
def test_tightening_a_limit_never_loosens(pair, place, further, which):
    one, other = pair
    before = getattr(one, which)
    assume(before is not None)
    tightened = replace(one, **{which: join(before, further)})
    assert no_looser(can_couple(RULESET, one, other, place), can_couple(RULESET, tightened, other, place))


@given(pairs, places, st.integers(0, 3))
def test_a_worse_fault_never_loosens(pair, place, category):
    one, other = pair
    assume(one.category is not None)
    worse = replace(one, category=max(category, one.category))
    assert no_looser(can_couple(RULESET, one, other, place), can_couple(RULESET, worse, other, place))


@given(pairs, places)
def test_a_further_label_never_loosens(pair, place):
    one, other = pair
    labelled = replace(one, labels=(*one.labels, "99"))
    assert no_looser(can_couple(RULESET, one, other, place), can_couple(RULESET, labelled, other, place))


@given(pairs, places, st.sampled_from(RULESET.weathers), st.sampled_from(RULESET.weathers))
def test_worse_weather_never_loosens(pair, place, one, other):
    mild, bad = sorted((one, other), key=RULESET.weathers.index)
    before, after = (can_couple(RULESET, *pair, replace(place, weather=w)) for w in (mild, bad))
    assert no_looser(before, after)


@given(pairs, places, curves, curves)
def test_a_tighter_curve_never_loosens(pair, place, one, other):
    assume(one is not None and other is not None)
    wide, tight = sorted((one, other), key=lambda r: -r if r else -1_000_000)
    before, after = (can_couple(RULESET, *pair, replace(place, curve=r)) for r in (wide, tight))
    assert no_looser(before, after)


@given(pairs, places, gradients, gradients)
def test_a_steeper_track_never_loosens(pair, place, one, other):
    assume(one is not None and other is not None)
    flat, steep = sorted((one, other), key=abs)
    before, after = (can_couple(RULESET, *pair, replace(place, gradient=g)) for g in (flat, steep))
    assert no_looser(before, after)


@given(pairs, places, numbers, numbers, st.booleans())
def test_a_larger_difference_in_height_never_loosens(pair, place, a, b, up):
    one, other = pair
    small, large = sorted((a, b))
    sides = [(Decimal(900), 900 + d) if up else (900 + d, Decimal(900)) for d in (small, large)]
    before, after = (can_couple(RULESET, replace(one, height=x), replace(other, height=y), place) for x, y in sides)
    assert no_looser(before, after)


@given(pairs, places, st.sampled_from(sorted(UNKNOWN)))
def test_knowing_less_of_an_end_never_loosens(pair, place, which):
    one, other = pair
    unknown = replace(one, **{which: UNKNOWN[which]})
    assert less_known(can_couple(RULESET, one, other, place), can_couple(RULESET, unknown, other, place))


@given(pairs, places, st.sampled_from(["curve", "gradient", "weather"]))
def test_knowing_less_of_the_place_never_loosens(pair, place, which):
    unknown = replace(place, **{which: "" if which == "weather" else None})
    assert less_known(can_couple(RULESET, *pair, place), can_couple(RULESET, *pair, unknown))


@given(pairs, places, st.sampled_from(["MRP", "BP"]), st.sampled_from([0, 40]))
def test_a_pipe_or_contacts_less_never_loosen(pair, place, pipe, contacts):
    one, other = pair
    before = can_couple(RULESET, one, other, place)
    if one.pipes:
        assert no_looser(before, can_couple(RULESET, replace(one, pipes=one.pipes - {pipe}), other, place))
    if one.contacts == other.contacts:
        fewer = can_couple(RULESET, replace(one, contacts=contacts), other, place)
        assert LEVELS.index(fewer.level) >= LEVELS.index("air" if contacts != other.contacts else before.level)


@given(pairs, places)
def test_without_the_section_the_answer_is_no(pair, place):
    assert can_couple(SILENT, *pair, place).level == "no"


def test_the_sound_ends_reach_every_level_but_adapter():
    """The strategies must not be so unlucky that every law is about a "no"."""
    reached = {}

    @given(pairs, places)
    def count(pair, place):
        answer = can_couple(RULESET, *pair, place)
        reached[answer.level, answer.once_checked] = reached.get((answer.level, answer.once_checked), 0) + 1

    count()
    assert {("full", "full"), ("air", "air"), ("no", "no"), ("no", "full"), ("no", "air")} <= set(reached)
    assert reached["no", "no"] < 0.8 * sum(reached.values()), reached
