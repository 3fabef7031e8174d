"""Where the parts on a plant's carriers and tools are, and how they came there."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from softctl.errors import Problem, SoftctlError
from softctl.plant.wiring import Piece, Wiring

FLOOR = "floor"
_FIELDS = ("id", "kind", "defective", "weight", "length", "height", "place", "at_s")
Reader = Callable[[], tuple[Any, ...]]
ReaderOf = Callable[[Sequence[str]], Reader]


@dataclass(frozen=True, slots=True)
class Part:
    """One part: `number` is its own for good, `where` the equipment that has it.

    `place_m` is that of its middle along the way of a belt, `since_s` when it came there.
    """

    number: int
    kind: int
    is_defective: bool
    weight_kg: float
    length_m: float
    height_m: float
    where: str
    place_m: float
    since_s: float


@dataclass(frozen=True, slots=True)
class CarrierRow:
    """One carrier or tool for a status screen: a belt has a length and its parts.

    `count` is how many parts it has; bins only count theirs.
    """

    name: str
    count: int
    length_m: float
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Move:
    """A part came to a piece of equipment, or fell to the floor (`where` is "floor")."""

    at_s: float
    where: str


class PartFinder:
    """Reads the parts out of the blocks that hold them."""

    def __init__(self, wiring: Wiring, reader: ReaderOf) -> None:
        slots = list(_slots(wiring, reader))
        self._where = [name for name, _ in slots]
        self.numbers = reader([f"{slot}.id" for _, slot in slots])
        self._fields = reader([f"{slot}.{name}" for _, slot in slots for name in _FIELDS])

    def parts(self) -> list[Part]:
        """Every part that is on the machines, those of one piece from the front to the back."""
        values, width = self._fields(), len(_FIELDS)
        rows = zip(self._where, range(0, len(values), width), strict=True)
        found = [_part(where, *values[i : i + width]) for where, i in rows if values[i]]
        order = {name: i for i, name in enumerate(dict.fromkeys(self._where))}
        return sorted(found, key=lambda part: (order[part.where], -part.place_m))


def wrong_holders(wiring: Wiring, reader: ReaderOf) -> Iterator[Problem]:
    """Blocks whose `holds` names what is no part and no array of parts from 1 on."""
    for piece in wiring.pieces.values():
        for name in piece.block.holds:
            slot = f"{piece.name}.{name}"
            try:
                found = reader([slot])()[0]
                last = f"{slot}[{len(found)}]" if isinstance(found, list) else slot
                reader([f"{last}.at_s"])
            except SoftctlError:
                what = f"a {piece.block.name} with a part, or parts from 1 on, in {name}"
                yield Problem(f"expected {what}", piece.equipment.type_place)


def carrier_rows(wiring: Wiring, reader: ReaderOf, parts: Sequence[Part]) -> list[CarrierRow]:
    """Every piece that can have parts, in the file's order; `parts` are those found."""
    rows = []
    for piece in wiring.pieces.values():
        if piece.block.holds or _is_bin(piece):
            here = tuple(part for part in parts if part.where == piece.name)
            has_way = "room" in piece.block.outputs and "length" in piece.figures
            length_m = piece.figures["length"] if has_way else 0.0
            count = reader([f"{piece.name}.count"])()[0] if _is_bin(piece) else len(here)
            rows.append(CarrierRow(piece.name, int(count), length_m, here))
    return rows


class PartTrace:
    """Every part that was seen since the trace began, with its moves."""

    def __init__(self, wiring: Wiring, reader: ReaderOf) -> None:
        self._finder = PartFinder(wiring, reader)
        pieces = wiring.pieces.values()
        self._bins = [_Bin(piece.name, reader) for piece in pieces if _is_bin(piece)]
        self._received = reader([f"{one.name}.received" for one in self._bins])
        self._taken = self._received()
        self._numbers: tuple[Any, ...] = ()
        self._parts: dict[int, Part] = {}
        self._moves: dict[int, tuple[Move, ...]] = {}
        self.note(0.0)

    @property
    def parts(self) -> Mapping[int, Part]:
        """The parts by number, as they were when they last came to a piece of equipment."""
        return self._parts

    def moves(self, number: int) -> tuple[Move, ...]:
        """Where a part was, from its first place on; nothing for an unknown one."""
        return self._moves.get(number, ())

    def note(self, now_s: float) -> None:
        """Record what the last step has moved; `now_s` is its end."""
        numbers, received = self._finder.numbers(), self._received()
        if numbers == self._numbers and received == self._taken:
            return
        gone = set(self._numbers) - set(numbers)
        for bin_, before, after in zip(self._bins, self._taken, received, strict=True):
            for part in bin_.came(before, after, self._parts):
                self._came(part)
                gone.discard(part.number)
        for part in self._finder.parts():
            self._came(part)
        for number in gone:
            self._came(_moved(self._parts[number], FLOOR, now_s))
        self._numbers, self._taken = numbers, received

    def _came(self, part: Part) -> None:
        known = self._parts.get(part.number)
        if known is None or known.where != part.where:
            self._parts[part.number] = part
            moves = self._moves.get(part.number, ())
            self._moves[part.number] = (*moves, Move(part.since_s, part.where))

    def copy(self) -> tuple[Any, ...]:
        """The trace's content, for `restore`."""
        return self._taken, self._numbers, dict(self._parts), dict(self._moves)

    def restore(self, content: tuple[Any, ...]) -> None:
        """Go back to a copied content."""
        self._taken, self._numbers, parts, moves = content
        self._parts, self._moves = dict(parts), dict(moves)


class _Bin:
    """A block that takes parts for good, and shows the numbers of the last ones."""

    def __init__(self, name: str, reader: ReaderOf) -> None:
        self.name = name
        self._history = reader([f"{name}.history"])
        self._last = reader([f"{name}.last.{field}" for field in _FIELDS])

    def came(self, before: int, after: int, known: Mapping[int, Part]) -> Iterable[Part]:
        """The parts that came between two counts; the times of all are that of the last."""
        if after == before:
            return
        history = self._history()[0]
        last = _part(self.name, *self._last())
        for count in range(max(before, after - len(history)), after):
            number = int(history[count % len(history)])
            part = known.get(number, last)
            yield last if number == last.number else _moved(part, self.name, last.since_s)


def _slots(wiring: Wiring, reader: ReaderOf) -> Iterable[tuple[str, str]]:
    """Each variable that may hold a part, with the equipment that it belongs to."""
    for index, piece in enumerate(wiring.order):
        for name in piece.block.holds:
            slot = f"{piece.name}.{name}"
            found = reader([slot])()[0]
            items = range(1, len(found) + 1) if isinstance(found, list) else ()
            yield from ((piece.name, f"{slot}[{i}]") for i in items)
            if not items:
                yield piece.name, slot
        receiver = piece.neighbours.get("to")
        if receiver and any(one is receiver for one in wiring.order[: index + 1]):
            # In a ring, what is handed to a piece that was called before waits for a step.
            yield receiver.name, f"{piece.name}.out"


def _is_bin(piece: Piece) -> bool:
    return {"received", "history", "last"} <= set(piece.block.outputs)


def _part(where: str, number: int, kind: int, is_defective: bool, *figures: float) -> Part:
    weight, length, height, place, at_s = figures
    return Part(number, kind, is_defective, weight, length, height, where, place, at_s)


def _moved(part: Part, where: str, at_s: float) -> Part:
    return Part(
        part.number,
        part.kind,
        part.is_defective,
        part.weight_kg,
        part.length_m,
        part.height_m,
        where,
        0.0,
        at_s,
    )
