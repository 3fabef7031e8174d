"""Joins the machine file's equipment: parameters, references, neighbours."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import takewhile

from softctl.errors import Place, Problem
from softctl.machine import Equipment, Machine, Scalar
from softctl.plant.blocks import ROLES, BlockType, Input, Wire
from softctl.plant.values import literal, shown, suggestion

_REFERENCE = re.compile(r"\s*([A-Za-z_]\w*)\.([A-Za-z_]\w*)\s*")


@dataclass(slots=True)
class Piece:
    """One piece of equipment with everything that goes into its block.

    `constants` are literals by the input's name, `figures` the same in SI where they are
    numbers, `references` ports of other pieces, `neighbours` pieces by the key that names
    them.
    """

    name: str
    block: BlockType
    equipment: Equipment
    constants: dict[str, str] = field(default_factory=dict)
    figures: dict[str, float] = field(default_factory=dict)
    references: dict[str, tuple[Piece, str]] = field(default_factory=dict)
    neighbours: dict[str, Piece] = field(default_factory=dict)

    def sets(self, name: str) -> bool:
        """True when the machine file says what goes into the input."""
        return name in self.constants or name in self.references


class Wiring:
    """All pieces, resolved: `pieces` by lower-case name, in the file's order.

    `order` is that of their calls, by roles. A carrier that gives to another comes before
    it, so that a part is in one place at a step's end; a ring is cut where the file starts it.
    """

    def __init__(self, pieces: Mapping[str, Piece]) -> None:
        self.pieces = pieces
        downstream = _depths(pieces.values())
        self.order = sorted(
            pieces.values(),
            key=lambda piece: (ROLES.index(piece.block.role), -downstream[piece.name]),
        )
        self._naming: dict[tuple[str, str], list[Piece]] = {}
        self._drawing: dict[str, list[tuple[Piece, Input]]] = {}
        for piece in self.order:
            for key, other in piece.neighbours.items():
                self._naming.setdefault((other.name, key), []).append(piece)
            for port in piece.block.draws():
                vessel = piece.neighbours.get(port.wire.key) if port.wire else None
                if vessel:
                    self._drawing.setdefault(vessel.name, []).append((piece, port))

    def naming(self, piece: Piece, key: str) -> list[Piece]:
        """The pieces whose `key` names a piece, in the order of their calls."""
        return self._naming.get((piece.name, key), [])

    def drawing_before(self, piece: Piece, vessel: Piece) -> list[tuple[Piece, Input]]:
        """The lines called before a piece that draw from a vessel, each with its input."""
        drawing = self._drawing.get(vessel.name, [])
        return list(takewhile(lambda one: one[0] is not piece, drawing))


def wire(machine: Machine, types: Mapping[str, BlockType], problems: list[Problem]) -> Wiring:
    """Resolve every piece of equipment; what is wrong is added to `problems`.

    Equipment of an unknown type is left out.
    """
    pieces: dict[str, Piece] = {}
    for equipment in machine.equipment.values():
        block = types.get(equipment.type.lower())
        if block is not None:
            pieces[equipment.name.lower()] = Piece(equipment.name, block, equipment)
    for piece in pieces.values():
        _Resolver(machine, pieces, piece, problems).run()
    for piece in pieces.values():
        problems += _over_limits(piece)
    wiring = Wiring(pieces)
    problems += _surplus(wiring)
    return wiring


def _depths(pieces: Iterable[Piece]) -> dict[str, int]:
    """How many carriers a part passes from each carrier on; 0 for everything else."""
    depths: dict[str, int] = {}
    for piece in pieces:
        chain: list[Piece] = []
        here: Piece | None = piece
        while here and here.block.role == "carrier" and here.name not in depths:
            depths[here.name] = 0
            chain.append(here)
            here = here.neighbours.get("to")
        below = depths.get(here.name, 0) if here else 0
        for i, one in enumerate(reversed(chain), 1):
            depths[one.name] = below + i
        depths.setdefault(piece.name, 0)
    return depths


def _surplus(wiring: Wiring) -> Iterator[Problem]:
    """More neighbours than a block has room for."""
    for piece in wiring.order:
        keys = {port.each.key: port.size for port in piece.block.inputs.values() if port.each}
        for key, size in keys.items():
            naming = wiring.naming(piece, key)
            if len(naming) > size:
                place = naming[size].equipment.parameters[key].place
                message = f"expected at most {size} pieces with {key}: {piece.name}"
                yield Problem(f"{message}, got {len(naming)}", place)


def _over_limits(piece: Piece) -> Iterator[Problem]:
    """Figures above what the piece itself, or its neighbour, has room for."""
    given = {key.lower(): scalar for key, scalar in piece.equipment.parameters.items()}
    for port in piece.block.inputs.values():
        if port.at_most and port.name in piece.figures:
            limit = _limit(piece, port)
            if limit and piece.figures[port.name] > limit[2]:
                owner, name, most = limit
                unit = f" {port.unit}" if port.unit not in (None, "1") else ""
                yield Problem(
                    f"expected {port.key} at most {most:g}{unit}, the {name} of {owner.name}; "
                    f"got {piece.figures[port.name]:g}{unit}",
                    given[port.key.lower()].place,
                    hint=f"lower {port.key} of {piece.name}, or raise the {name} of {owner.name}",
                )


def _limit(piece: Piece, port: Input) -> tuple[Piece, str, float] | None:
    """The first of the limits that the machine file gives: whose, its name, its figure."""
    for text in port.at_most:
        key, dot, name = text.rpartition(".")
        owner = piece.neighbours.get(key) if dot else piece
        if owner is not None and name in owner.figures:
            return owner, owner.block.inputs[name.lower()].key, owner.figures[name]
    return None


class _Resolver:
    """Works through the parameters of one piece."""

    def __init__(
        self,
        machine: Machine,
        pieces: Mapping[str, Piece],
        piece: Piece,
        problems: list[Problem],
    ) -> None:
        self.machine = machine
        self.pieces = pieces
        self.piece = piece
        self.block = piece.block
        self.problems = problems
        self.inputs: dict[str, list[Input]] = {}
        for port in piece.block.inputs.values():
            if port.is_open:
                self.inputs.setdefault(port.key.lower(), []).append(port)

    def fail(self, message: str, place: Place, hint: str = "") -> None:
        self.problems.append(Problem(message, place, hint=hint))

    def run(self) -> None:
        for key, scalar in self.piece.equipment.parameters.items():
            if key in self.block.keys:
                self._neighbour(key, scalar)
            elif key.lower() in self.inputs:
                self._parameter(self.inputs[key.lower()], scalar)
            else:
                known = self.block.parameter_keys()
                self.fail(
                    f"expected a parameter of a {self.block.name} ({', '.join(known)}), got {key}",
                    scalar.place,
                    suggestion(key, known),
                )
        self._missing()
        self._compare()

    # Neighbours

    def _neighbour(self, key: str, scalar: Scalar) -> None:
        other = self._piece(str(scalar.value), scalar.place, f"an equipment's name for {key}")
        if other is None:
            return
        lacks = self._lacks(key, other)
        if lacks:
            self.fail(
                f"expected an equipment for {key} that has {', '.join(lacks)}, "
                f"got {other.name}, a {other.block.name}",
                scalar.place,
            )
        else:
            self.piece.neighbours[key] = other

    def _lacks(self, key: str, other: Piece) -> list[str]:
        """What a neighbour would need and has not."""
        lacks = [
            port.wire.port
            for port in self.block.inputs.values()
            if port.wire
            and port.wire.key == key
            and not port.optional
            and not other.block.has_port(port.wire.port)
        ]
        wires = any(port.wire and port.wire.key == key for port in self.block.inputs.values())
        if not lacks and (self.block.role == "line" or not wires):
            ports = other.block.inputs.values()
            takes = any(wire.key == key for port in ports if (wire := port.sum or port.each))
            return [] if takes else [f"a connection for {key}"]
        return lacks

    def _piece(self, name: str, place: Place, expected: str) -> Piece | None:
        found = self.pieces.get(name.strip().lower())
        if found is None and name.strip().lower() not in _lower(self.machine.equipment):
            names = [equipment.name for equipment in self.machine.equipment.values()]
            self.fail(f"expected {expected}, got {name}", place, suggestion(name, names))
        return found

    # Parameters

    def _parameter(self, ports: list[Input], scalar: Scalar) -> None:
        if ports[0].item:
            self._list(ports, scalar)
        elif ports[0].species:
            self._species(ports, scalar)
        else:
            self._value(ports[0], scalar)

    def _list(self, ports: list[Input], scalar: Scalar) -> None:
        items = scalar.value
        if not isinstance(items, tuple) or len(items) != len(ports):
            self.fail(f"expected a list of {len(ports)} items, got {shown(scalar)}", scalar.place)
            return
        for port in ports:
            self._value(port, items[port.item - 1])

    def _species(self, ports: list[Input], scalar: Scalar) -> None:
        if not isinstance(scalar.value, Mapping):
            message = f"expected a mapping of species to concentrations, got {shown(scalar)}"
            self.fail(message, scalar.place)
            return
        known = self.machine.species
        for name, figure in scalar.value.items():
            if name not in known:
                names = ", ".join(known) or "none"
                message = f"expected one of the machine's species ({names}), got {name}"
                self.fail(message, figure.place, suggestion(name, known))
            for port in ports:
                if name in known and known.index(name) == port.species - 1:
                    self._value(port, figure)

    def _value(self, port: Input, scalar: Scalar) -> None:
        match = _REFERENCE.fullmatch(scalar.value) if isinstance(scalar.value, str) else None
        if match:
            self._reference(port, match[1], match[2], scalar.place)
            return
        try:
            text, figure = literal(port, scalar)
        except ValueError as error:
            self.fail(str(error), scalar.place)
            # A bad value is not also a missing one.
            self.piece.constants.setdefault(port.name, "")
            return
        self.piece.constants[port.name] = text
        if figure is not None:
            self.piece.figures[port.name] = figure

    def _reference(self, port: Input, name: str, terminal: str, place: Place) -> None:
        other = self._piece(name, place, f"a value or EQUIPMENT.PORT for {port.key}")
        if other is None:
            return
        if not other.block.has_port(terminal.lower()):
            names = [output.name for output in other.block.outputs.values()]
            self.fail(
                f"expected a port of {other.name} ({', '.join(names)}), got {terminal}",
                place,
                suggestion(terminal, names),
            )
            return
        source = port_type(other.block, terminal)
        if source != port.type:
            message = f"expected a {port.type} for {port.key}, got {name}.{terminal}, a {source}"
            self.fail(message, place)
            return
        self.piece.references[port.name] = (other, terminal)

    def _missing(self) -> None:
        given = {key.lower() for key in self.piece.equipment.parameters}
        place = self.piece.equipment.place
        for key in self.block.keys:
            if key.lower() not in given:
                self.fail(f"expected {key}: a {self.block.name} needs it, got none", place)
        for key, ports in self.inputs.items():
            if key not in given and any(port.required for port in ports):
                self.fail(f"expected {ports[0].key}: a {self.block.name} needs it, got none", place)
        for port in self.block.inputs.values():
            self._asked(port, given)
            self._idle(port, given)
        self._choose(given, place)

    def _idle(self, port: Input, given: set[str]) -> None:
        """A key that says nothing, since those that it goes with are not all there."""
        lacking = [key for key in port.goes_with if key.lower() not in given]
        for key, scalar in self.piece.equipment.parameters.items():
            if lacking and key.lower() == port.key.lower():
                self.fail(
                    f"expected {key} only with {' and '.join(port.goes_with)}, got it without "
                    f"{' and '.join(lacking)}",
                    scalar.place,
                )

    def _asked(self, port: Input, given: set[str]) -> None:
        """A word that asks for another key, which is not there."""
        if not port.asks:
            return
        asked, *words = port.asks
        for key, scalar in self.piece.equipment.parameters.items():
            is_asking = key.lower() == port.key.lower() and str(scalar.value).lower() in words
            if is_asking and asked.lower() not in given:
                self.fail(
                    f"expected {asked} as well: {key} {scalar.value} needs it, got none",
                    scalar.place,
                )

    def _choose(self, given: set[str], place: Place) -> None:
        """One of the block's alternative sets of parameters, whole and alone."""
        sets = self.block.one_of
        among = dict.fromkeys(key for keys in sets for key in keys)
        chosen = [key for key in among if key in given]
        if sets and set(chosen) not in [set(keys) for keys in sets]:
            expected = " or ".join(" with ".join(keys) for keys in sets)
            self.fail(f"expected {expected}, got {' with '.join(chosen) or 'none'}", place)

    def _compare(self) -> None:
        figures = self.piece.figures
        for port in self.block.inputs.values():
            for name, sign, word in ((port.above, 1, "above"), (port.below, -1, "below")):
                if not name or port.name not in figures or name not in figures:
                    continue
                if sign * (figures[port.name] - figures[name]) <= 0:
                    self._out_of_order(port, self.block.inputs[name.lower()], word)

    def _out_of_order(self, port: Input, other: Input, word: str) -> None:
        figures, unit = self.piece.figures, port.unit or ""
        what = f"{port.key}[{port.item}]" if port.item else port.key
        against = f"{other.key}[{other.item}]" if other.item else other.key
        given = {key.lower(): scalar for key, scalar in self.piece.equipment.parameters.items()}
        place = given[port.key.lower()].place
        self.fail(
            f"expected {what} {word} {against}, which is {figures[other.name]:g} {unit}, "
            f"got {figures[port.name]:g} {unit}",
            place,
        )


def port_type(block: BlockType, name: str) -> str:
    """The IEC type of an output or input."""
    key = name.lower()
    return block.outputs[key].type if key in block.outputs else block.inputs[key].type


def wired_port(piece: Piece, source: Wire) -> tuple[Piece, str] | None:
    """The piece and the port at the other end of a wire; None where the neighbour lacks it."""
    other = piece.neighbours.get(source.key)
    if other is None or not other.block.has_port(source.port):
        return None
    return other, source.port


def _lower(names: Mapping[str, object]) -> set[str]:
    return {name.lower() for name in names}
