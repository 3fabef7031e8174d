"""The points that every machine has, at addresses that no machine file moves.

The first 16 input registers and the first 8 discrete inputs of the HMI map are set aside
for them, so that the addresses of a machine's own points stay when more are added.
"""

from __future__ import annotations

from softctl.errors import Place
from softctl.machine.model import Address, Point, Role
from softctl.values.registers import register_count
from softctl.values.tables import Table
from softctl.values.types import ELEMENTARY_TYPES, Kind

RESERVED = {Table.INPUT_REGISTERS: 16, Table.DISCRETE_INPUTS: 8}

_POINTS = (
    ("HEARTBEAT", "UINT", 0, "", "counts scans, and starts again at 0 after 65535"),
    ("SCAN_COUNT", "UDINT", 2, "", "scans since the start"),
    ("SCAN_TIME_US", "UINT", 4, "us", "duration of the last scan"),
    ("SCAN_TIME_MAX_US", "UINT", 5, "us", "longest scan since the start"),
    ("SCAN_JITTER_US", "UINT", 6, "us", "how late the last scan began"),
    ("SCAN_JITTER_MAX_US", "UINT", 7, "us", "greatest of these since the start"),
    ("OVERRUNS", "UDINT", 8, "", "planned scans that came while the one before was not done"),
    ("CLIENTS", "UINT", 10, "", "connected HMI clients"),
    ("ALARMS_ACTIVE", "UINT", 11, "", "alarms that are active now"),
    ("ALARMS_WAITING", "UINT", 12, "", "alarms that wait for an acknowledgement"),
    ("FORCES", "UINT", 13, "", "points and variables that a person holds at a value"),
    ("GUARDS_BROKEN", "UINT", 14, "", "guards that did not hold, since the start"),
    ("CONTROL_STATE", "UINT", 15, "", "0 programs stopped, 1 running, 2 stopped by a fault"),
    ("FIELD_LINK", "BOOL", 0, "", "TRUE while the link to the field is healthy"),
    ("COMMS_ALARM", "BOOL", 1, "", "TRUE when outputs went fail-safe for want of the link"),
    (
        "PROGRAM_FAULT",
        "BOOL",
        2,
        "",
        "TRUE when a fault stopped the programs, outputs at fail-safe",
    ),
    ("ALARM_FLOOD", "BOOL", 3, "", "TRUE while more alarms come than a person can take in"),
    (
        "JOURNAL_FAULT",
        "BOOL",
        4,
        "",
        "TRUE while journal or RETAIN values cannot be written",
    ),
)


def system_points(file: str) -> list[Point]:
    """The system points of a machine, in the order of the HMI map."""
    return [_point(file, *fields) for fields in _POINTS]


def _point(file: str, name: str, type_: str, address: int, unit: str, description: str) -> Point:
    elementary = ELEMENTARY_TYPES[type_]
    is_bit = elementary.kind is Kind.BOOL
    table = Table.DISCRETE_INPUTS if is_bit else Table.INPUT_REGISTERS
    return Point(
        name=name,
        role=Role.SYSTEM,
        type=elementary,
        place=Place(file),
        description=description,
        unit=unit,
        initial=False if is_bit else 0,
        si_scale=1e-6 if unit == "us" else 1.0,
        hmi=Address(table, address, 1 if is_bit else register_count(elementary)),
    )
