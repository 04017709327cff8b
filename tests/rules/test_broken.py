"""A broken ruleset is refused with the place named: dotted path, or line where the text is no TOML at all."""

# ruff: noqa: E501 - one line a case
import pytest

from inspections.rules.ruleset import RulesetError, load, shipped_text

TORN = '[modes.seal-torn]\ncomponent = "air-connection"'

# what is wrong, text in the shipped ruleset, text in its place, where the error must point, words it must hold
BROKEN = [
    ("no title", 'title = "Indicative', 'titel = "Indicative', "title", "missing"),
    ("a key nobody knows", 'version = "1"', 'version = "1"\ncolour = "red"', "colour", "not a key known here"),
    ("a number in words", "value = 28,", 'value = "many",', "limits.repeat-days.value", "a number"),
    ("a number below nothing", "value = 28,", "value = -28,", "limits.repeat-days.value", "0 or more"),
    ("a limit with no source", 'value = 28, unit = "d", document = "indicative, not approved"', 'value = 28, unit = "d"', "limits.repeat-days.document", "missing"),
    ("a limit set by nobody", 'unit = "couplings", document = "indicative, not approved", set_by = "shipped with the logbook"', 'unit = "couplings", document = "x", set_by = " "', "limits.repeat-couplings.set_by", "blank"),
    ("a limit the logbook needs is gone", "rough-coupling = {", "rough-couplings = {", "limits.rough-coupling", "missing"),
    ("an unknown severity", 'name = "Parting", severity = "Critical"', 'name = "Parting", severity = "Bad"', "hazards.parting.severity", "'Bad' is not one of"),
    ("a hazard with no severity", 'name = "Parting", severity = "Critical", ', 'name = "Parting", ', "hazards.parting.severity", "missing"),
    ("a short row of the matrix", '"Rare" = ["negligible", ', '"Rare" = [', "matrix.Rare", "4 categories"),
    ("an unknown category", '"Rare" = ["negligible"', '"Rare" = ["harmless"', "matrix.Rare", "'harmless' is not one of"),
    ("a matrix milder for worse", '"Frequent" = ["undesirable"', '"Frequent" = ["negligible"', "matrix.Frequent", "milder"),
    ("an unknown component", TORN, '[modes.seal-torn]\ncomponent = "wing"', "modes.seal-torn.component", "'wing' is not one of"),
    ("an unknown hazard in a row", 'hazard = "held", often = "Occasional", when = {leak', 'hazard = "fire", often = "Occasional", when = {leak', "modes.seal-torn.hazards.2.hazard", "'fire'"),
    ("an unknown frequency", 'hazard = "held", often = "Occasional", when = {leak', 'hazard = "held", often = "Sometimes", when = {leak', "modes.seal-torn.hazards.2.often", "'Sometimes'"),
    ("an unknown situation", '{in = ["R"], hazard = "held", often = "Occasional", when = {leak', '{in = ["X"], hazard = "held", often = "Occasional", when = {leak', "modes.seal-torn.hazards.2.in", "'X'"),
    ("an unknown weather", '{in = ["R"], weather = "frost", hazard = "air-lost"', '{in = ["R"], weather = "fog", hazard = "air-lost"', "modes.seal-hard.hazards.3.weather", "'fog'"),
    ("a condition on no fact", "when = {leak = \"over limit\"}, why = \"the torn lip", "when = {leek = \"over limit\"}, why = \"the torn lip", "modes.seal-torn.hazards.1.when.leek", "not a fact"),
    ("a condition on no word of the fact", "when = {leak = \"over limit\"}, why = \"the torn lip", "when = {leak = \"huge\"}, why = \"the torn lip", "modes.seal-torn.hazards.1.when.leak", "'huge'"),
    ("a condition on every word", "when = {leak = \"over limit\"}, why = \"the torn lip", "when = {leak = [\"over limit\", \"within limit\"]}, why = \"the torn lip", "modes.seal-torn.hazards.1.when.leak", "not all"),
    ("a reason too long to print", 'why = "the torn lip is the joint"', 'why = "a b c d e f g h i j k l m"', "modes.seal-torn.hazards.1.why", "13 words"),
    ("a dial turned too far", 'when = {leak = "over limit"}, couple = "not"}', 'when = {leak = "over limit"}, couple = "never"}', "modes.seal-torn.limits.1.couple", "'never'"),
    ("a limit row with no limit", 'when = {leak = "over limit"}, couple = "not"}', 'when = {leak = "over limit"}}', "modes.seal-torn.limits.1.limits", "names no dial"),
    ("an unknown isolation", 'isolations = ["mrp-cock"]},\n]\nsteps = [\n  {do = "Shut the cock, vent and prove the pipe empty.", caution = "air"},\n  {do = "Look at groove', 'isolations = ["tap"]},\n]\nsteps = [\n  {do = "Shut the cock, vent and prove the pipe empty.", caution = "air"},\n  {do = "Look at groove', "modes.seal-missing.limits.4.isolations", "'tap'"),
    ("a speed with no limit", 'speed = "speed-tied-door"}', 'speed = "speed-of-light"}', "modes.nose-door.limits.2.speed", "'speed-of-light'"),
    ("a speed in millimetres", 'speed = "speed-tied-door"}', 'speed = "play-most"}', "modes.nose-door.limits.2.speed", "km/h"),
    ("an unknown closing test", 'tests = ["look", "leak-coupled"]\ntools = ["Soap', 'tests = ["look", "prayer"]\ntools = ["Soap', "modes.seal-torn.tests", "'prayer'"),
    ("no closing test", 'tests = ["look", "leak-coupled"]\ntools = ["Soap', 'tests = []\ntools = ["Soap', "modes.seal-torn.tests", "at least one"),
    ("no step", 'steps = [\n  {do = "Compare the marks with the ready position in the document.", write = "Ready"},\n]', "steps = []", "modes.lock-ready.steps", "at least 1"),
    ("an unknown caution in a step", 'do = "Fit a new seal ring, no grease.", write = "Batch", caution = "rubber"', 'do = "Fit a new seal ring, no grease.", write = "Batch", caution = "magic"', "modes.seal-torn.steps.3.caution", "'magic'"),
    ("a mode with no rule of its own", 'no_fault = true\n', "", "modes.lock-ready.hazards", "at least one rule"),
    ("a mode no symptom leads to", 'modes = ["boot-split"]', 'modes = ["crack"]', "modes.boot-split", "not a candidate"),
    ("a symptom of no mode", 'words = "The rubber is missing", modes = ["seal-missing"]', 'words = "The rubber is missing", modes = ["ghost"]', "symptoms.seal-missing.modes", "'ghost'"),
    ("a symptom of no part", 'seal-missing = {parts = ["air-upper", "air-lower"]', 'seal-missing = {parts = ["wing"]', "symptoms.seal-missing.parts", "'wing'"),
    ("a symptom that may be nothing", 'words = "The rubber is missing", modes = ["seal-missing"]', 'words = "The rubber is missing"', "symptoms.seal-missing.modes", "at least one failure mode"),
    ("a part with no way to say I can't tell", 'cone-other = {parts = ["cone"], words = "Something else, or I can\'t tell", asks = ["may-fall"], cant_tell = true}', "", "parts.cone", "cant_tell"),
    ("a number of the drawing twice", "cone = {number = 2", "cone = {number = 1", "parts.cone.number", "used once"),
    ("edges of bands that do not rise", '{word = "as new", up_to = "play-new"}, {word = "near limit", up_to = "play-most"}', '{word = "as new", up_to = "play-most"}, {word = "near limit", up_to = "play-new"}', "facts.gap.bands.2.up_to", "rise"),
    ("a last band with an edge", '{word = "no-go"}]', '{word = "no-go", up_to = "play-most"}]', "facts.gap.bands.3.up_to", "the last has neither"),
    ("a closing test in another unit", 'kind = "value", unit = "bar", high = "drop-uncoupled"', 'kind = "value", unit = "mm", high = "drop-uncoupled"', "tests.leak-uncoupled.high", "in bar"),
    ("minutes of a test that is no pressure drop", 'high = "tube-even"}', 'high = "tube-even", minutes = 5}', "tests.tube-stroke.minutes", "a pressure drop"),
    ("a pressure drop in no time", 'high = "drop-uncoupled", minutes = 5', 'high = "drop-uncoupled", minutes = 0', "tests.leak-uncoupled.minutes", "more than 0"),
    ("a value test with no value", 'kind = "value", unit = "bar", high = "drop-uncoupled"', 'kind = "value", unit = "bar"', "tests.leak-uncoupled.kind", "a low or a high"),
    ("a combination that asks for facts", 'hazard = "not-rescued", often = "Probable", why = "the train cannot be split at all"', 'hazard = "not-rescued", often = "Probable", when = {curve = "yes"}, why = "the train cannot be split at all"', "combinations.no-release.when", "asks for no facts"),
    ("a conflict that does nothing", 'then = {move = "stand"}', "then = {}", "conflicts.stay-or-split.then.limits", "names no dial"),
    ("a sentence too long to read out", 'not = "Do not couple at this end."', f'not = "{"no " * 26}"', "words.couple.not", "26 words"),
    ("a code with a space", "[modes.seal-torn]", '[modes."seal torn"]', "modes.seal torn", "not a code"),
    ("a flag that is a word", "deferrable = true\nexpiry = [\"next-coupling\", \"first-frost\"]\nmates = true", "deferrable = \"yes\"\nexpiry = [\"next-coupling\", \"first-frost\"]\nmates = true", "modes.seal-torn.deferrable", "true or false"),
    ("the same test twice", 'tests = ["look", "leak-coupled"]\ntools = ["Soap', 'tests = ["look", "look"]\ntools = ["Soap', "modes.seal-torn.tests", "twice"),
    ("no modes at all", "[modes.", "[mode.", "modes", "missing"),
]  # fmt: skip

# no TOML at all: text, text in its place
SYNTAX = [
    ("a quote left open", 'version = "1"', 'version = "1'),
    ("a word without quotes", 'version = "1"', "version = one"),
    ("a key twice", 'version = "1"', 'version = "1"\nversion = "2"'),
    ("a table twice", "[modes.seal-missing]", "[modes.seal-torn]"),
]


@pytest.mark.parametrize(("what", "old", "new", "path", "words"), BROKEN, ids=[b[0] for b in BROKEN])
def test_refused_with_the_place_named(what, old, new, path, words):
    text = shipped_text()
    assert old in text
    with pytest.raises(RulesetError) as refused:
        load(text.replace(old, new))
    assert refused.value.path == path
    assert words in refused.value.message
    assert refused.value.line is None
    assert str(refused.value).startswith(f"{path}: ")


@pytest.mark.parametrize(("what", "old", "new"), SYNTAX, ids=[s[0] for s in SYNTAX])
def test_no_toml_is_refused_with_the_line(what, old, new):
    text = shipped_text()
    with pytest.raises(RulesetError) as refused:
        load(text.replace(old, new, 1))
    at = text[: text.index(old)].count("\n") + 1
    assert refused.value.line in (at, at + 1)
    assert str(refused.value).startswith(f"line {refused.value.line}: ")


def test_a_text_that_ends_too_soon_is_refused_with_its_last_line():
    with pytest.raises(RulesetError) as refused:
        load('title = "x"\nparts = [')
    assert refused.value.line == 2


def test_a_retired_code_is_graded_but_not_offered(ruleset):
    text = shipped_text().replace("[modes.cover-slow]", "[modes.cover-slow]\nretired = true")
    old = 'cover-slow = {parts = ["cover"], '
    retired = load(text.replace(old, old + "retired = true, "))
    assert "cover-slow" in retired.modes and "cover-slow" in retired.symptoms
    assert "cover-slow" not in retired.candidates("cover")
    assert "cover-slow" not in [s.code for s in retired.symptoms_of("cover")]
    assert "cover-slow" in ruleset.candidates("cover")
