"""The machine file: parsed, checked, with every address allocated."""

from __future__ import annotations

from softctl.machine.model import (
    Address,
    Card,
    CardKind,
    Connections,
    Endpoint,
    Equipment,
    Identification,
    KeyFiles,
    Machine,
    Number,
    Overrun,
    PlannedFault,
    Point,
    Rights,
    Role,
    Scalar,
    Scale,
    Security,
    UnknownUnit,
    Value,
    WatchedAlarm,
    WatchedGuard,
    WhenFull,
)
from softctl.machine.parse import parse_machine
from softctl.machine.sections import machine_schema

__all__ = [
    "Address",
    "Card",
    "CardKind",
    "Connections",
    "Endpoint",
    "Equipment",
    "Identification",
    "KeyFiles",
    "Machine",
    "Number",
    "Overrun",
    "PlannedFault",
    "Point",
    "Rights",
    "Role",
    "Scalar",
    "Scale",
    "Security",
    "UnknownUnit",
    "Value",
    "WatchedAlarm",
    "WatchedGuard",
    "WhenFull",
    "machine_schema",
    "parse_machine",
]
