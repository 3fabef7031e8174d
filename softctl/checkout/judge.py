"""Whether an answer is right: values against values, by scaling and tolerance."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from softctl.checkout.answers import Understood
from softctl.checkout.steps import Answer, Step
from softctl.machine import Point, Value
from softctl.values.types import Kind

DEFAULT_TOLERANCE = 0.005
"""Of the range, or of the value where a point has none."""

_MOST_COARSE = 0.05
"""A display may round by this share of the range, and by no more than its last digit."""

_NS_PER_MS = 1_000_000


class Verdict(Enum):
    """How a step went; the value is the word in records."""

    PASS = "pass"
    FAIL = "fail"
    SKIPPED = "skipped"


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict with what was understood or seen, and what a wrong one looks like."""

    verdict: Verdict
    seen: str
    hint: str = ""


def is_right(step: Step, point: Point, answer: Understood, tolerance: float) -> bool:
    """Whether an answer is what the step expects; `tolerance` is a share of the range."""
    if step.answer in (Answer.NUMBER, Answer.TIME):
        return is_near(point, step.expected, answer.value, tolerance, answer.digit)
    return answer.value == step.expected


def is_near(
    point: Point, wanted: Value, found: Value, tolerance: float, digit: float = 0.0
) -> bool:
    """Whether two numbers of a point are the same within what its display can tell.

    A whole number is exact. Otherwise they may differ by the tolerance, by one count of
    what travels, or by one more of the last digit shown.
    """
    if isinstance(wanted, str) or isinstance(found, str):
        return wanted == found
    off = abs(float(found) - float(wanted))
    if point.type.kind is not Kind.REAL and point.type.kind is not Kind.DURATION:
        return off == 0 or (digit != 1 and off <= min(digit, _MOST_COARSE * _span(point, wanted)))
    span = _span(point, wanted)
    allowed = max(tolerance * span, min(digit, _MOST_COARSE * span))
    return off <= (allowed + resolution(point)) * (1 + 1e-9) + 1e-6 * abs(float(wanted))


def resolution(point: Point) -> float:
    """The value of one count of what travels on the HMI map."""
    if point.scale is not None and point.low is not None and point.high is not None:
        low, high = point.scale.raw
        return abs(float(point.high - point.low) / (high - low))
    return _NS_PER_MS if point.type.name == "TIME" else 0.0


def _span(point: Point, wanted: int | float) -> float:
    if point.low is None or point.high is None:
        return abs(float(wanted))
    return float(point.high - point.low)
