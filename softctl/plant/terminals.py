"""Checks that the machine's points end at fitting terminals of its equipment."""

from __future__ import annotations

from collections.abc import Iterator
from math import isclose

from softctl.errors import Place, Problem
from softctl.machine import Machine, Point, Role
from softctl.plant.blocks import Input, Output
from softctl.plant.values import suggestion
from softctl.plant.wiring import Piece, Wiring
from softctl.values.types import Kind
from softctl.values.units import parse_quantity, to_si


def check_terminals(machine: Machine, wiring: Wiring) -> Iterator[Problem]:
    """Everything wrong with the terminals of inputs and outputs."""
    driven: dict[str, Point] = {}
    for point in machine.points.values():
        if point.terminal and point.role in (Role.INPUT, Role.OUTPUT):
            yield from _check(machine, wiring, point, driven)


def _check(
    machine: Machine, wiring: Wiring, point: Point, driven: dict[str, Point]
) -> Iterator[Problem]:
    place = point.terminal_place or point.place
    name, dot, terminal = point.terminal.partition(".")
    if not dot:
        yield Problem(f"expected EQUIPMENT.TERMINAL, got {point.terminal}", place)
        return
    piece = wiring.pieces.get(name.lower())
    if piece is None:
        # Equipment of an unknown type has had its message.
        names = list(machine.equipment)
        if name.lower() not in {known.lower() for known in names}:
            hint = suggestion(name, names)
            yield Problem(f"expected an equipment's name, got {name}", place, hint=hint)
        return
    port = _port(piece, point.role, terminal)
    if port is None:
        yield _unknown(piece, point.role, terminal, place)
        return
    yield from _fit(piece, point, port, place)
    if point.role is Role.OUTPUT:
        first = driven.setdefault(point.terminal.lower(), point)
        if first is not point:
            message = f"expected one point to drive {point.terminal}, got {first.name} as well"
            yield Problem(message, place)


def _port(piece: Piece, role: Role, terminal: str) -> Input | Output | None:
    if role is Role.INPUT:
        return piece.block.outputs.get(terminal.lower())
    port = piece.block.inputs.get(terminal.lower())
    return port if port and _can_be_driven(port) else None


def _can_be_driven(port: Input) -> bool:
    return port.is_open and not port.wire and not port.required


def _unknown(piece: Piece, role: Role, terminal: str, place: Place) -> Problem:
    if role is Role.INPUT:
        names, what = [port.name for port in piece.block.outputs.values()], "an output"
    else:
        ports = piece.block.inputs.values()
        names, what = [port.name for port in ports if _can_be_driven(port)], "an input"
    message = f"expected {what} of {piece.name} ({', '.join(names)}), got {terminal}"
    return Problem(message, place, hint=suggestion(terminal, names))


def _fit(piece: Piece, point: Point, port: Input | Output, place: Place) -> Iterator[Problem]:
    terminal = f"{piece.name}.{port.name}"
    if isinstance(port, Input) and piece.sets(port.name):
        yield Problem(
            f"expected one source for {terminal}, got {point.name} beside a value under equipment",
            place,
        )
    is_digital = point.type.kind is Kind.BOOL
    if is_digital != (port.type == "BOOL"):
        kind = "digital" if port.type == "BOOL" else "analog"
        yield Problem(
            f"expected a point on {'a' if kind == 'digital' else 'an'} {kind} card for "
            f"{terminal}, a {port.type}; got {point.name}, a {point.type}",
            place,
        )
    elif not is_digital and port.unit is not None:
        yield from _fit_unit(piece, point, port, place)


def _fit_unit(piece: Piece, point: Point, port: Input | Output, place: Place) -> Iterator[Problem]:
    if not _same_dimension(point.unit, port.unit or ""):
        yield Problem(
            f"expected a unit like {port.unit} for {piece.name}.{port.name}, "
            f"got {point.unit or 'none'}",
            place,
        )
    elif isinstance(port, Output) and port.range:
        yield from _fit_range(piece, point, port.range, place)


def _same_dimension(unit: str, other: str) -> bool:
    try:
        parse_quantity(f"1 {unit}", "" if other == "1" else other)
    except ValueError:
        return False
    return True


def _fit_range(
    piece: Piece, point: Point, names: tuple[str, ...], place: Place
) -> Iterator[Problem]:
    """A card that scales a signal by another range than the instrument's reads wrong values."""
    if any(name not in piece.figures for name in names) or None in (point.low, point.high):
        return
    scale, offset = to_si(point.unit)
    for limit, name in zip((point.low, point.high), names, strict=False):
        assert limit is not None
        figure = piece.figures[name]
        if not isclose(limit * scale + offset, figure, rel_tol=1e-9, abs_tol=1e-12):
            key = piece.block.inputs[name.lower()].key
            yield Problem(
                f"expected the range of {piece.name} "
                f"({key}: {figure:g} in SI), got {limit:g} {point.unit}",
                place,
            )
