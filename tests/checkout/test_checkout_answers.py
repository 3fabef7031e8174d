"""What a person types is understood, and what can mean two things is asked for again."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hmi_program import MACHINE

from softctl.checkout.answers import read_answer
from softctl.checkout.judge import is_near, is_right
from softctl.checkout.numbers import read_duration, read_number
from softctl.checkout.plan import make_plan
from softctl.checkout.steps import Answer, Step
from softctl.machine import Point

STEPS = {step.id: step for step in make_plan(MACHINE, {"MAIN": ["Idle", "Filling", "Stirring"]})}
S = 1_000_000_000


def point_of(step: Step) -> Point:
    return MACHINE.points[step.point]


@pytest.mark.parametrize(
    ("text", "value", "digits"),
    [
        ("12.5", 12.5, 1),
        ("12,5", 12.5, 1),
        ("-3", -3, 0),
        ("−0,25", -0.25, 2),
        ("1 234,5", 1234.5, 1),
        ("1.234,5", 1234.5, 1),
        ("1,234.5", 1234.5, 1),
        ("1.234.567", 1234567, 0),
        ("1'234", 1234, 0),
        ("0,690", 0.69, 3),
        (".5", 0.5, 1),
        ("12.", 12, 0),
        ("1e3", 1000, 0),
        ("1.5E-3", 0.0015, 4),
        ("16#1A2B", 0x1A2B, 0),
        ("0x1a2b", 0x1A2B, 0),
        ("1A2Bh", 0x1A2B, 0),
        ("2#1010_1010", 0xAA, 0),
    ],
)
def test_numbers_are_read_with_comma_or_point(text: str, value: float, digits: int) -> None:
    """Groups, decimals, bases; and how fine the last digit is."""
    read = read_number(text)
    assert float(read.value) == value
    assert float(read.digit) == pytest.approx(10.0**-digits)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1,234", "write 1234 or 1.234"),
        ("-12,500", "write -12500 or -12.500"),
        ("1,23.4,5", "expected a number such as 1234.5"),
        ("1.23.4", "expected a number such as 1234.5"),
        ("twelve", "expected a number such as 12.5 or 12,5"),
        ("1e999", "of this world"),
        ("2#12", "expected digits of base 2"),
    ],
)
def test_an_unclear_number_says_how_to_write_it(text: str, message: str) -> None:
    """Nothing is guessed: a factor of 1000 is what a checkout is to find."""
    with pytest.raises(ValueError, match=message):
        read_number(text)


@pytest.mark.parametrize(
    ("text", "seconds", "digit"),
    [
        ("75", 75, 1),
        ("75 s", 75, 1),
        ("75000 ms", 75, 0.001),
        ("1 min 15 s", 75, 1),
        ("1,25 min", 75, 0.6),
        ("T#1m15s", 75, 1),
        ("TIME#1h2m3s", 3723, 1),
        ("1:15", 75, 1),
        ("0:01:15", 75, 1),
        ("1:02:03,5", 3723.5, 0.1),
        ("90:00", 5400, 1),
        ("2 h", 7200, 3600),
    ],
)
def test_times_are_read_in_every_usual_form(text: str, seconds: float, digit: float) -> None:
    """A bare number is seconds; minutes and seconds have a colon."""
    assert read_duration(text) == (round(seconds * S), round(digit * S))


@pytest.mark.parametrize("text", ["soon", "5 parsecs", "1:2:3:4", ""])
def test_what_is_no_time_is_told(text: str) -> None:
    """With an example."""
    with pytest.raises(ValueError, match="expected"):
        read_duration(text)


@pytest.mark.parametrize(
    ("step", "text", "value"),
    [
        ("LSH_1:on", "On", True),
        ("LSH_1:on", " 0 ", False),
        ("LSH_1:on", "inactive", False),
        ("LSH_1:on", "running", True),
        ("LSH_1:on", "stopped", False),
        ("ZSC_1:on", "closed", True),  # its description says that it is closed
        ("ZSC_1:on", "open", False),
        ("ZSC_1:on", "shut", True),
        ("LAH_1:active", "alarm", True),
        ("LAH_1:active", "normal", False),
        ("MAIN_STEP:1", "filling", 1),
        ("MAIN_STEP:1", "st", 2),
        ("MAIN_STEP:1", "7", 7),
        ("LAH_1_STATE:1", "Unacknowledged", 1),
        ("LAH_1_STATE:1", "latched", 5),
        ("HEARTBEAT:alive", "y", True),
        ("HEARTBEAT:stopped", "No", False),
        ("LABEL:odd", "“Pump 7b” ", "Pump 7b"),
        ("BATCHES:odd", "305 419", 305_419),
        ("LT_1:50%", "1000 mm", 1.0),
        ("LT_1:50%", "100 cm", 1.0),
        ("LT_1:50%", "50 %", 1.0),
        ("TT_1:50%", "176 °F", 80.0),
        ("TT_1:50%", "80 °C", 80.0),
        ("TT_1:50%", "353.15 K", 80.0),
        ("PT_1:odd", "273 kPa", 2.73),
    ],
)
def test_words_names_and_units_are_understood(step: str, text: str, value: object) -> None:
    """In the point's own unit and meaning."""
    found = read_answer(text, STEPS[step], point_of(STEPS[step])).value
    assert found == (pytest.approx(value) if isinstance(value, float) else value)


@pytest.mark.parametrize(
    ("step", "text", "message"),
    [
        ("LSH_1:on", "open", "which can mean either here"),
        ("LSH_1:on", "blue", "expected on or off, got 'blue'"),
        ("LSH_1:on", "", "got nothing"),
        ("MAIN_STEP:1", "x", "0 Idle, 1 Filling, 2 Stirring"),
        ("BATCHES:odd", "5 kg", "expected a plain number for BATCHES, got the unit 'kg'"),
        ("LT_1:50%", "1 kg", "expected a length"),
        ("HEARTBEAT:alive", "perhaps", "expected yes or no"),
    ],
)
def test_what_is_not_understood_is_told(step: str, text: str, message: str) -> None:
    """What was expected, and what came."""
    with pytest.raises(ValueError, match=message):
        read_answer(text, STEPS[step], point_of(STEPS[step]))


@pytest.mark.parametrize(
    ("step", "text", "right"),
    [
        ("LT_1:50%", "1.00", True),
        ("LT_1:50%", "1.009", True),  # half a per cent of 2 m is 10 mm
        ("LT_1:50%", "1.02", False),
        ("LT_1:odd", "0.7", True),  # 0.746 on a display with one decimal that cuts off
        ("LT_1:odd", "1", False),  # too coarse to tell anything
        ("COUNT:75%", "25", True),
        ("COUNT:75%", "26", False),  # a whole number is exact
        ("STIR:25%", "3:49", True),
        ("STIR:25%", "3:47", True),
        ("STIR:25%", "3:35", False),
        ("BATCHES:odd", "305420", False),
        ("DRIFT:negative", "-305419", True),
    ],
)
def test_an_answer_is_right_within_what_the_display_can_tell(
    step: str, text: str, right: bool
) -> None:
    """Tolerance, counts and digits are allowed for, and not more."""
    one = STEPS[step]
    answer = read_answer(text, one, point_of(one))
    assert is_right(one, point_of(one), answer, 0.005) is right


def test_one_count_is_allowed_for() -> None:
    """Ten steps over 200 K: a step of 20 K is no mistake of the screen."""
    point = MACHINE.points["TT_1"]
    assert point.scale is not None
    coarse = replace(point, scale=replace(point.scale, raw=(0, 10)))
    assert is_near(coarse, 80.0, 99.0, 0.0)
    assert not is_near(point, 80.0, 99.0, 0.0)


def test_every_kind_of_answer_has_a_step_here() -> None:
    """So that none is left out of these tests, but dates, which the plan's tests have."""
    assert {step.answer for step in STEPS.values()} == set(Answer) - {Answer.DATE}
