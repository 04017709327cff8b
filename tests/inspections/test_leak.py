"""Leak-test arithmetic: the worked example, a table as a fitter would read it, bad readings, and what must hold for
any readings at all."""

# ruff: noqa: E501 - one line a case
import subprocess
import sys
from dataclasses import replace
from decimal import Decimal as D
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from inspections import leak
from inspections.leak import BadReading, Readings, judge

QUIET = settings(max_examples=200, deadline=None, derandomize=True)
EXAMPLE = Readings(D("9.00"), D("8.80"), D(5), D(25), D("0.05"), D(20), D(18))


def decimal(text):
    return None if text == "-" else D(text)


def readings(start, end, start_c, end_c, minutes="5", volume="25", step="0.05", **more):
    """Readings from the text of a table; "-" is a temperature not read."""
    return Readings(
        D(start), D(end), D(minutes), D(volume), D(step), decimal(start_c), decimal(end_c), **more
    )  # fmt: skip


def three(value):
    """A figure to three places."""
    return value.quantize(D("0.001"))


# --- the worked example of the trade notes


def test_the_worked_example_to_three_figures():
    result = judge(EXAMPLE, D("1.0"))
    assert f"{result.leak:.3g}" == "0.663"
    assert f"{result.uncertainty:.3g}" == "0.250"
    assert f"{result.least:.3g}" == "0.413"
    assert f"{result.most:.3g}" == "0.913"
    assert f"{result.cooling:.3g}" == "0.0674"
    assert result.drop == D("0.2")
    assert (result.verdict, result.again) == ("pass", None)


def test_the_worked_example_at_half_the_limit_is_repeated_for_fifteen_minutes():
    result = judge(EXAMPLE, D("0.5"))
    assert (result.verdict, result.again) == ("repeat", 15)


def test_the_worked_example_uncorrected_would_read_one_litre():
    assert leak.leak(replace(EXAMPLE, end_c=D(20))) == 1


@pytest.mark.parametrize(("minutes", "litres"), [(5, "0.25"), (10, "0.13"), (15, "0.08")])
def test_the_uncertainty_of_the_notes(minutes, litres):
    found = leak.uncertainty(replace(EXAMPLE, minutes=D(minutes), start_c=D(20), end_c=D(20)))
    assert f"{found:.2f}" == litres


@pytest.mark.parametrize(("step", "litres"), [("0.1", "0.50"), ("0.05", "0.25"), ("0.01", "0.05")])
def test_the_smallest_leak_a_step_can_claim(step, litres):
    """With a perfect thermometer nothing but the step is left: V·r/(pn·t)."""
    found = leak.uncertainty(replace(EXAMPLE, step=D(step), thermometer=D(0)))
    assert found >= D(litres)
    assert f"{found:.2f}" == litres


# --- a table

# What it is; start, end (bar gauge); °C at start and end; minutes; litres; step; limit → leak, ±, verdict, again.
CASES = [
    ("Nothing lost", "9.00", "9.00", "20", "20", "5", "25", "0.05", "1.0", "0.000", "0.250", "pass", None),
    ("One step lost", "9.00", "8.95", "20", "20", "5", "25", "0.05", "1.0", "0.250", "0.250", "pass", None),
    ("Just within", "9.00", "8.86", "20", "20", "5", "25", "0.05", "1.0", "0.700", "0.250", "pass", None),
    ("The limit itself", "9.00", "8.80", "20", "20", "5", "25", "0.05", "1.0", "1.000", "0.250", "repeat", 10),
    ("A little over", "9.00", "8.76", "20", "20", "5", "25", "0.05", "1.0", "1.200", "0.250", "repeat", 10),
    ("Clearly over", "9.00", "8.74", "20", "20", "5", "25", "0.05", "1.0", "1.300", "0.250", "fail", None),
    ("Half a bar gone", "9.00", "8.50", "20", "20", "5", "25", "0.05", "1.0", "2.500", "0.250", "fail", None),
    ("All gone", "9.00", "0.00", "20", "20", "5", "25", "0.05", "1.0", "45.000", "0.250", "fail", None),
    ("Coarse gauge, one step", "9.00", "8.90", "20", "20", "5", "25", "0.1", "1.0", "0.500", "0.500", "pass", None),
    ("Coarse gauge, two steps", "9.00", "8.80", "20", "20", "5", "25", "0.1", "1.0", "1.000", "0.500", "repeat", 10),
    ("Coarse gauge, over", "9.00", "8.60", "20", "20", "5", "25", "0.1", "1.0", "2.000", "0.500", "fail", None),
    ("Coarse gauge, tight limit", "9.00", "9.00", "20", "20", "5", "25", "0.1", "0.4", "0.000", "0.500", "repeat", 25),
    ("Fine gauge, the limit itself", "9.00", "8.80", "20", "20", "5", "25", "0.01", "1.0", "1.000", "0.151", "repeat", 10),
    ("Fine gauge, within", "9.00", "8.84", "20", "20", "5", "25", "0.01", "1.0", "0.800", "0.151", "pass", None),
    ("Fine gauge, over", "9.00", "8.76", "20", "20", "5", "25", "0.01", "1.0", "1.200", "0.151", "fail", None),
    ("The worked example", "9.00", "8.80", "20", "18", "5", "25", "0.05", "1.0", "0.663", "0.250", "pass", None),
    ("Its half limit", "9.00", "8.80", "20", "18", "5", "25", "0.05", "0.5", "0.663", "0.250", "repeat", 15),
    ("Its limit of 0.4", "9.00", "8.80", "20", "18", "5", "25", "0.05", "0.4", "0.663", "0.250", "fail", None),
    ("Cooling explains it all", "9.00", "8.93", "20", "18", "5", "25", "0.01", "1.0", "0.008", "0.151", "pass", None),
    ("Warming hides a leak", "9.00", "9.00", "20", "26", "5", "25", "0.05", "1.0", "1.004", "0.250", "repeat", 10),
    ("Warming hides a large leak", "9.00", "9.00", "20", "30", "5", "25", "0.05", "1.0", "1.651", "0.250", "fail", None),
    ("Warmer by what it rose", "9.00", "9.07", "20", "22", "5", "25", "0.05", "1.0", "-0.008", "0.251", "pass", None),
    ("Rose, nothing warmed", "9.00", "9.10", "20", "20", "5", "25", "0.05", "1.0", "-0.500", "0.251", "invalid", None),
    ("Rose by one step: the gauge may be so", "9.00", "9.05", "20", "20", "5", "25", "0.05", "1.0", "-0.250", "0.251", "pass", None),
    ("Cooled and did not fall: the supply passes", "9.00", "9.00", "20", "15", "5", "25", "0.05", "1.0", "-0.869", "0.250", "invalid", None),
    ("Neither temperature read", "9.00", "8.95", "-", "-", "5", "25", "0.05", "1.0", "0.250", "1.275", "repeat", 30),
    ("Neither read, half an hour", "9.00", "8.95", "-", "-", "30", "25", "0.05", "1.0", "0.042", "0.212", "pass", None),
    ("Neither read, plainly over", "9.00", "8.50", "-", "-", "5", "25", "0.05", "1.0", "2.500", "1.275", "fail", None),
    ("End not read", "9.00", "8.95", "20", "-", "5", "25", "0.05", "1.0", "0.250", "0.762", "repeat", 20),
    ("Start not read", "9.00", "8.95", "-", "20", "5", "25", "0.05", "1.0", "0.250", "0.762", "repeat", 20),
    ("End not read, nothing lost", "9.00", "9.00", "20", "-", "5", "25", "0.05", "1.0", "0.000", "0.762", "pass", None),
    ("Rose, end not read: may be 3 K", "9.00", "9.10", "20", "-", "5", "25", "0.05", "1.0", "-0.500", "0.767", "pass", None),
    ("Rose more than 3 K would", "9.00", "9.20", "20", "-", "5", "25", "0.05", "1.0", "-1.000", "0.773", "invalid", None),
    ("Longer tells", "9.00", "8.60", "20", "20", "10", "25", "0.05", "1.0", "1.000", "0.125", "repeat", 20),
    ("Longer, within", "9.00", "8.66", "20", "20", "10", "25", "0.05", "1.0", "0.850", "0.125", "pass", None),
    ("Small section", "9.00", "8.80", "20", "20", "5", "5", "0.05", "1.0", "0.200", "0.050", "pass", None),
    ("Large section, same drop", "9.00", "8.80", "20", "20", "5", "100", "0.05", "1.0", "4.000", "1.001", "fail", None),
    ("Large section, one step", "9.00", "8.95", "20", "20", "5", "100", "0.05", "1.0", "1.000", "1.001", "repeat", 25),
    ("Brake pipe, less pressure", "5.00", "4.90", "20", "20", "5", "25", "0.05", "1.0", "0.500", "0.250", "pass", None),
    ("Frost: cold air is more air", "9.00", "8.80", "-10", "-10", "5", "25", "0.05", "1.0", "1.114", "0.290", "repeat", 10),
    ("Heat: warm air is less air", "9.00", "8.80", "35", "35", "5", "25", "0.05", "1.0", "0.951", "0.250", "repeat", 10),
    ("An hour's test, still too close", "9.00", "6.60", "20", "20", "60", "25", "0.05", "1.0", "1.000", "0.021", "repeat", 120),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=[case[0] for case in CASES])
def test_what_the_readings_say(case):
    _, start, end, start_c, end_c, minutes, volume, step, limit, found, either_way, verdict, again = case
    result = judge(readings(start, end, start_c, end_c, minutes, volume, step), D(limit))
    shown = (str(three(result.leak)), str(three(result.uncertainty)), result.verdict, result.again)
    assert shown == (found, either_way, verdict, again)


def test_there_are_enough_cases_and_every_verdict_among_them():
    assert len({case[0] for case in CASES}) == len(CASES) >= 30
    assert {case[-2] for case in CASES} == set(leak.VERDICTS)


# Start 9.00, both 20 °C, a thermometer without error, 25 L in 5 min: the uncertainty is the step's 0.25 to the digit.
EDGES = [
    ("Largest leak at the limit", "8.85", "1", "pass"),
    ("Largest leak a hair over", "8.8499", "1", "repeat"),
    ("Smallest leak at the limit", "8.75", "1", "repeat"),
    ("Smallest leak a hair over", "8.7499", "1", "fail"),
    ("As much in as the uncertainty", "9.05", "1", "pass"),
    ("A hair more in", "9.0501", "1", "invalid"),
]


@pytest.mark.parametrize(("what", "end", "limit", "verdict"), EDGES, ids=[edge[0] for edge in EDGES])
def test_edges_are_met_to_the_digit(what, end, limit, verdict):
    exact = readings("9.00", end, "20", "20", thermometer=D(0))
    assert leak.uncertainty(exact) == D("0.25")
    assert judge(exact, D(limit)).verdict == verdict


# --- what goes with the verdict


@pytest.mark.parametrize(
    ("drop", "minutes", "volume", "litres"),
    [("0.2", "5", "25", "1"), ("0.1", "5", "25", "0.5"), ("0.2", "5", "40", "1.6"), ("0.1", "10", "12.5", "0.125")],
)
def test_bar_in_minutes_means_other_litres_on_another_section(drop, minutes, volume, litres):
    assert leak.limit_of_drop(D(drop), D(minutes), D(volume)) == D(litres)


SENTENCES = [
    (("9.00", "8.95", "20", "20"), "Even at its largest the leak is within the limit."),
    (("9.00", "8.50", "20", "20"), "Even at its smallest the leak is over the limit."),
    (("9.00", "8.80", "20", "20"), "Too close to tell. Repeat for 10 minutes."),
    (("9.00", "8.95", "-", "-"), "Too close to tell. Repeat for 30 minutes. With both temperatures read it tells sooner."),
    (("9.00", "9.00", "20", "20", "5", "200", "0.1"), "Too close to tell. Repeat for 80 minutes. A gauge with a finer step tells sooner."),
    (("9.00", "9.10", "20", "20"), "There is more air at the end than at the start: the supply passes, or the air was not settled."),
    (("9.00", "9.50", "20", "-"), "The pressure rose: the air warmed, or the supply passes. Read both temperatures."),
]  # fmt: skip


@pytest.mark.parametrize(("entered", "sentence"), SENTENCES, ids=[sentence for _, sentence in SENTENCES])
def test_why(entered, sentence):
    assert judge(readings(*entered), D(1)).why == sentence


def test_the_picture_of_the_worked_example():
    drawn = leak.picture(EXAMPLE, D(1))
    assert drawn.start == (0, D("9.00"))
    assert drawn.read == (5, D("8.80"))
    assert [str(three(y)) for _, y in (drawn.tight, drawn.at_limit)] == ["8.932", "8.733"]
    assert str(three(drawn.either_way)) == "0.050"


def test_where_the_limit_would_lead_is_the_limit():
    """The end pressure of the picture's limit line, put back in as a reading, leaks exactly the limit."""
    drawn = leak.picture(EXAMPLE, D("0.8"))
    again = leak.leak(replace(EXAMPLE, end=drawn.at_limit[1]))
    assert again.quantize(D("1e-20")) == D("0.8")
    tight = leak.leak(replace(EXAMPLE, end=drawn.tight[1]))
    assert tight.quantize(D("1e-20")) == 0


def test_a_limit_beyond_all_the_air_ends_at_nothing():
    assert leak.picture(EXAMPLE, D(10_000)).at_limit == (5, 0)


# --- readings no test can have

BAD = [
    ("start", None, "“Pressure at the start”: enter a number"),
    ("start", D("0"), "“Pressure at the start” is between 0.1 and 20 bar"),
    ("start", D("900"), "“Pressure at the start” is between 0.1 and 20 bar"),
    ("start", D("NaN"), "“Pressure at the start”: enter a number"),
    ("start", D("sNaN"), "“Pressure at the start”: enter a number"),
    ("start", D("Infinity"), "“Pressure at the start”: enter a number"),
    ("start", 9.0, "“Pressure at the start”: enter a number"),
    ("start", "9.00", "“Pressure at the start”: enter a number"),
    ("start", True, "“Pressure at the start”: enter a number"),
    ("end", None, "“Pressure at the end”: enter a number"),
    ("end", D("-0.01"), "“Pressure at the end” is between 0 and 20 bar"),
    ("minutes", D("0"), "“Time between the readings” is between 1 and 240 min"),
    ("minutes", D("-5"), "“Time between the readings” is between 1 and 240 min"),
    ("minutes", D("241"), "“Time between the readings” is between 1 and 240 min"),
    ("volume", D("0"), "“Volume of the section” is between 0.1 and 2000 L"),
    ("volume", D("2001"), "“Volume of the section” is between 0.1 and 2000 L"),
    ("step", D("0"), "“Smallest step of the gauge” is between 0.0001 and 1 bar"),
    ("step", D("1.1"), "“Smallest step of the gauge” is between 0.0001 and 1 bar"),
    ("start_c", D("-51"), "“Temperature at the start” is between -50 and 70 °C"),
    ("end_c", D("293"), "“Temperature at the end” is between -50 and 70 °C"),
    ("end_c", D("NaN"), "“Temperature at the end”: enter a number"),
    ("barometer", None, "“Barometer”: enter a number"),
    ("barometer", D("1013"), "“Barometer” is between 0.8 and 1.1 bar"),
    ("thermometer", D("6"), "“Uncertainty of the thermometer” is between 0 and 5 K"),
    ("thermometer", D("-0.1"), "“Uncertainty of the thermometer” is between 0 and 5 K"),
]


@pytest.mark.parametrize(("field", "value", "sentence"), BAD, ids=[f"{field} {value}" for field, value, _ in BAD])
def test_a_bad_reading_is_named(field, value, sentence):
    with pytest.raises(BadReading) as refused:
        replace(EXAMPLE, **{field: value})
    assert (refused.value.field, str(refused.value)) == (field, sentence)


@pytest.mark.parametrize("limit", [D(0), D("-1"), D("NaN"), None, D(20_000)])
def test_a_bad_limit_is_named(limit):
    with pytest.raises(BadReading, match="^“Limit”") as refused:
        judge(EXAMPLE, limit)
    assert refused.value.field == "limit"


@pytest.mark.parametrize(("field", "bad"), [("drop", (D(0), D(5), D(25))), ("minutes", (D("0.2"), D(0), D(25)))])
def test_a_bad_limit_of_a_drop_is_named(field, bad):
    with pytest.raises(BadReading) as refused:
        leak.limit_of_drop(*bad)
    assert refused.value.field == field


# --- what must hold for any readings at all


def numbers(least, most, places=2):
    return st.decimals(D(least), D(most), places=places, allow_nan=False, allow_infinity=False)


TEMPERATURES = st.none() | numbers("-50", "70", 1)
ANY = st.builds(
    Readings,
    start=numbers("0.1", "20"),
    end=numbers("0", "20"),
    minutes=numbers("1", "240", 0),
    volume=numbers("0.1", "2000", 1),
    step=numbers("0.0001", "1", 4),
    start_c=TEMPERATURES,
    end_c=TEMPERATURES,
    barometer=numbers("0.8", "1.1", 3),
    thermometer=numbers("0", "5", 1),
)
# What a depot sees: small changes around a full pipe, where every verdict comes up.
NEAR = st.builds(
    Readings,
    start=numbers("8.8", "9.2"),
    end=numbers("8.5", "9.2"),
    minutes=st.sampled_from([D(5), D(10), D(15)]),
    volume=st.sampled_from([D(5), D(25), D(40)]),
    step=st.sampled_from([D("0.01"), D("0.02"), D("0.05"), D("0.1")]),
    start_c=st.none() | numbers("15", "22", 1),
    end_c=st.none() | numbers("15", "22", 1),
)
LIMITS = numbers("0.05", "3")
ORDER = {leak.INVALID: 0, leak.PASS: 1, leak.REPEAT: 2, leak.FAIL: 3}


@QUIET
@given(ANY | NEAR, numbers("0", "120", 1), LIMITS)
def test_a_warmer_end_that_was_read_never_lowers_the_leak(r, warmer, limit):
    assume(r.end_c is not None and r.end_c + warmer <= 70)
    after = replace(r, end_c=r.end_c + warmer)
    assert leak.leak(after) >= leak.leak(r)
    assert ORDER[judge(after, limit).verdict] >= ORDER[judge(r, limit).verdict]


@QUIET
@given(ANY | NEAR, numbers("0", "1", 4), LIMITS)
def test_a_larger_step_never_turns_fail_or_repeat_into_pass(r, more, limit):
    assume(r.step + more <= 1)
    before, after = judge(r, limit), judge(replace(r, step=r.step + more), limit)
    assert after.uncertainty >= before.uncertainty
    assert not (before.verdict in (leak.FAIL, leak.REPEAT) and after.verdict == leak.PASS)


@QUIET
@given(ANY | NEAR)
def test_the_uncertainty_is_never_below_the_worst_of_the_step(r):
    assert leak.uncertainty(r) >= r.volume * r.step / r.minutes


@QUIET
@given(NEAR, numbers("0", "0.5"), LIMITS)
def test_a_lower_end_never_reads_as_less_of_a_leak(r, less, limit):
    after = replace(r, end=r.end - less)
    assert leak.leak(after) >= leak.leak(r)
    assert ORDER[judge(after, limit).verdict] >= ORDER[judge(r, limit).verdict]


@QUIET
@given(ANY | NEAR, LIMITS, numbers("0", "3"))
def test_a_tighter_limit_never_passes_what_a_wider_one_did_not(r, limit, wider):
    tight, wide = judge(r, limit), judge(r, limit + wider)
    assert not (tight.verdict == leak.PASS and wide.verdict != leak.PASS)
    assert not (wide.verdict == leak.FAIL and tight.verdict != leak.FAIL)


@QUIET
@given(ANY | NEAR, LIMITS)
def test_the_next_test_is_longer_and_in_whole_fives(r, limit):
    result = judge(r, limit)
    assert (result.again is not None) == (result.verdict == leak.REPEAT)
    if result.again:
        assert result.again > r.minutes
        assert result.again % 5 == 0


@QUIET
@given(NEAR, LIMITS)
def test_the_leak_of_a_tight_section_that_only_cooled_is_none(r, limit):
    assume(r.temperatures_read)
    tight = leak.picture(r, limit).tight[1]
    assert abs(leak.leak(replace(r, end=tight))) < D("1e-20")


@QUIET
@given(ANY)
def test_a_missing_temperature_may_be_three_kelvin_off(r):
    """Whatever the temperature that was not read really was, within 3 K, the leak lies within the uncertainty."""
    assume(r.start_c is None and r.end_c is None)
    for start_c, end_c in (("17", "23"), ("23", "17"), ("20", "23"), ("20", "17")):
        real = replace(r, start_c=D(start_c), end_c=D(end_c), thermometer=D(0))
        off = abs(leak.leak(real) - leak.leak(r))
        assert off <= leak.uncertainty(r) * D("1.02"), (start_c, end_c)


def test_it_runs_with_django_blocked():
    program = "import sys; sys.modules['django'] = None\nimport inspections.leak\n"
    root = Path(__file__).parents[2]
    run = subprocess.run([sys.executable, "-c", program], cwd=root, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
