"""The engineer's table, mode by situation (`trade.md` §2.10), line by line: categories in U, C, R and limits."""

import pytest

from inspections.rules.grade import grade
from tests.rules.saying import fault, judged, letters

# line of the table, mode, facts, weathers, categories U C R
LINES = [
    ("Seal torn, leak not known", "seal-torn", "", "dry wet frost", "N Un Un"),
    ("Seal nick, leak measured within limit", "seal-torn", "leak=0.5 leak-uncertainty=0.25", "dry wet", "N T T"),
    ("Seal missing", "seal-missing", "", "dry wet frost", "T Un Un"),
    ("Seal hard or low", "seal-hard", "", "dry wet", "N T T"),
    ("Seal hard or low, frost", "seal-hard", "", "frost", "N T Un"),
    ("Shut-off valve passes MRP", "valve-passes", "pipe=MRP", "dry wet frost", "Un T N"),
    ("Shut-off valve passes BP", "valve-passes", "pipe=BP", "dry wet frost", "Un Un T"),
    ("Valve will not open", "valve-shut", "", "dry wet frost", "N I I"),
    ("Hose to textile", "hose-split", "", "dry wet frost", "Un Un Un"),
    ("Lock not home", "lock-not-home", "", "dry wet frost", "N I I"),
    ("Ready position: no finding", "lock-ready", "", "dry wet frost", "N N N"),
    ("Lock no-go wear", "hook-worn", "gap=4.1", "dry wet frost", "N Un I"),
    ("Lock spring broken", "lock-spring", "", "dry wet frost", "T Un I"),
    ("Crack in draft path", "crack", "may-fall=no", "dry wet frost", "Un I I"),
    ("Crack in draft path, may fall", "crack", "may-fall=yes", "dry wet frost", "I I I"),
    ("Crack in draft path, fall not known", "crack", "", "dry wet frost", "I I I"),
    ("Horn bent", "horn-bent", "", "dry wet frost", "N T N"),
    ("Funnel object", "funnel-object", "", "dry wet frost", "N Un Un"),
    ("Clamp bolt loose", "clamp-loose", "", "dry wet frost", "Un I I"),
    ("Tell-tale disagrees", "telltale-wrong", "", "dry wet frost", "T Un I"),
    ("Tell-tale disagrees, looked at", "telltale-wrong", "looked-at=yes", "dry wet frost", "T Un T"),
    ("Pin bent, contacts dead", "pin-bent", "contacts-dead=yes", "dry wet frost", "T I I"),
    ("Pin bent, contacts live", "pin-bent", "contacts-dead=no", "dry wet frost", "Un I I"),
    ("Pin bent, not known", "pin-bent", "", "dry wet frost", "Un I I"),
    ("Pin broken, non-safety wire", "pin-broken", "wire=lighting", "dry wet frost", "N T T"),
    ("Pin broken, safety loop", "pin-broken", "wire=brake-loop", "dry wet frost", "N Un Un"),
    ("Pin broken, wire not known", "pin-broken", "", "dry wet frost", "N Un Un"),
    ("Insulation low, wet", "insulation-low", "insulation=0.9", "dry wet frost", "Un I I"),
    ("Insulation 1-10 MΩ", "insulation-low", "insulation=5", "dry wet frost", "T Un Un"),
    ("Block stuck forward", "block-forward", "", "dry wet frost", "T Un Un"),
    ("Block not advancing, control from here", "block-behind", "control=yes", "dry wet frost", "N Un I"),
    ("Block not advancing, else", "block-behind", "control=no", "dry wet frost", "N Un Un"),
    ("Harness copper visible", "harness-bare", "", "dry wet frost", "Un I I"),
    ("Cover open, dry", "cover-open", "", "dry", "T T Un"),
    ("Cover open, wet or frost", "cover-open", "", "wet frost", "Un Un Un"),
    ("Cover hanging", "cover-hanging", "", "dry wet frost", "I I I"),
    ("Cover seal", "cover-seal", "", "dry wet frost", "N T T"),
    ("Cover drain", "drain-blocked", "", "dry wet frost", "N T T"),
    ("Remote release dead, manual works", "remote-dead", "", "dry wet frost", "N T T"),
    ("Manual release dead", "manual-dead", "", "dry wet frost", "T Un Un"),
    ("Handle not stowed", "handle-out", "", "dry wet frost", "T I I"),
    ("Unwanted release seen", "release-unwanted", "", "dry wet frost", "T I I"),
    ("Standstill inhibit defective", "inhibit-dead", "", "dry wet frost", "N Un I"),
    ("Droop within the mate's height difference", "droop", "height-difference=60 clearance=100", "dry wet", "T T T"),
    ("Height difference over limit", "height-mismatch", "height-difference=76", "dry wet frost", "N I I"),
    ("Height difference, looked at only", "height-mismatch", "height-difference=76 looked-at=yes", "dry", "N I I"),
    ("Height difference, measured", "height-mismatch", "height-difference=76 looked-at=measured", "dry", "N I Un"),
    ("Centring dead", "off-centre", "", "dry wet frost", "N Un T"),
    ("Draft gear, cracked rubber", "draft-gear", "", "dry wet frost", "T Un Un"),
    ("Energy tube triggered", "tube-triggered", "", "dry wet frost", "Un Un Un"),
    ("Bracket broken", "bracket-broken", "", "dry wet frost", "I I I"),
    ("Heater dead", "heater-dead", "", "dry wet", "N N N"),
    ("Heater dead, frost", "heater-dead", "", "frost", "T Un T"),
    ("Nose door unlatched", "nose-door", "", "dry wet frost", "I I I"),
]  # fmt: skip

# mode, facts, situation, limit that the table or its notes ask for
LIMITS = [
    ("seal-missing", "pipe=BP", "R", "move", "stand"),
    ("block-forward", "", "C", "couple", "not"),
    ("cover-open", "", "U", "isolations", {"contacts-or-hood"}),
    ("lock-not-home", "", "R", "move", "stand"),
    ("hook-worn", "gap=5", "R", "move", "stand"),
    ("hook-worn", "gap=3", "C", "couple", "attended"),
    ("valve-passes", "pipe=BP", "U", "move", "to depot"),
    ("hose-split", "", "R", "passengers", "no"),
    ("manual-dead", "", "R", "uncouple", "not before depot"),
    ("nose-door", "secured=yes", "R", "speed", 60),
    ("heater-dead", "", "C", "couple", "normal"),
]


@pytest.mark.parametrize(("line", "mode", "said", "weathers", "expected"), LINES, ids=[x[0] for x in LINES])
def test_line_of_the_table(ruleset, line, mode, said, weathers, expected):
    answer = grade(ruleset, fault(judged(mode, said)))
    assert {w: letters(answer, w) for w in weathers.split()} == dict.fromkeys(weathers.split(), expected)


@pytest.mark.parametrize(("mode", "said", "situation", "dial", "value"), LIMITS)
def test_limit_of_the_table(ruleset, mode, said, situation, dial, value):
    answer = grade(ruleset, fault(judged(mode, said)))
    assert getattr(answer.cells[situation, "dry"].limits, dial) == value


def test_every_line_of_the_table_is_agreed_and_every_other_mode_is_proposed(ruleset):
    proposed_in_table = {"seal-torn"}  # its first line is a proposal
    in_table = {line[1] for line in LINES} - proposed_in_table
    assert {code for code, mode in ruleset.modes.items() if mode.agreed} == in_table


def test_a_mechanical_mode_serious_on_coupling_is_no_rescue_end(ruleset):
    for code, mode in ruleset.modes.items():
        if ruleset.components[mode.component].function != "M":
            continue
        answer = grade(ruleset, fault(judged(code)))
        for weather in ruleset.weathers:
            if answer.cells["C", weather].category >= 2:
                assert answer.cells["C", weather].limits.rescue == "no", (code, weather)


def test_what_cannot_pass_the_brake_pipe_is_no_rescue_end(ruleset):
    for code in ("seal-torn", "seal-missing", "mouthpiece-stuck", "valve-passes", "valve-shut", "hose-split"):
        limits = grade(ruleset, fault(judged(code, "pipe=BP"))).cells["C", "dry"].limits
        assert limits.rescue == "no", code


def test_a_pure_stop_or_pure_damage_is_never_intolerable(ruleset):
    for hazard in ("air-lost", "damage", "function-lost"):
        severity = ruleset.hazards[hazard].severity
        assert max(c for (s, _), c in ruleset.matrix.items() if s == severity) == 2
