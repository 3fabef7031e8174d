"""Rows of the page's tables, as plain JSON."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from softctl.journal import Entry
from softctl.modbus.clients import Client
from softctl.plant import Plant
from softctl.runtime.modbus_server import ModbusServer
from softctl.web.bench import Answer, Row

_SECOND_NS = 1_000_000_000

Servers = Mapping[str, ModbusServer]


def fault_rows(plant: Plant) -> list[Row]:
    """The faults of equipment that act now; times count from the plant's start."""
    return [
        {
            "equipment": fault.equipment,
            "name": fault.name,
            "size": fault.size,
            "until_s": None if fault.for_ns is None else (fault.at_ns + fault.for_ns) / _SECOND_NS,
            "left_s": None
            if fault.for_ns is None
            else _whole((fault.at_ns + fault.for_ns - plant.now_ns) / _SECOND_NS),
        }
        for fault in plant.active_faults()
    ]


def wire_fault_rows(servers: Servers, now_ns: int) -> list[Row]:
    """The faults on the wire whose time is now, with what they have struck."""
    rows = []
    for server, one in servers.items():
        faults = one.server.faults
        for rule in () if faults is None else faults.active(now_ns):
            assert faults is not None
            until_ns = rule.scope.until_ns
            left_ns = None if until_ns is None else until_ns + faults.started_ns - now_ns
            rows.append(
                {
                    "name": rule.name or "unnamed",
                    "server": server,
                    "text": rule.effect.title,
                    "left_s": None if left_ns is None else _whole(left_ns / _SECOND_NS),
                    "struck": faults.count(rule),
                }
            )
    return rows


def client_rows(servers: Servers, rates: Mapping[Client, float]) -> list[Row]:
    """Who is connected, with counters."""
    return [
        {
            "server": server,
            "id": client.name,
            "name": client.name,
            "role": client.role,
            "requests": client.requests,
            "per_s": round(rates.get(client, 0.0), 1),
            "exceptions": {f"{code:02X}": count for code, count in client.exceptions.items()},
            "discarded": client.discarded,
            "struck": client.struck,
        }
        for server, one in servers.items()
        for client in one.clients
    ]


async def quick_states(
    ask: Callable[[Mapping[str, Any]], Awaitable[Answer]], now_s: float
) -> dict[str, Mapping[str, Any]]:
    """Alarms with their rates, and forces, as the controller answers."""
    alarms = await ask({"do": "alarms"})
    forces = await ask({"do": "forces"})
    held = [{**row, "left_s": _whole(row["left_s"])} for row in forces["forces"]]
    return {
        "alarms": {
            "rows": [_alarm_row(row, now_s) for row in alarms["alarms"]],
            "rates": alarms["rates"],
        },
        "forces": {"rows": held},
    }


def _alarm_row(row: Mapping[str, Any], now_s: float) -> Row:
    until_s = row["shelved_until_s"]
    left = {"shelf_left_s": None if until_s is None else _whole(until_s - now_s)}
    return {**row, **left, "raised_s": row["since_s"]}


def _whole(seconds: float) -> int:
    """Whole seconds, so that a row changes once a second."""
    return max(0, round(seconds))


_EVENT_KINDS = {"setpoint": "write", "command": "write", "guard": "alarm", "run": "program"}
"""The kinds of entries that have another name as events."""


def entry_event(entry: Entry, at_s: float) -> Row:
    """An entry of the journal as an event in a line."""
    return {
        "at_s": round(at_s, 3),
        "kind": _EVENT_KINDS.get(entry.kind, entry.kind),
        "text": _entry_text(entry),
        "by": entry.source,
    }


def _entry_text(entry: Entry) -> str:
    """What happened to what, with the value and the reason where there are some."""
    parts = [entry.name, entry.what]
    if "value" in entry.details:
        parts.append(f"= {entry.details['value']} {entry.details.get('unit', '')}".rstrip())
    if entry.details.get("reason"):
        parts.append(f"({entry.details['reason']})")
    return " ".join(part for part in parts if part)
