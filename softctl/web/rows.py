"""Rows of the page's tables, as plain JSON."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from typing import Any

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
    ask: Callable[[Mapping[str, Any]], Awaitable[Answer]],
) -> dict[str, Mapping[str, Any]]:
    """Alarms with their rates, and forces, as the controller answers."""
    alarms = await ask({"do": "alarms"})
    forces = await ask({"do": "forces"})
    held = [{**row, "left_s": _whole(row["left_s"])} for row in forces["forces"]]
    return {
        "alarms": {"rows": alarms["alarms"], "rates": alarms["rates"]},
        "forces": {"rows": held},
    }


def _whole(seconds: float) -> int:
    """Whole seconds, so that a row changes once a second."""
    return max(0, round(seconds))


def event_row(kind: str, at_s: float, text: str, by: str) -> dict[str, Any]:
    """Something that happened, as a message."""
    return {"t": "event", "at_s": round(at_s, 3), "kind": kind, "text": text, "by": by}
