"""Readers and writers of many points at once.

The field side knows wiring (a contact that is open for TRUE) and raw counts; the HMI side
knows word order, scale and registers of bits. A reader gives a tuple of values in the order
of its points, a writer takes one.

What a scan pays is kept in C: a reader compares the memory with the last one it saw, and
unpacks a whole table in one call; a writer finds what changed in one pass. Python runs
only for the values that changed and have to be converted.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import compress
from operator import and_, itemgetter, ne

from softctl.image.cells import Cell, FromWire, cell
from softctl.image.generated import Convert, from_counts, to_counts
from softctl.image.sides import Side
from softctl.machine import Machine, Point, Value
from softctl.modbus.bank import Bank

Reader = Callable[[], tuple[Value, ...]]
Writer = Callable[[Sequence[Value]], None]

Picker = Callable[[Sequence[Value] | bytearray], tuple[Value, ...]]

_UNFIT = (ValueError, OverflowError, struct.error)


Banks = Bank | Mapping[int, Bank]
"""One bank, or the field's by unit id."""


def point_reader(
    bank: Banks, machine: Machine, points: Sequence[Point], side: Side, *, wired: bool
) -> Reader:
    """A function that reads the values of `points` from `bank`, or from their units' banks.

    `wired` says that the reader stands behind the wiring, as a program does, and sees a
    BOOL point's meaning; without it the electrical state is read, as a terminal has it.
    """
    cells = [_cell(bank, machine, point, side, wired=wired) for point in points]
    parts = list(_parts(cells))
    arrange = _arranger([index for part in parts for index in part.indices])
    places = [(part, part.memory, part.span) for part in parts]
    values: tuple[Value, ...] = ()

    def read() -> tuple[Value, ...]:
        nonlocal values
        has_changed = False
        for part, memory, span in places:
            now = memory[span]
            if now != part.last:
                part.last = now
                part.values = part.decode(now)
                has_changed = True
        if has_changed:
            found: list[Value] = []
            for part in parts:
                found += part.values
            values = arrange(tuple(found))
        return values

    return read


def point_writer(
    bank: Banks,
    machine: Machine,
    points: Sequence[Point],
    side: Side,
    *,
    wired: bool,
    in_si: bool = False,
) -> Writer:
    """A function that writes the values of `points` into `bank`; see `point_reader`.

    It touches what differs from its last values (a zero's sign is no difference); the bits
    of a table go together, and a tuple that equals the last one is done with at once. A value
    that its registers cannot hold becomes the nearest that they can, so that there is always
    something to show. With `in_si` values are in SI units, as a terminal has them; that goes
    for the field side only. The function raises ValueError for a wrong number of values.
    """
    cells = [_cell(bank, machine, point, side, wired=wired) for point in points]
    assert side is Side.FIELD or not in_si
    parts = list(_writing_parts(cells, in_si=in_si))
    count = len(cells)
    last: Sequence[Value] | None = None

    def write(values: Sequence[Value]) -> None:
        nonlocal last
        if values == last:
            return
        if len(values) != count:
            raise ValueError(f"expected {count} values, got {len(values)}")
        for part in parts:
            part(values)
        last = values if isinstance(values, tuple) else None  # a list may be another one later

    return write


def _cell(banks: Banks, machine: Machine, point: Point, side: Side, *, wired: bool) -> Cell:
    bank = banks if isinstance(banks, Bank) else banks[machine.field_unit(point)]
    return cell(bank, machine, point, side, wired=wired)


def point_setter(
    bank: Bank, machine: Machine, point: Point, side: Side
) -> Callable[[Value], object]:
    """A function that puts a value that fits into one point's place, whatever is there."""
    return cell(bank, machine, point, side, wired=True).setter()


def _writing_parts(cells: Sequence[Cell], *, in_si: bool) -> Iterable[Writer]:
    """The cells in groups that are written alike: bits and counts of one table, and all else."""
    bits: dict[int, list[int]] = {}
    counts: dict[tuple[int, bool], list[int]] = {}
    others = []
    for index, one in enumerate(cells):
        if one.mask and not one.shared:
            bits.setdefault(id(one.memory), []).append(index)
        elif one.scaling is not None and not one.is_swapped:
            counts.setdefault((id(one.memory), one.is_little), []).append(index)
        else:
            others.append(index)
    for indices in bits.values():
        indices.sort(key=lambda index: cells[index].start)
        yield _bits_writer([cells[index] for index in indices], _picker(indices))
    for indices in counts.values():
        indices.sort(key=lambda index: cells[index].start)
        chosen = [cells[index] for index in indices]
        yield _counts_writer(chosen, _picker(indices), to_counts(chosen, in_si=in_si))
    if others:
        yield _cells_writer([cells[index] for index in others], _picker(others))


def _bits_writer(cells: Sequence[Cell], pick: Picker) -> Writer:
    """Bits of one table, in the order of their addresses: one assignment for each run."""
    memory = cells[0].memory
    inverted = [one.inverted for one in cells]
    runs = [(cells[first].start, first, end) for first, end in _runs(cells)]

    def put(values: tuple[Value, ...]) -> None:
        bits = bytes(map(ne, values, inverted))
        for address, first, end in runs:
            memory[address : address + end - first] = bits[first:end]

    return _when_changed(pick, put)


def _counts_writer(cells: Sequence[Cell], pick: Picker, encode: Convert) -> Writer:
    """Scaled values in the order of their addresses: one call for each run of registers."""
    memory = cells[0].memory
    order = "<" if cells[0].is_little else ">"
    runs = []
    for first, end in _runs(cells):
        form = struct.Struct(order + "".join(one.code for one in cells[first:end]))
        runs.append((form.pack_into, cells[first].start, first, end))

    def put(values: tuple[Value, ...]) -> None:
        counts = encode(values)
        for pack_into, start, first, end in runs:
            pack_into(memory, start, *counts[first:end])

    return _when_changed(pick, put)


def _when_changed(pick: Picker, put: Callable[[tuple[Value, ...]], None]) -> Writer:
    """Puts what is picked, unless it is what was put last."""
    last: tuple[Value, ...] = ()

    def write(values: Sequence[Value]) -> None:
        nonlocal last
        now = pick(values)
        if now != last:
            last = now
            put(now)

    return write


def _runs(cells: Sequence[Cell]) -> Iterable[tuple[int, int]]:
    """(first position, position behind the last) of each run without a gap."""
    first = 0
    for position in range(1, len(cells) + 1):
        if position == len(cells) or cells[position].start != cells[position - 1].end:
            yield first, position
            first = position


def _cells_writer(cells: Sequence[Cell], pick: Picker) -> Writer:
    """Values one by one, but only those that changed."""
    setters = [one.setter() for one in cells]
    last: list[object] = [_Unset()] * len(cells)
    positions = range(len(cells))

    def write(values: Sequence[Value]) -> None:
        now = pick(values)
        for position in compress(positions, map(ne, now, last)):
            value = now[position]
            try:
                setters[position](value)
            except _UNFIT:
                setters[position](cells[position].nearest(value))
            last[position] = value

    return write


class _Unset:
    """Differs from every value."""


class _Part:
    """Some of a reader's cells, in one memory: `values` are theirs, in the order of `indices`.

    They are what `decode` makes of `last`, the bytes of the span.
    """

    __slots__ = ("decode", "indices", "last", "memory", "span", "values")

    def __init__(
        self,
        cells: Sequence[Cell],
        indices: Sequence[int],
        decoder: Callable[[Sequence[Cell], int], Callable[[bytearray], tuple[Value, ...]]],
    ) -> None:
        self.indices = indices
        self.values: tuple[Value, ...] = ()
        self.memory = cells[0].memory
        start = min(one.start for one in cells)
        self.span = slice(start, max(one.end for one in cells))
        self.last: bytearray | None = None
        self.decode = decoder(cells, start)


def _parts(cells: Sequence[Cell]) -> Iterable[_Part]:
    """The cells in groups that are read with one call each."""
    groups: dict[tuple[int, bool, bool, bool, bool], list[int]] = {}
    for index, one in enumerate(cells):
        is_scaled = one.scaling is not None
        key = (id(one.memory), bool(one.mask), is_scaled, one.is_swapped, one.is_little)
        groups.setdefault(key, []).append(index)
    for (_, are_bits, *_), indices in groups.items():
        indices.sort(key=lambda index: cells[index].start)
        chosen = [cells[index] for index in indices]
        yield _Part(chosen, indices, _bits_decoder if are_bits else _struct_decoder)


def _bits_decoder(cells: Sequence[Cell], start: int) -> Callable[[bytearray], tuple[Value, ...]]:
    """All bits of one memory in a few calls into C: at 1,000 points this is what a scan pays."""
    pick = _picker([one.start - start for one in cells])
    inverted = [one.inverted for one in cells]
    masks = [one.mask for one in cells]
    if not cells[0].shared:
        return lambda memory: tuple(map(ne, pick(memory), inverted))
    return lambda memory: tuple(map(bool, map(and_, pick(memory), masks)))


def _struct_decoder(cells: Sequence[Cell], start: int) -> Callable[[bytearray], tuple[Value, ...]]:
    unpack = _unpacker(cells, start)
    if cells[0].scaling is not None:
        scaled = from_counts(cells)
        return lambda memory: scaled(unpack(memory))
    convert = _converter([one.from_wire() for one in cells])
    return unpack if convert is None else lambda memory: convert(unpack(memory))


def _unpacker(cells: Sequence[Cell], start: int) -> Callable[[bytearray], tuple[Value, ...]]:
    """One struct over all the cells, which lie one behind the other, with padding between."""
    form = "<" if cells[0].is_little else ">"
    for one in cells:
        form += f"{one.start - start}x{one.code}"
        start = one.end
    unpack = struct.Struct(form).unpack
    if not cells[0].is_swapped:
        return unpack

    def unpack_swapped(memory: bytearray) -> tuple[Value, ...]:
        swapped = bytearray(len(memory))
        swapped[::2], swapped[1::2] = memory[1::2], memory[::2]
        return unpack(swapped)

    return unpack_swapped


def _converter(
    converters: Sequence[FromWire | None],
) -> Callable[[tuple[Value, ...]], tuple[Value, ...]] | None:
    """What turns struct's values into points', converting only those that changed."""
    chosen = [index for index, convert in enumerate(converters) if convert is not None]
    if not chosen:
        return None
    functions = [convert for convert in converters if convert is not None]
    pick = _picker(chosen)
    last: list[object] = [None] * len(chosen)
    converted: list[Value] = [0] * len(chosen)
    positions = range(len(chosen))

    def convert_changed(raw: tuple[Value, ...]) -> tuple[Value, ...]:
        picked = pick(raw)
        for position in compress(positions, map(ne, picked, last)):
            converted[position] = functions[position](picked[position])
        last[:] = picked
        values = list(raw)
        for index, value in zip(chosen, converted, strict=True):
            values[index] = value
        return tuple(values)

    if len(chosen) < len(converters):
        return convert_changed

    def convert_all(raw: tuple[Value, ...]) -> tuple[Value, ...]:
        for position in compress(positions, map(ne, raw, last)):
            converted[position] = functions[position](raw[position])
        last[:] = raw
        return tuple(converted)

    return convert_all


def _arranger(indices: Sequence[int]) -> Callable[[tuple[Value, ...]], tuple[Value, ...]]:
    """What brings values, the first of which is the one of `indices[0]`, into order."""
    places = sorted(range(len(indices)), key=indices.__getitem__)
    if places == list(range(len(indices))):
        return _same
    return _picker(places)


def _same(values: tuple[Value, ...]) -> tuple[Value, ...]:
    return values


def _picker(indices: Sequence[int]) -> Picker:
    """As itemgetter, but always a tuple."""
    if len(indices) == 1:
        (index,) = indices
        return lambda values: (values[index],)
    return itemgetter(*indices)
