"""A broken coupling section is refused with the place named; a ruleset without one stays good."""

# ruff: noqa: E501 - one line a case
import pytest

from inspections.rules import publish
from inspections.rules.ruleset import RulesetError, load, shipped_text

R = "coupling.rules"

# what is wrong, text in the shipped ruleset, text in its place, where the error must point, words it must hold
BROKEN = [
    ("a key nobody knows", "[coupling.levels]", "colour = 1\n[coupling.levels]", "coupling.colour", "not a key known here"),
    ("written nowhere", '[coupling]\ndocument = "indicative, not approved"\n', "[coupling]\n", "coupling.document", "missing"),
    ("set by nobody", 'set_by = "shipped with the logbook"\npeople', 'set_by = " "\npeople', "coupling.set_by", "blank"),
    ("a level without words", 'full = "Joins in full."\n', "", "coupling.levels.full", "missing"),
    ("a level nobody knows", 'full = "Joins in full."\n', 'full = "x"\nhalf = "x"\n', "coupling.levels.half", "not a key known here"),
    ("no words while looking first", 'first = "Not yet: look first."\n', "", "coupling.first", "missing"),
    ("no room for the level", "If all is well: {level}", "If all is well.", "coupling.then", "must hold {level}"),
    ("too many words", "Not yet: look first.", "word " * 26, "coupling.first", "26 words; at most 25"),
    ("the same person twice", '"duty engineer", "fitter"]\nfirst', '"fitter", "fitter"]\nfirst', "coupling.people", "twice"),
    ("no pairs", "[coupling.pairs]", "[coupling.pears]", "coupling.pairs", "missing"),
    ("a pair of one", '"P P" = {', '"P" = {', "coupling.pairs.P", "two patterns"),
    ("a pair of three", '"P P" = {', '"P P P" = {', "coupling.pairs.P P P", "two patterns"),
    ("a pair twice, the other way round", '"P Q" = {', '"Q P" = {level = "air"}\n"P Q" = {', "coupling.pairs.P Q", "P and Q are a pair already"),
    ("a pair that joins nobody knows how", '"P P" = {level = "full"}', '"P P" = {}', "coupling.pairs.P P.level", "missing"),
    ("a pair with a level that is none", '"P P" = {level = "full"}', '"P P" = {level = "half"}', "coupling.pairs.P P.level", "'half' is not one of full, air"),
    ("a pair with words of its own", '"P P" = {level', '"P P" = {words = "x", level', "coupling.pairs.P P.words", "not a key known here"),
    ("a rule nobody knows", 'same.unit = {words = "Both', 'some.unit = {words = "x"}\nsame.unit = {words = "Both', f"{R}.some", "not a key known here"),
    ("a rule gone", 'same.unit = {words = "Both are ends of one unit."}\n', "", f"{R}.same", "missing"),
    ("a row nobody knows", "couple.not = {}", "couple.not = {}\ncouple.never = {}", f"{R}.couple.never", "not a key known here"),
    ("a row gone", "couple.not = {}\n", "", f"{R}.couple.not", "missing"),
    ("do not couple, made milder", "couple.not = {}", 'couple.not = {level = "air"}', f"{R}.couple.not.level", "'air' is not one of no"),
    ("not run coupled, made milder", "running.not = {}", 'running.not = {level = "adapter"}', f"{R}.running.not.level", "'adapter' is not one of no"),
    ("an intolerable fault, made milder", "intolerable = {}\n\n[coupling.rules.iso", 'intolerable = {level = "full"}\n\n[coupling.rules.iso', f"{R}.category.intolerable.level", "'full' is not one of no"),
    ("nothing known, made milder", 'end.unknown = {words', 'end.unknown = {level = "full", words', f"{R}.end.unknown.level", "'full' is not one of no"),
    ("both stand, made milder", 'stand.both = {words', 'stand.both = {level = "air", words', f"{R}.stand.both.level", "'air' is not one of no"),
    ("electric heads that do not match", 'contacts.differ = {words', 'contacts.differ = {level = "full", words', f"{R}.contacts.differ.level", "'full' is not one of air"),
    ("no pipe, and air all the same", 'pipes.none = {words', 'pipes.none = {level = "air", words', f"{R}.pipes.none.level", "'air' is not one of mechanical"),
    ("unknown heights, made milder", 'unknown = {checks = ["Compare', 'unknown = {level = "full", checks = ["Compare', f"{R}.heights.unknown.level", "'full' is not one of no"),
    ("unknown heights, nothing to look at", 'unknown = {checks = ["Compare both heads from clear. Have a step measured."]}', "unknown = {}", f"{R}.heights.unknown.checks", "what to look at first"),
    ("unknown heights gone", 'unknown = {checks = ["Compare both heads from clear. Have a step measured."]}\n', "", f"{R}.heights.unknown", "missing"),
    ("a reason without words", 'label.fitted = {words = "Label {value} hangs here.", ', "label.fitted = {", f"{R}.label.fitted.words", "missing"),
    ("words where the dial has them", "running.not = {}", 'running.not = {words = "x"}', f"{R}.running.not.words", "not a key known here"),
    ("a person nobody knows", 'label.fitted = {words = "Label {value} hangs here.", checks = ["Read every label."], agree = ["control"]', 'label.fitted = {words = "x", agree = ["guard"]', f"{R}.label.fitted.agree", "'guard' is not one of signaller"),
    ("a caution nobody knows", 'cautions = ["rule-book", "between"]}', 'cautions = ["rulebook"]}', f"{R}.always.always.cautions", "'rulebook' is not one of"),
    ("who decides is not said", ', cautions = ["rule-book", "between"]}', "}", f"{R}.always.always.cautions", "at least one"),
    ("a check with nothing in it", 'checks = ["Read every label."]', 'checks = [" "]', f"{R}.label.fitted.checks", "1 to 25 words"),
    ("a check that is too long", 'checks = ["Read every label."]', f'checks = ["{"word " * 26}"]', f"{R}.label.fitted.checks", "1 to 25 words"),
    ("a condition that is no text", 'conditions = ["One attempt."]', "conditions = [1]", f"{R}.curve.sharp.conditions", "texts only"),
    ("a range of no limit", 'near = {above = "heights-near"', 'near = {above = "heights-far"', f"{R}.heights.near.above", "'heights-far' is not one of"),
    ("a range in another unit", 'near = {above = "heights-near"', 'near = {above = "curve-tight"', f"{R}.heights.near.above", "'curve-tight' is in m, not in mm"),
    ("a range from the wrong side", 'near = {above = "heights-near"', 'near = {up_to = "heights-near"', f"{R}.heights.near.above", "missing"),
    ("ranges in the wrong order", 'near = {above = "heights-near"', 'near = {above = "clearance-least"', f"{R}.heights.over", "mildest first"),
    ("an isolation nobody knows", 'electric-head = {level = "air"}', 'electric-heads = {level = "air"}', f"{R}.isolation.electric-heads", "not a key known here"),
    ("no row for other isolations", 'unlisted = {agree = ["control"]}\n', "", f"{R}.isolation.unlisted", "missing"),
    ("a weather nobody knows", 'wet = {checks', 'fog = {checks', f"{R}.weather.fog", "not a key known here"),
    ("a row that is no table", "couple.not = {}", 'couple.not = "no"', f"{R}.couple.not", "must be a table"),
]  # fmt: skip


@pytest.mark.parametrize(("what", "old", "new", "path", "words"), BROKEN, ids=[b[0] for b in BROKEN])
def test_refused_with_the_place_named(what, old, new, path, words):
    text = shipped_text()
    assert text.count(old) == 1
    with pytest.raises(RulesetError) as refused:
        load(text.replace(old, new))
    assert refused.value.path == path
    assert words in refused.value.message
    assert str(refused.value).startswith(f"{path}: ")


def test_curves_are_written_widest_first():
    text = shipped_text().replace('"curve-tight"', '"curve-x"').replace('"curve-sharp"', '"curve-tight"')
    with pytest.raises(RulesetError) as refused:
        load(text.replace('"curve-x"', '"curve-sharp"'))
    assert refused.value.path == f"{R}.curve.sharp"
    assert "mildest first" in refused.value.message


def test_ranges_and_weathers_may_be_left_out_but_not_what_is_not_known(ruleset):
    start, rest = shipped_text().split("[coupling.rules.gradient]\n")
    steep, rest = rest.split("\n", 1)
    assert steep.startswith("steep = ")
    without = load(f"{start}[coupling.rules.gradient]\n{rest}")
    assert [rung.code for rung in without.coupling.ladders["gradient"]] == ["unknown"]
    assert [rung.code for rung in ruleset.coupling.ladders["gradient"]] == ["steep", "unknown"]


def test_an_older_ruleset_without_the_section_is_good_and_published_so():
    older = load(shipped_text().split("# ==== joining two ends")[0])
    assert older.coupling is None
    assert publish.table(older)["coupling"] is None


def test_what_is_published_is_the_section(ruleset):
    table = publish.table(ruleset)["coupling"]
    assert list(table["rungs"]) == [rung.rule for rung in ruleset.coupling.rungs()]
    assert list(table["levels"]) == ["full", "air", "mechanical", "adapter", "no"]
    assert set(table["cautions"]) == {"rule-book", "between"}
    assert table["rungs"]["couple.not"] == [4]
    assert table["rungs"]["heights.over"][6] == "75"
    assert table["rungs"]["label.fitted"] == [
        0,
        "Label {value} hangs here.",
        ("Read every label.",),
        (),
        ("control",),
    ]
