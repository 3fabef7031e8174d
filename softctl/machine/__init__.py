"""The machine file: parsed, checked, with every address allocated."""

from __future__ import annotations

from softctl.machine.model import (
    Address,
    Card,
    CardKind,
    Endpoint,
    Equipment,
    Machine,
    Point,
    Role,
    Scalar,
)

__all__ = [
    "Address",
    "Card",
    "CardKind",
    "Endpoint",
    "Equipment",
    "Machine",
    "Point",
    "Role",
    "Scalar",
]
