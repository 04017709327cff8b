"""How rules meet inside one finding: which row is named, where what was raised stands, what conflicts add."""

from inspections.rules.explain import explain, limit_words
from inspections.rules.facts import Observation
from inspections.rules.grade import grade, settle
from inspections.rules.limits import Limits
from inspections.rules.ruleset import load, shipped_text
from tests.rules.saying import fault, faults, judged

CHAIN = """
[conflicts.empty-first]
words = "No passengers, so it is no rescue end."
when = {passengers = "no"}
then = {rescue = "no"}

[conflicts.stand-empty]
words = "It stands, so nobody stays on board."
when = {move = "stand"}
then = {passengers = "no"}

"""


def chained():
    """The shipped ruleset with two more conflict rules, the later feeding the earlier."""
    mark = "[conflicts.stay-or-split]"
    return load(shipped_text().replace(mark, CHAIN + mark))


def test_within_a_hazard_the_worst_frequency_is_the_only_hit(ruleset):
    cell = grade(ruleset, fault(judged("telltale-wrong"))).cells["R", "dry"]
    assert [(h.hazard, h.frequency, h.rule) for h in cell.hits] == [("parting", "Probable", "telltale-wrong-H3")]


def test_of_two_as_frequent_the_first_in_the_ruleset_is_named(ruleset):
    answer = grade(ruleset, fault(Observation("hook", "hook-lamp", facts={"seen-in": "R"})))
    assert [h.mode for h in answer.cells["R", "dry"].hits] == ["lock-not-home"]


def test_hits_stand_worst_first_and_name_every_hazard(ruleset):
    cell = grade(ruleset, fault(judged("seal-torn"))).cells["R", "dry"]
    assert [(h.hazard, h.category) for h in cell.hits] == [("held", 2), ("air-lost", 2)]
    cell = grade(ruleset, fault(judged("air-wet"))).cells["R", "frost"]
    assert [(h.hazard, h.category) for h in cell.hits] == [("brake", 2), ("air-lost", 1)]


def test_severities_are_not_joined_across_hazards(ruleset):
    """A catastrophic but improbable hazard beside a frequent insignificant one stays undesirable."""
    cell = grade(ruleset, fault(judged("draft-gear", "rough=yes"))).cells["C", "dry"]
    assert {(h.hazard, h.frequency) for h in cell.hits} == {("damage", "Frequent"), ("crash", "Improbable")}
    assert cell.category == 2


def test_what_was_raised_stands_first_and_is_explained(ruleset):
    raised = Observation("cover", kind="raised", raised_to=2)
    answer = grade(ruleset, fault(Observation("cover", "cover-slow"), raised))
    cell = answer.cells["U", "wet"]
    assert (cell.category, cell.hours) == (2, 24)
    assert [h.hazard for h in cell.hits] == ["raised", "function-lost"]
    assert cell.rules[0] == "raised"
    both = grade(ruleset, fault(judged("seal-torn"), Observation("cover", kind="raised", raised_to=3)))
    assert [h.hazard for h in both.cells["R", "dry"].hits] == ["raised", "held", "air-lost"]
    assert "Raised by control." in explain(ruleset, answer, "U", "wet")


def test_raising_to_what_it_is_already_adds_nothing(ruleset):
    raised = Observation("cover", kind="raised", raised_to=3)
    cell = grade(ruleset, fault(Observation("cover", "cover-hanging"), raised)).cells["U", "dry"]
    assert [h.hazard for h in cell.hits] == ["falls"]


def test_a_rows_own_hours_shorten_the_time_never_lengthen_it(ruleset):
    def hours(mode, cell):
        return grade(ruleset, fault(judged(mode))).cells[cell].hours

    assert hours("cover-seal", ("U", "dry")) == 168  # negligible, yet not to wait for the exam
    assert hours("cover-seal", ("C", "frost")) == 24  # tolerable, yet frost
    assert hours("seal-hard", ("R", "frost")) == 24
    assert hours("cover-hanging", ("U", "dry")) == 0
    assert hours("seal-torn", ("U", "dry")) is None


def test_a_conflict_inside_one_finding_is_settled_and_named(ruleset):
    anything = grade(ruleset, fault(Observation("other"))).cells["R", "dry"]
    assert "stay-or-split" in anything.rules
    assert "It must stay coupled and must not run coupled: stand, ask the engineer." in limit_words(
        ruleset, anything.limits, "R"
    )
    bare = grade(ruleset, fault(judged("harness-bare"))).cells["R", "dry"]
    assert "stay-or-split" not in bare.rules


def test_one_conflict_may_lead_to_another():
    ruleset = chained()
    assert settle(ruleset, Limits(move="stand")) == Limits(move="stand", passengers="no", rescue="no")
    cell = grade(ruleset, fault(judged("cover-hanging"))).cells["U", "dry"]
    assert (cell.limits.move, cell.limits.passengers, cell.limits.rescue) == ("stand", "no", "no")
    assert cell.rules[-2:] == ("stand-empty", "empty-first")


def test_a_combination_is_named_in_each_finding_that_takes_part_and_in_no_other(ruleset):
    open_, lip, worn = faults(ruleset, "fitter cover-open; fitter block-seal; fitter hook-worn gap=1")
    named = [
        any(rule.startswith("cover-and-water") for rule in grade(ruleset, one, others).cells["C", "wet"].rules)
        for one, others in [(open_, [lip, worn]), (lip, [worn, open_]), (worn, [open_, lip])]
    ]
    assert named == [True, True, False]


def test_one_finding_is_not_both_sides_of_a_combination(ruleset):
    """A finding that may be either of two modes is still one fault."""
    unsure = fault(Observation("cover"))
    rules = grade(ruleset, unsure).cells["C", "wet"].rules
    assert not any(rule.startswith("cover-and-water") for rule in rules)
    assert any(r.startswith("cover-and-water") for r in grade(ruleset, unsure, [unsure]).cells["C", "wet"].rules)


def test_the_two_readings_of_a_grade(ruleset):
    worn = grade(ruleset, fault(judged("hook-worn", "gap=5")))
    assert worn.worst == 3
    assert [worn.worst_in("U"), worn.worst_in("UC"), worn.worst_in("R"), worn.worst_in("")] == [0, 2, 3, 0]
