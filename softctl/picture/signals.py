"""Where a live value on the picture comes from: the plant, or else the machine's points."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from softctl.machine import Machine, Point, Role
from softctl.plant.wiring import Piece


@dataclass(frozen=True, slots=True)
class Signals:
    """Channels of equipment: `plant:` where the plant runs here, else of a wired point."""

    machine: Machine
    has_plant: bool
    _wired: dict[str, Point] = field(default_factory=dict)
    _by_piece: dict[str, list[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for point in self.machine.points.values():
            if point.terminal and point.role in (Role.INPUT, Role.OUTPUT):
                self._wired.setdefault(point.terminal.lower(), point)
                piece = point.terminal.partition(".")[0].lower()
                self._by_piece.setdefault(piece, []).append(point.name)

    def of(self, piece: Piece, *ports: str) -> str | None:
        """The channel of the first of some ports that can be seen; None for none."""
        for port in ports:
            has_port = port in piece.block.outputs or port in piece.block.inputs
            if self.has_plant and has_port:
                return f"plant:{piece.name}.{port}"
            point = self.point(piece, port)
            if point is not None:
                return f"point:{point.name}"
        return None

    def point(self, piece: Piece, *ports: str) -> Point | None:
        """The point that is wired to the first of some ports that has one."""
        found = (self._wired.get(f"{piece.name}.{port}".lower()) for port in ports)
        return next((point for point in found if point is not None), None)

    def points(self, piece: Piece) -> list[str]:
        """The names of all points that are wired to a piece."""
        return self._by_piece.get(piece.name.lower(), [])


def figure(piece: Piece, key: str) -> float | None:
    """What the machine file gives for a key, in SI; None where it gives no number."""
    ports = (port for port in piece.block.inputs.values() if port.key == key)
    return next((piece.figures[p.name] for p in ports if p.name in piece.figures), None)


def contents(piece: Piece) -> dict[int, float]:
    """What the machine file says that it contains: kg/m3 by the number of the species."""
    return {
        port.species: piece.figures[port.name]
        for port in piece.block.inputs.values()
        if port.key == "contains" and port.name in piece.figures
    }


def temperature_of(signals: Signals, piece: Piece) -> str | None:
    """The channel of a vessel's temperature, where temperatures are worked out."""
    has_heat = "temperature" in piece.block.outputs
    return signals.of(piece, "temperature") if has_heat else None


def species_in(signals: Signals, piece: Piece) -> list[dict[str, Any]]:
    """What is in it of each species: a channel, or what stays as the machine file says."""
    given, found = contents(piece), []
    for number, name in enumerate(signals.machine.species, 1):
        channel = signals.of(piece, f"mean_{number}")
        if channel or number in given:
            fixed = None if channel else given[number]
            found.append({"name": name, "channel": channel, "fixed": fixed, "number": number - 1})
    return found
