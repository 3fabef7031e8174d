"""The faults that a machine file plans, and who can have a fault."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from softctl.errors import Problem, SoftctlError
from softctl.machine import Machine, PlannedFault
from softctl.plant.blocks import Input
from softctl.plant.faults import Fault, fitted
from softctl.plant.values import literal, suggestion
from softctl.plant.wiring import Piece, Wiring

EVERY = "*"


def faulty(wiring: Wiring, equipment: str, name: str) -> list[tuple[Piece, Input]]:
    """The pieces that a fault is for, each with the input that breaks it.

    `equipment` is a name, or `*` for all that can have it. Raises SoftctlError when there is
    no such equipment or fault, and where another piece of equipment drives the input.
    """
    if equipment == EVERY:
        return _all_that_can(wiring.pieces.values(), name)
    piece = piece_of(wiring, equipment)
    known = piece.block.faults()
    if name not in known:
        what = f"a fault of {piece.name} ({', '.join(known) or 'it has none'})"
        raise SoftctlError(_unknown(what, name, known))
    port = known[name]
    if port.name in piece.references:
        other, terminal = piece.references[port.name]
        raise SoftctlError(
            f"expected {piece.name}.{port.name} to be free for {name}, but "
            f"{other.name}.{terminal} drives it: break {other.name}"
        )
    return [(piece, port)]


def piece_of(wiring: Wiring, name: str) -> Piece:
    """The piece of a name, upper or lower case alike; raises SoftctlError for an unknown one."""
    piece = wiring.pieces.get(name.lower())
    if piece is None:
        names = [piece.name for piece in wiring.pieces.values()]
        raise SoftctlError(_unknown("an equipment's name", name, names))
    return piece


def planned_faults(machine: Machine, wiring: Wiring, problems: list[Problem]) -> list[Fault]:
    """What the machine file plans to break; what is wrong with it is added to `problems`."""
    return [fault for plan in machine.faults for fault in _planned(wiring, plan, problems)]


def _all_that_can(pieces: Iterable[Piece], name: str) -> list[tuple[Piece, Input]]:
    """Whoever is driven by another piece follows that one."""
    pieces = list(pieces)
    ports = [(piece, piece.block.faults().get(name)) for piece in pieces]
    found = [(piece, port) for piece, port in ports if port and port.name not in piece.references]
    if not found:
        known = dict.fromkeys(fault for piece in pieces for fault in piece.block.faults())
        raise SoftctlError(_unknown("a fault of some equipment", name, known))
    return found


def _planned(wiring: Wiring, plan: PlannedFault, problems: list[Problem]) -> Iterator[Fault]:
    name, place = str(plan.equipment.value), plan.fault.place
    if name != EVERY and name.lower() not in wiring.pieces:
        place = plan.equipment.place
    try:
        found = faulty(wiring, name, str(plan.fault.value))
        place = plan.size.place if plan.size else place
        for piece, port in found:
            yield fitted(_fault(piece, port, plan), port)
    except (SoftctlError, ValueError) as error:
        problems.append(Problem(str(error), place))


def _fault(piece: Piece, port: Input, plan: PlannedFault) -> Fault:
    size = None
    if plan.size is not None:
        # Any size of a mere yes or no is one too many.
        size = literal(port, plan.size)[1] if port.fault_value is None else 1.0
    return Fault(piece.name, port.fault, plan.at_ns, plan.for_ns, size, plan.ramp_ns)


def _unknown(expected: str, name: str, known: Iterable[str]) -> str:
    hint = suggestion(name, known)
    return f"expected {expected}, got {name}" + (f": {hint}" if hint else "")
