"""What generated Python calls: the operations that no single Python operator gives."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Iterator
from typing import Any

from softctl.logic import python_library
from softctl.logic.folding import divide, inverse_power, remainder
from softctl.logic.python_fault import BudgetFault, ScanFault
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType, whole_to_real

_CELL = array("f", (0.0,))


def to_real(value: float, cell: array[float] = _CELL) -> float:
    """Round to binary32."""
    cell[0] = value
    return cell[0]


def power_of_reals(base: float, exponent: float) -> float:
    """`**` where the result is real; too large gives an infinity."""
    try:
        result = base**exponent
    except OverflowError:
        return math.inf
    if isinstance(result, complex):
        raise ScanFault(f"expected a base from 0 up for a broken exponent, got {base}")
    return float(result)


def exponential(value: float) -> float:
    """EXP; too large gives an infinity."""
    try:
        return math.exp(value)
    except OverflowError:
        return math.inf


def power_of_integers(base: int, exponent: int) -> int:
    """`**` on whole numbers, exact modulo 2**64, so that any width can wrap it."""
    if exponent < 0:
        return inverse_power(base, exponent)
    return pow(base, exponent) if exponent < 64 else pow(base, exponent, 1 << 64)


def out_of_range(index: int, low: int, high: int) -> int:
    """Raise: the index is outside of its array."""
    raise ScanFault(f"expected an index between {low} and {high}, got {index}")


def out_of_subrange(value: int, low: int, high: int) -> int:
    """Raise: the value is outside of its subrange."""
    raise ScanFault(f"expected a value between {low} and {high}, got {value}")


def attempt(enable: bool, call: Callable[[], Any], otherwise: Any) -> tuple[bool, Any]:
    """Whether a call was enabled and made without a fault, and its value."""
    if not enable:
        return False, otherwise
    try:
        return True, call()
    except (ScanFault, ArithmeticError, ValueError):
        return False, otherwise


def over_budget() -> None:
    """Raise: the loops of one scan ran too often."""
    raise BudgetFault("this loop does not end within the scan's budget of loop passes")


def too_many_calls() -> None:
    """Raise: functions called functions too often in one scan."""
    raise BudgetFault("this function is called more often than the scan's budget allows")


def copy_array(target: list[Any], source: list[Any]) -> None:
    """Copy an array of arrays or structures, element by element."""
    for index, value in enumerate(source):
        if isinstance(value, list):
            copy_array(target[index], value)
        elif hasattr(value, "assign"):
            target[index].assign(value)
        else:
            target[index] = value


class ImageRow:
    """An array at an address: a list whose elements live in the image memory."""

    __slots__ = ("home", "names")

    def __init__(self, home: Any, names: tuple[str, ...]) -> None:
        self.home = home
        self.names = names

    def __len__(self) -> int:
        return len(self.names)

    def __iter__(self) -> Iterator[Any]:
        return (getattr(self.home, name) for name in self.names)

    def __getitem__(self, index: int | slice) -> Any:
        if isinstance(index, slice):
            return list(self)
        return getattr(self.home, self.names[index])

    def __setitem__(self, index: int | slice, value: Any) -> None:
        if isinstance(index, slice):
            for name, item in zip(self.names, list(value), strict=True):
                setattr(self.home, name, item)
        else:
            setattr(self.home, self.names[index], value)


def copy_of(source: Any) -> Any:
    """A new array or structure with the same values."""
    if isinstance(source, list | ImageRow):
        return [copy_of(value) for value in source]
    if not hasattr(source, "assign"):
        return source
    made = type(source)()
    made.assign(source)
    return made


def save_array(source: list[Any]) -> tuple[Any, ...]:
    """The snapshot of an array of arrays, structures or blocks."""
    return tuple(
        save_array(v) if isinstance(v, list) else v.snapshot() if hasattr(v, "snapshot") else v
        for v in source[:]  # a slice, as held elements show there what was written to them
    )


def load_array(target: list[Any], state: tuple[Any, ...]) -> None:
    """Restore an array from its snapshot."""
    for index, value in enumerate(state):
        current = target[index]
        if isinstance(current, list):
            load_array(current, value)
        elif hasattr(current, "restore"):
            current.restore(value)
        else:
            target[index] = value


def with_values(instance: Any, **values: Any) -> Any:
    """A structure or block with some initial values set."""
    for name, value in values.items():
        setattr(instance, name, value)
    return instance


def rotate(value: int, count: int, bits: int) -> int:
    """Bits moved left around the end; right for a negative count."""
    count %= bits
    mask = (1 << bits) - 1
    return (value << count | value >> (bits - count)) & mask


def shift_left(value: int, count: int, bits: int) -> int:
    """SHL; a negative count is a fault."""
    if count < 0:
        raise ScanFault(f"expected a shift from 0 up, got {count}")
    return value << count & (1 << bits) - 1 if count < bits else 0


def shift_right(value: int, count: int) -> int:
    """SHR; a negative count is a fault."""
    if count < 0:
        raise ScanFault(f"expected a shift from 0 up, got {count}")
    return value >> count


def square_root(value: float) -> float:
    """SQRT; a negative argument is a fault."""
    if value < 0.0:
        raise ScanFault(f"expected a number from 0 up under SQRT, got {value}")
    return math.sqrt(value)


def choose(index: int, *values: Any) -> Any:
    """MUX; an index outside is a fault."""
    if not 0 <= index < len(values):
        raise ScanFault(f"expected a MUX index between 0 and {len(values) - 1}, got {index}")
    return values[index]


def _wrapper(type_: ElementaryType) -> Any:
    low, size = type_.low, type_.high - type_.low + 1

    def wrap(value: int) -> int:
        return (value - low) % size + low

    return wrap


NAMESPACE: dict[str, Any] = {
    **python_library.NAMESPACE,
    "FAULTS": (ScanFault, ArithmeticError, ValueError),
    "inf": math.inf,
    "nan": math.nan,
    "to_real": to_real,
    "whole_to_real": whole_to_real,
    "idiv": divide,
    "imod": remainder,
    "fpow": power_of_reals,
    "ipow": power_of_integers,
    "exp": exponential,
    "root": math.sqrt,
    "sqrt": square_root,
    "isfinite": math.isfinite,
    "log": math.log,
    "log10": math.log10,
    "sin": math.sin,
    "cos": math.cos,
    "tan": math.tan,
    "asin": math.asin,
    "acos": math.acos,
    "atan": math.atan,
    "atan2": math.atan2,
    "out_of_range": out_of_range,
    "out_of_subrange": out_of_subrange,
    "over_budget": over_budget,
    "too_many_calls": too_many_calls,
    "attempt": attempt,
    "copy_array": copy_array,
    "copy_of": copy_of,
    "ImageRow": ImageRow,
    "save_array": save_array,
    "load_array": load_array,
    "with_values": with_values,
    "rotate": rotate,
    "shift_left": shift_left,
    "shift_right": shift_right,
    "choose": choose,
    **{
        f"wrap_{name}": _wrapper(type_)
        for name, type_ in ELEMENTARY_TYPES.items()
        if type_.bits > 1 and type_.kind.value not in ("real", "string")
    },
}
"""The global names of generated modules."""
