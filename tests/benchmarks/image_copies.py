"""Copies between points and a bank, against a loop that decodes and encodes each point.

    python tests/benchmarks/image_copies.py [REPEATS]

Both sides do the same work on the same 1,000 points in the same run, in turns, and are
checked to have the same result. The loop is what one writes first: for every point and
every scan, `decode` or `encode` of its bytes. Figures are microseconds per 1,000 points,
the median of the repeats; the ratio is what counts, since a busy machine slows both.
"""

from __future__ import annotations

import statistics
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from time import perf_counter_ns

from softctl.image import Side, extents, point_reader, point_writer
from softctl.machine import Machine, Point, Value, parse_machine
from softctl.modbus.bank import Bank
from softctl.values.registers import decode, encode
from softctl.values.scaling import Scaling
from softctl.values.types import round_to_real

COUNT = 1_000
NUMBERS = ("INT", "UINT", "DINT", "UDINT", "REAL", "LREAL", "TIME", "WORD", "LINT", "USINT")


@dataclass(frozen=True)
class Case:
    """Points of one side, and two sets of values that differ everywhere."""

    name: str
    machine: Machine
    side: Side
    first: list[Value]
    second: list[Value]

    @property
    def points(self) -> list[Point]:
        return [point for name, point in self.machine.points.items() if name.startswith("P_")]


def cases() -> list[Case]:
    """Contacts and analog channels of cards, and numbers of an HMI map in two word orders."""
    contacts = _machine(
        [f"P_{i}: {{card: C_{i // 500}, true_when: {('closed', 'open')[i % 2]}}}" for i in _all()],
        [f"C_{c}: {{kind: digital input, channels: 500}}" for c in range(2)],
    )
    channels = _machine(
        [f"P_{i}: {{card: C_{i // 500}, unit: m, range: [0, 2], hmi: false}}" for i in _all()],
        [f"C_{c}: {{kind: analog input, channels: 500}}" for c in range(2)],
    )
    numbers = [f"P_{i}: {{role: state, type: {NUMBERS[i % len(NUMBERS)]}}}" for i in _all()]
    bits = [bool(i % 3) for i in _all()]
    levels = [round_to_real(i / 500) for i in _all()]
    plain: list[Value] = [_number(i, 0) for i in _all()]
    other: list[Value] = [_number(i, 1) for i in _all()]
    return [
        Case("contacts", contacts, Side.FIELD, [*bits], [not bit for bit in bits]),
        Case("analog channels", channels, Side.FIELD, [*levels], [*reversed(levels)]),
        Case("numbers ABCD", _machine(numbers, []), Side.HMI, plain, other),
        Case("numbers CDAB", _machine(numbers, [], "CDAB"), Side.HMI, plain, other),
    ]


def _all() -> range:
    return range(COUNT)


def _number(index: int, step: int) -> Value:
    name = NUMBERS[index % len(NUMBERS)]
    if name in ("REAL", "LREAL"):
        return index / 8 + step
    return (index + step) * 1_000_000 if name == "TIME" else index % 200 + step


def _machine(points: Sequence[str], cards: Sequence[str], order: str = "ABCD") -> Machine:
    lines = [
        "name: copies",
        "programs: [none.st]",
        "field: {port: 0}",
        f"hmi: {{port: 0, word_order: {order}}}",
        "cards:",
        *(f"  {card}" for card in cards),
        "points:",
        *(f"  {point}" for point in points),
    ]
    return parse_machine("\n".join(lines) + "\n", "copies.yaml")


@dataclass(frozen=True, slots=True)
class Place:
    """What the loop looks up beforehand about a point."""

    memory: bytearray
    start: int
    end: int
    point: Point
    scaling: Scaling | None


class Loop:
    """The peer: each point by itself, by the one-value functions, every time."""

    def __init__(self, bank: Bank, case: Case) -> None:
        self.order = case.machine.hmi.word_order
        self.places = [_place(bank, case.side, point) for point in case.points]
        self.are_bits = case.side.address(case.points[0]).table.is_bits

    def read(self) -> tuple[Value, ...]:
        if self.are_bits:
            return tuple([bool(p.memory[p.start]) is not p.point.inverted for p in self.places])
        return tuple([self._read(place) for place in self.places])

    def write(self, values: Sequence[Value]) -> None:
        if self.are_bits:
            for place, value in zip(self.places, values, strict=True):
                place.memory[place.start] = bool(value) is not place.point.inverted
            return
        for place, value in zip(self.places, values, strict=True):
            place.memory[place.start : place.end] = self._encode(place, value)

    def _read(self, place: Place) -> Value:
        raw = bytes(place.memory[place.start : place.end])
        if place.scaling is not None:
            counts = int.from_bytes(raw, "big", signed=True)
            return round_to_real(place.scaling.from_raw(counts))
        return decode(raw, place.point.type, self.order)

    def _encode(self, place: Place, value: Value) -> bytes:
        if place.scaling is not None:
            return place.scaling.to_raw(float(value)).to_bytes(2, "big", signed=True)
        return encode(value, place.point.type, self.order)


def _place(bank: Bank, side: Side, point: Point) -> Place:
    address = side.address(point)
    width = 1 if address.table.is_bits else 2
    scaling = _scaling(point) if side is Side.FIELD and width == 2 else None
    memory = bank.area(address.table).memory
    return Place(memory, width * address.address, width * address.end, point, scaling)


def _scaling(point: Point) -> Scaling:
    assert point.low is not None
    assert point.high is not None
    assert point.raw is not None
    return Scaling(point.low, point.high, *point.raw)


def measure(repeats: int) -> dict[str, tuple[float, float]]:
    """Microseconds of the loop and of the copies, for each kind of work.

    Raises AssertionError when the two do not agree on bytes and values.
    """
    figures = {}
    for case in cases():
        for name, works in _works(case).items():
            times: tuple[list[float], list[float]] = ([], [])
            for _ in range(repeats):
                for work, own in zip(works, times, strict=True):
                    started_ns = perf_counter_ns()
                    work()
                    own.append((perf_counter_ns() - started_ns) / 1e3)
            figures[f"{case.name}, {name}"] = tuple(map(statistics.median, times))
    return figures  # type: ignore[return-value]


Work = Callable[[], object]


def _works(case: Case) -> dict[str, tuple[Work, Work]]:
    """By kind of work: what the loop does, and what the copies do."""
    ranges = extents(case.machine, case.side)
    banks = [Bank(ranges), Bank(ranges)]
    loop = Loop(banks[0], case)
    read = point_reader(banks[1], case.machine, case.points, case.side, wired=True)
    write = point_writer(banks[1], case.machine, case.points, case.side, wired=True)
    _require_same(case, banks, loop, read, write)
    one = [*case.first]
    one[COUNT // 2] = case.second[COUNT // 2]
    return {
        "read, all changed": (
            _alternating(loop.write, case.first, case.second, loop.read, banks[0]),
            _alternating(write, case.first, case.second, read, banks[1]),
        ),
        "read, none changed": (loop.read, read),
        "write, all changed": (
            _by_turns(loop.write, case.first, case.second),
            _by_turns(write, case.first, case.second),
        ),
        "write, one changed": (
            _by_turns(loop.write, case.first, one),
            _by_turns(write, case.first, one),
        ),
    }


def _require_same(
    case: Case,
    banks: Sequence[Bank],
    loop: Loop,
    read: Callable[[], tuple[Value, ...]],
    write: Callable[[Sequence[Value]], None],
) -> None:
    for values in (case.first, case.second):
        loop.write(values)
        write(values)
        for table in extents(case.machine, case.side):
            assert banks[0].area(table).memory == banks[1].area(table).memory
        assert read() == loop.read()


def _by_turns(
    write: Callable[[Sequence[Value]], None], first: Sequence[Value], second: Sequence[Value]
) -> Work:
    turn = [first, second]

    def work() -> None:
        turn.reverse()
        write(turn[0])

    return work


def _alternating(
    write: Callable[[Sequence[Value]], None],
    first: Sequence[Value],
    second: Sequence[Value],
    read: Work,
    bank: Bank,
) -> Work:
    """A read of memory that is another one each time, put there whole."""
    images = []
    for values in (first, second):
        write(values)
        images.append({table: bytes(bank.area(table).memory) for table in bank.extents})

    def work() -> object:
        images.reverse()
        for table, image in images[0].items():
            bank.area(table).memory[:] = image
        return read()

    return work


def main() -> None:
    """Print figures and ratios."""
    figures = measure(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
    print(f"{'us per 1,000 points':<40} {'loop':>8} {'copies':>8} {'ratio':>7}")
    for name, (loop, copies) in figures.items():
        print(f"{name:<40} {loop:8.1f} {copies:8.1f} {loop / copies:7.1f}")


if __name__ == "__main__":
    main()
