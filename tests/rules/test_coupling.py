"""Can these two couple? One line a case, as a fitter would ask it.

201 A and 305 B: at each a pattern, and what is so there beyond nothing open, heads at 1025 mm; a straight, level, dry
place unless said. Then how far they join ("no, then full": look first), who must agree, and what holds the level.
"""

# ruff: noqa: E501 - one line a case
import pytest

from inspections.rules import coupling
from inspections.rules.ruleset import load, shipped_text
from tests.rules.joining import asked, decisive, end, level, place

FITTER = "control, fitter"
ENGINEER = "control, duty engineer"
STANDS = "signaller, control, duty engineer"
HELP = "signaller, control"

CASES = [
    # --- patterns
    ("Two P ends, nothing open", "P", "P", "", "full", "", ""),
    ("Two Q ends, nothing open", "Q", "Q", "", "full", "", ""),
    ("P and Q: no electrical joint", "P", "Q", "", "air", "control", "pair.P Q"),
    ("Q and P: the same", "Q", "P", "", "air", "control", "pair.P Q"),
    ("A rescue locomotive to P", "H", "P", "", "adapter", HELP, "pair.H P"),
    ("A rescue locomotive to Q", "Q", "H", "", "adapter", HELP, "pair.H Q"),
    ("Two draw hooks: no row, so no", "H", "H", "", "no", "", "pair.unsaid"),
    ("A pattern the ruleset does not know", "P", "Z", "", "no", "", "pair.unsaid"),
    ("A pattern nobody knows", "?", "P", "", "no", "", "pattern.unknown"),
    ("Both patterns not known", "?", "?", "", "no", "", "pattern.unknown"),
    ("Two ends of one unit", "P", "P unit=201", "", "no", "", "same.unit"),
    ("Contacts not as many: electric heads do not join", "P contacts=60", "P", "", "air", "", "contacts.differ"),
    ("Contacts not known", "P contacts=?", "P", "", "air", "", "contacts.differ"),
    ("One pipe in common is enough", "P pipes=BP", "P", "", "full", "", ""),
    ("No pipe in common", "P pipes=BP", "P pipes=MRP", "", "mechanical", "", "pipes.none"),
    ("Pipes not known", "P pipes=?", "P", "", "mechanical", "", "pipes.none"),
    ("Draw hook without a pipe still needs the adapter", "H pipes=none", "P", "", "adapter", HELP, "pair.H P"),
    # --- what the ends may do
    ("Do not couple at one end", "P couple.couple=not", "P", "", "no", "", "couple.not"),
    ("Do not couple at the other end", "P", "P couple.couple=not", "", "no", "", "couple.not"),
    ("Do not couple, and an adapter would be needed", "H", "P couple.couple=not", "", "no", "", "couple.not"),
    ("A fitter must attend at one end", "P couple.couple=attended", "P", "", "full", FITTER, ""),
    ("A fitter must attend at both", "P couple.couple=attended", "P couple.couple=attended", "", "full", FITTER, ""),
    ("Attended, P to Q", "P", "Q couple.couple=attended", "", "air", FITTER, "pair.P Q"),
    ("Not to run coupled at this end", "P run.couple=not", "P", "", "no", "", "running.not"),
    ("To run coupled only as a fitter agrees", "P", "P run.couple=attended", "", "full", FITTER, ""),
    ("Coupled there it would stand", "P run.move=stand", "P", "", "no", "", "train.stand"),
    ("Coupled there to the depot only", "P run.move=to_depot", "P", "", "full", "", ""),
    ("To the end of the trip, about to couple", "P couple.move=to_end_of_trip", "P", "", "full", "", ""),
    ("One unit stands, for its far end", "P rest.move=stand", "P", "", "full", STANDS, ""),
    ("One unit stands, for this end", "P couple.move=stand", "P", "", "full", STANDS, ""),
    ("Both units stand", "P rest.move=stand", "P couple.move=stand", "", "no", "", "stand.both"),
    ("The standing unit is to be helped by a locomotive", "H", "P rest.move=stand", "", "adapter", STANDS, "pair.H P"),
    ("Once coupled it stays so until the depot", "P run.uncouple=not_before_depot", "P", "", "full", "control", ""),
    ("It must stay coupled and may not run coupled", "P run.uncouple=not_before_depot run.couple=not", "P", "", "no", "", "running.not"),
    ("Splitting needs a fitter", "P couple.uncouple=attended", "P", "", "full", "control", ""),
    ("Not to be relied on for rescue", "P", "P couple.rescue=no", "", "full", "control", ""),
    ("The far end does not couple: no matter here", "P rest.couple=not", "P", "", "full", "", ""),
    ("A speed cap is told with the train, not here", "P rest.speed=60", "P", "", "full", "", ""),
    ("No passengers in one unit", "P rest.passengers=no", "P", "", "full", "", ""),
    ("Limits not known at one end", "P couple=?", "P", "", "no", "", "end.unknown"),
    ("Limits once coupled not known", "P run=?", "P", "", "no", "", "end.unknown"),
    ("The rest of the unit not known", "P rest=?", "P", "", "no", "", "end.unknown"),
    ("Nothing known at both ends", "P couple=? run=? rest=? category=?", "P category=?", "", "no", "", "end.unknown"),
    # --- open faults
    ("A negligible fault at one end", "P category=0", "P", "", "full", "", ""),
    ("A tolerable fault: look at it again", "P category=1", "P", "", "full", "", ""),
    ("An undesirable fault", "P category=2", "P", "", "full", ENGINEER, ""),
    ("An undesirable and a tolerable one", "P category=2", "P category=1", "", "full", ENGINEER, ""),
    ("An intolerable fault", "P category=3", "P", "", "no", "", "category.intolerable"),
    ("Open faults not known", "P category=?", "P", "", "no", "", "end.unknown"),
    # --- labels and isolations
    ("A label hangs there", "P label=17", "P", "", "full", "control", ""),
    ("Two labels at one end, one at the other", "P label=17+18", "P label=4", "", "full", "control", ""),
    ("A label says do not couple", "P label=17 couple.couple=not", "P", "", "no", "", "couple.not"),
    ("Electric head isolated", "P run.isolations=electric-head", "P", "", "air", "", "isolation.electric-head"),
    ("Contacts isolated or hooded", "P couple.isolations=contacts-or-hood", "P", "", "air", "", "isolation.contacts-or-hood"),
    ("Main reservoir cock shut", "P", "P couple.isolations=mrp-cock", "", "mechanical", "control", "isolation.mrp-cock"),
    ("Brake pipe cock to be shut once coupled", "P", "P run.isolations=bp-cock", "", "mechanical", "control", "isolation.bp-cock"),
    ("Brake pipe cock shut: never coupled", "P couple.isolations=bp-cock couple.couple=not", "P", "", "no", "", "couple.not"),
    ("Both: the worse holds", "P run.isolations=electric-head+mrp-cock", "P", "", "mechanical", "control", "isolation.mrp-cock"),
    ("Remote release isolated: control plans the split", "P run.isolations=remote-release", "P", "", "full", "control", ""),
    ("An isolation no row names", "P run.isolations=lamp", "P", "", "full", "control", ""),
    ("Isolated at the far end: no matter here", "P rest.isolations=electric-head", "P", "", "full", "", ""),
    # --- heights, each side of each limit
    ("Heads 60 mm apart", "P height=1035", "P height=975", "", "full", "", ""),
    ("Heads just over 60 mm apart", "P height=1035.1", "P height=975", "", "full", FITTER, ""),
    ("Heads 75 mm apart", "P height=975", "P height=1050", "", "full", FITTER, ""),
    ("Heads just over 75 mm apart", "P height=975", "P height=1050.1", "", "no", "", "heights.over"),
    ("One head not measured", "P height=?", "P", "", "no, then full", "", "heights.unknown"),
    ("Neither head measured", "P height=?", "P height=?", "", "no, then full", "", "heights.unknown"),
    ("Heights not known, but do not couple", "P height=? couple.couple=not", "P", "", "no", "", "couple.not, heights.unknown"),
    ("Heights not known, P to Q", "P height=?", "Q", "", "no, then air", "control", "heights.unknown"),
    # --- the place
    ("A wide curve", "P", "P", "curve=251", "full", "", ""),
    ("A tight curve", "P", "P", "curve=250", "full", "", ""),
    ("Thornhope, 160 m", "P", "P", "curve=160", "full", "", ""),
    ("A sharp curve", "P", "P", "curve=150", "full", FITTER, ""),
    ("Nobody knows whether there is a curve", "P", "P", "curve=?", "no, then full", "", "curve.unknown"),
    ("10 per mille", "P", "P", "gradient=10", "full", "", ""),
    ("Over 10 per mille, falling", "P", "P", "gradient=-10.1", "full", "", ""),
    ("Gradient not known", "P", "P", "gradient=?", "no, then full", "", "gradient.unknown"),
    ("In rain", "P", "P", "weather=wet", "full", "", ""),
    ("In frost", "P", "P", "weather=frost", "full", "", ""),
    ("Weather not known", "P", "P", "weather=?", "no, then full", "", "weather.unknown"),
    ("A weather no ruleset knows is not known", "P", "P", "weather=fog", "no, then full", "", "weather.unknown"),
    ("Nothing known of the place", "Q", "P", "curve=? gradient=? weather=?", "no, then air", "control", "curve.unknown, gradient.unknown, weather.unknown"),
    ("Sharp curve, frost, steep, attended", "P couple.couple=attended", "P", "curve=140 gradient=20 weather=frost", "full", FITTER, ""),
    ("A fitter, the engineer and the signaller", "P couple.couple=attended rest.move=stand", "P category=2", "", "full", "signaller, control, duty engineer, fitter", ""),
]  # fmt: skip

# what is so, then a further check, condition or look that must be asked for ("not": must not), and of which list
ASKED = [
    ("Every time", "P", "P", "", "checks", "Lock marks, pull test, brake continuity from the far cab."),
    ("Attended", "P couple.couple=attended", "P", "", "checks", "Lock marks again after the pull test."),
    ("An open fault", "P category=1", "P", "", "checks", "Look again at the open faults."),
    ("A worse fault asks for what a milder one does", "P category=2", "P", "", "checks", "Look again at the open faults."),
    ("A label", "P label=17", "P", "", "checks", "Read every label."),
    ("A hood", "P couple.isolations=contacts-or-hood", "P", "", "checks", "Hood off."),
    ("Heads near the limit", "P height=1090", "P", "", "checks", "Measure again: springs up, level track."),
    ("Heights not known", "P height=?", "P", "", "first", "Compare both heads from clear. Have a step measured."),
    ("Tight curve", "P", "P", "curve=160", "checks", "Heads point at each other before they meet."),
    ("Tight curve: try elsewhere", "P", "P", "curve=160", "conditions", "Straighter track first, if any."),
    ("Sharp curve: try elsewhere too", "P", "P", "curve=100", "conditions", "Straighter track first, if any."),
    ("Sharp curve", "P", "P", "curve=100", "conditions", "One attempt."),
    ("A wide curve", "P", "P", "curve=251", "not checks", "Heads point at each other before they meet."),
    ("As tight as that", "P", "P", "curve=250", "checks", "Heads point at each other before they meet."),
    ("Not yet sharp", "P", "P", "curve=151", "not conditions", "One attempt."),
    ("As sharp as that", "P", "P", "curve=150", "conditions", "One attempt."),
    ("Curve not known", "P", "P", "curve=?", "first", "Look along the track."),
    ("As steep as that", "P", "P", "gradient=10", "not conditions", "Approach uphill. Both parts secured before a split."),
    ("Just steeper", "P", "P", "gradient=10.1", "conditions", "Approach uphill. Both parts secured before a split."),
    ("Steep", "P", "P", "gradient=-12", "conditions", "Approach uphill. Both parts secured before a split."),
    ("Gradient not known", "P", "P", "gradient=?", "first", "Find out the gradient."),
    ("Rain", "P", "P", "weather=wet", "checks", "No water on faces, behind covers."),
    ("Frost", "P", "P", "weather=frost", "checks", "No ice on faces, covers snap shut, heaters lit."),
    ("Frost: once more later", "P", "P", "weather=frost", "checks", "Look again at the first stop."),
    ("Frost is wet too", "P", "P", "weather=frost", "checks", "No water on faces, behind covers."),
    ("Weather not known", "P", "P", "weather=?", "first", "Look for ice and water."),
    ("P to Q", "P", "Q", "", "conditions", "Nothing beyond the joint is controlled through it."),
    ("By a locomotive", "H", "P", "", "conditions", "As the rule book says for assistance."),
    ("By a locomotive, to Q", "H", "Q", "", "conditions", "As the rule book says for assistance."),
    ("Dry", "P", "P", "", "not checks", "No water on faces, behind covers."),
    ("Wet", "P", "P", "weather=wet", "not checks", "No ice on faces, covers snap shut, heaters lit."),
    ("A unit that stands", "P rest.move=stand", "P", "", "conditions", "Not to move until control and the rule book allow it."),
]  # fmt: skip

# what is so, the rule that says so, about which end, in which words, from where
REASONS = [
    ("P couple.couple=not from=finding_2000-0013", "P", "", "couple.not", "201 A", "Do not couple at this end.", "finding 2000-0013"),
    ("P", "P run.couple=not from=restriction_of_duty_engineer", "", "running.not", "305 B", "Not to run coupled at this end.", "restriction of duty engineer"),
    ("P couple.couple=not from=b+a", "P", "", "couple.not", "201 A", "Do not couple at this end.", "a; b"),
    ("P couple.couple=attended", "P", "", "couple.attended", "201 A", "Couple only with a fitter present, with extra tests.", "limits of 201 A, as known"),
    ("P category=2 from=finding_2000-0013", "P", "", "category.undesirable", "201 A", "Fault open here: undesirable.", "finding 2000-0013"),
    ("P label=17", "P", "", "label.fitted", "201 A", "Label 17 hangs here.", "label 17"),
    ("P rest.move=stand from=far_end", "P", "", "stand.one", "201 A", "This unit stands.", "far end, rest"),
    ("P run.uncouple=not_before_depot", "P", "", "uncouple.not before depot", "201 A", "Leave it coupled until the depot.", "limits of 201 A, as known"),
    ("P run.isolations=lamp", "P", "", "isolation.unlisted", "201 A", "Isolate: lamp.", "limits of 201 A, as known"),
    ("P run.isolations=mrp-cock from=finding_1", "P", "", "isolation.mrp-cock", "201 A", "Main reservoir cock to be shut as a recorded, labelled isolation, with a continuity test both ways.", "finding 1"),
    ("P run.isolations=bp-cock rest.isolations=bp-cock from=a", "P", "", "isolation.bp-cock", "201 A", "Brake pipe cock shut: recorded, labelled, with a continuity test both ways before the next departure.", "a"),
    ("P couple=? category=?", "P", "", "end.unknown", "201 A", "Faults and limits not known here.", "not known: limits about to couple, open faults"),
    ("P", "Q", "", "pair.P Q", "", "P with Q: Joins mechanically and by air only.", "indicative, not approved; shipped with the logbook"),
    ("P", "H", "", "contacts.differ", "", "Contacts do not match.", "pattern H and P"),
    ("P", "P", "", "live.maybe", "305 B", "Contacts here may be live.", "pattern P"),
    ("P height=1110.5", "P", "", "heights.over", "", "Height difference, stop above 75 mm; here 85.5 mm.", "indicative, not approved; shipped with the logbook"),
    ("P", "P", "curve=160", "curve.tight", "", "Curve, tight up to 250 m; here 160 m.", "indicative, not approved; shipped with the logbook"),
    ("P", "P", "gradient=-12.50", "gradient.steep", "", "Gradient, steep above 10 ‰; here 12.5 ‰.", "indicative, not approved; shipped with the logbook"),
    ("P", "P", "weather=frost", "weather.frost", "", "Weather: frost or snow.", "indicative, not approved; shipped with the logbook"),
    ("P", "P", "curve=?", "curve.unknown", "", "Curve: not known.", "indicative, not approved; shipped with the logbook"),
    ("P", "P unit=201", "", "same.unit", "", "Both are ends of one unit.", "unit 201"),
]  # fmt: skip

JOINS = ("what", "one", "other", "where", "expected", "agree", "because")


@pytest.mark.parametrize(JOINS, CASES, ids=[c[0] for c in CASES])
def test_how_far_they_join(ruleset, what, one, other, where, expected, agree, because):
    answer = asked(ruleset, one, other, where)
    assert (level(answer), ", ".join(answer.agree), decisive(answer)) == (expected, agree, because)


@pytest.mark.parametrize(("what", "one", "other", "where", "kind", "words"), ASKED, ids=[a[0] for a in ASKED])
def test_what_is_asked_for(ruleset, what, one, other, where, kind, words):
    assert told(asked(ruleset, one, other, where), kind, words)


def told(answer, kind, words):
    """Whether the words stand in that list of the answer; "not checks": whether they do not."""
    wanted = not kind.startswith("not ")
    return (words in getattr(answer, kind.removeprefix("not "))) == wanted


def test_nothing_more_is_asked_for_than_every_time(ruleset):
    answer = asked(ruleset, "P", "P")
    assert answer.checks == (ASKED[0][5],)
    assert answer.conditions == answer.first == answer.agree == ()


@pytest.mark.parametrize("case", REASONS, ids=[r[3] for r in REASONS])
def test_a_reason_and_its_source(ruleset, case):
    one, other, where, rule, about, words, source = case
    found = [r for r in asked(ruleset, one, other, where).reasons if (r.rule, r.about) == (rule, about)]
    assert [(r.words, r.source) for r in found] == [(words, source)]


def test_the_headline_says_that_it_is_not_yet(ruleset):
    assert asked(ruleset, "P height=?", "Q").words == (
        "Not yet: look first.",
        "If all is well: Joins mechanically and by air only.",
    )
    assert asked(ruleset, "P", "P").words == ("Joins in full.",)
    assert asked(ruleset, "P height=? couple.couple=not", "P").words == ("Do not couple these two ends.",)


def test_who_decides_is_said_with_every_answer(ruleset):
    for _, one, other, where, *_ in CASES:
        cautions = asked(ruleset, one, other, where).cautions
        assert cautions[0].startswith("The operator's rule book, the signaller and control decide.")
        assert cautions[1].startswith("Do not go between")


def test_no_word_of_it_lets_a_unit_run(ruleset):
    said = [*ruleset.coupling.levels.values(), ruleset.coupling.first, ruleset.coupling.then]
    said += [w for rung in ruleset.coupling.rungs() for w in (rung.words, *rung.checks, *rung.conditions)]
    assert len(said) > 60
    for words in said:
        assert not [x for x in ("may run", "may couple", "safe", "cleared", "fit to", "allowed", "OK") if x in words]


def test_every_rung_is_told_by_some_case_and_has_words(ruleset):
    seen = {}
    for _, one, other, where, *_ in CASES:
        seen |= {r.rule: r for r in asked(ruleset, one, other, where).reasons}
    assert set(seen) == {rung.rule for rung in ruleset.coupling.rungs()} - {"always.always"}
    assert all(r.words.strip() and r.source.strip() and "{" not in r.words for r in seen.values())


def test_the_limits_of_the_two_once_joined(ruleset):
    answer = asked(ruleset, "P run.move=to_depot run.speed=60", "P rest.passengers=no rest.speed=40")
    assert (answer.train.move, answer.train.speed, answer.train.passengers) == ("to depot", 40, "no")
    shut = asked(ruleset, "P run.isolations=mrp-cock", "P run.isolations=bp-cock").train
    assert shut.move == "stand"  # the named conflict rule applies to the two together
    assert asked(ruleset, "P run=?", "P").train is None


def test_a_no_asks_for_nothing_and_nobody_can_agree_to_it(ruleset):
    for what, one, other, where, expected, *_ in CASES:
        answer = asked(ruleset, one, other, where)
        lists = answer.first + answer.checks + answer.conditions + answer.agree
        assert (not lists) == (expected == "no") == (answer.train is None), what
        assert answer.reasons and answer.cautions, what


def test_a_ruleset_without_the_section_says_so(ruleset):
    older = load(shipped_text().split("# ==== joining two ends")[0])
    answer = asked(older, "P", "P")
    assert (answer.level, answer.once_checked) == ("no", "no")
    assert answer.words == (coupling.SILENT,) == ("This ruleset says nothing about coupling.",)
    assert answer.reasons == answer.cautions == () and answer.train is None


BAD = [
    (lambda: end("P category=4"), "category: 4 is not 0 to 3"),
    (lambda: end("P height=-1"), "height: -1 is not a number of 0 or more"),
    (lambda: end("P height=NaN"), "height: NaN is not a number of 0 or more"),
    (lambda: place("curve=-5"), "curve: -5 is not a number of 0 or more"),
    (lambda: place("gradient=Infinity"), "gradient: Infinity is not a number of 0 or more"),
]


@pytest.mark.parametrize(("made", "words"), BAD, ids=[b[1] for b in BAD])
def test_a_number_that_is_none_is_refused_by_name(made, words):
    with pytest.raises(ValueError) as refused:
        made()
    assert str(refused.value) == words
