"""The inputs of a program and the values that an exploration gives them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

from softctl.machine import Machine, Point, Role, Scalar, Value
from softctl.values.types import Kind, round_to_real

_WHOLE = (Kind.SIGNED, Kind.UNSIGNED, Kind.BITS, Kind.DURATION)
_MS = 1_000_000
_WIDEST = 1e6
_BESIDE = 0.01
"""How far beside a limit a value is taken, as a part of the range."""


@dataclass(frozen=True, slots=True)
class Input:
    """A point that the programs read: `marked` are values that matter more than others.

    A momentary command is TRUE in one scan. `low` and `high` are in the point's unit, a TIME's
    in nanoseconds.
    """

    name: str
    role: Role
    kind: Kind
    initial: Value
    is_momentary: bool = False
    low: float | int = 0
    high: float | int = 1
    marked: tuple[float | int, ...] = ()

    def draw(self, dice: Random, bias: float) -> Value:
        """A value: TRUE as often as the bias says; of a range every second time a marked one."""
        if self.kind is Kind.BOOL:
            return self.is_momentary or dice.random() < bias
        if dice.random() < 0.5:
            return dice.choice(self.marked)
        if self.kind is Kind.REAL:
            return round_to_real(dice.uniform(self.low, self.high))
        value = dice.randint(int(self.low), int(self.high))
        return max(value // _MS * _MS, int(self.low)) if self.kind is Kind.DURATION else value


def shortest(value: Value, kind: Kind) -> Value:
    """A REAL by the fewest digits that mean it, as a person would write it; else the value."""
    if kind is not Kind.REAL or not isinstance(value, float):
        return value
    texts = (f"{value:.{digits}g}" for digits in range(1, 10))
    return next((float(t) for t in texts if round_to_real(float(t)) == value), value)


def explored_inputs(
    machine: Machine, conditions: Sequence[Scalar]
) -> tuple[list[Input], list[str]]:
    """The inputs, commands and set points; then the names of those of a type without values.

    Values that a condition of an alarm or one of `conditions` compares an input with are
    among its marked ones, and so are values a little beside them.
    """
    alarms = [alarm.raised for alarm in machine.alarms.values()]
    texts = [str(condition.value) for condition in (*alarms, *conditions)]
    inputs, strange = [], []
    for point in machine.points.values():
        if not _is_input(point):
            continue
        if point.type.kind is Kind.BOOL:
            momentary = point.role is Role.COMMAND and not point.hold
            inputs.append(Input(point.name, point.role, Kind.BOOL, point.initial, momentary))
        elif point.type.kind is Kind.REAL or point.type.kind in _WHOLE:
            inputs.append(_number(point, texts))
        else:
            strange.append(point.name)
    return inputs, strange


def _is_input(point: Point) -> bool:
    if point.role is Role.INPUT:
        return True
    return point.role.is_written_by_hmi and point.hmi is not None


def _number(point: Point, texts: Sequence[str]) -> Input:
    is_real = point.type.kind is Kind.REAL
    low = point.low if point.low is not None else (-_WIDEST if is_real else point.type.low)
    high = point.high if point.high is not None else (_WIDEST if is_real else point.type.high)
    beside = (high - low) * _BESIDE if is_real else 1
    limits = [value for text in texts for value in _limits(point.name, text)]
    near = [value for limit in limits for value in (limit - beside, limit, limit + beside)]
    ends = [low, high, point.initial] if isinstance(point.initial, int | float) else [low, high]
    values = [*ends, *(value for value in near if low <= value <= high)]
    marked = tuple(dict.fromkeys(round_to_real(v) if is_real else int(v) for v in values))
    kind = point.type.kind
    return Input(point.name, point.role, kind, point.initial, False, low, high, marked)


def _limits(name: str, text: str) -> list[float]:
    """The plain numbers that a condition compares a point with."""
    pattern = rf"\b{re.escape(name)}\s*[<>=]+\s*([-+]?\d+(?:\.\d+)?)(?![\w#.])"
    return [float(number) for number in re.findall(pattern, text, re.IGNORECASE)]
