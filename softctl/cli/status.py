"""What is going on in the parts that run in this process, for whatever shows it."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from softctl.control import Controller
from softctl.field import FieldDevice
from softctl.machine import Machine
from softctl.modbus.clients import Client
from softctl.modbus.faults import Faults
from softctl.runtime.clock import MachineClock
from softctl.runtime.modbus_server import ModbusServer


@dataclass(slots=True)
class Status:
    """The running parts; `device` or `controller` is None where it runs elsewhere.

    `servers` holds the servers in this process, "field" and "hmi"; `summary` tells how many
    devices in one process are doing.
    """

    machine: Machine
    device: FieldDevice | None
    controller: Controller | None
    clock: MachineClock | None = None
    servers: Mapping[str, ModbusServer] = field(default_factory=dict)
    summary: Callable[[], str] | None = None

    def wire_faults(self) -> list[str]:
        """Each wire fault whose time is now, with how many requests it has struck."""
        now_ns = time.monotonic_ns()
        return [
            f"{server} {rule.name or 'unnamed'} ({rule.effect.title}) {faults.count(rule)}"
            for server, faults in self.faults().items()
            for rule in faults.active(now_ns)
        ]

    def faults(self) -> dict[str, Faults]:
        """The wire faults of each server."""
        return {name: one.server.faults for name, one in self.servers.items() if one.server.faults}

    def hmi_clients(self) -> list[str]:
        """Each connected HMI with what it asked for, the busiest first."""
        clients = self.servers["hmi"].clients if "hmi" in self.servers else ()
        return [_account(one) for one in sorted(clients, key=lambda one: -one.requests)]

    def machine_seconds(self) -> float:
        """Machine time since the start, in seconds."""
        return round(self.clock.now_ns() / 1e9, 3) if self.clock else 0.0

    def active_steps(self) -> list[tuple[str, Sequence[str]]]:
        """Each chart's program with the names of its active steps."""
        controller = self.controller
        if controller is None:
            return []
        names = [chart.program for chart in controller.application.charts]
        return [(name, controller.instance.active_steps(name)) for name in names]


def _account(client: Client) -> str:
    """A client's counters; what it has none of is left out."""
    exceptions = sorted(client.exceptions.items())
    parts = [
        client.name,
        *([f"role {client.role}"] if client.role else []),
        f"requests {client.requests}",
        *(f"exception {code:02X} {count} times" for code, count in exceptions),
        *([f"no reply {client.discarded} times"] if client.discarded else []),
        *([f"wire faults {client.struck}"] if client.struck else []),
    ]
    return "   ".join(parts)
