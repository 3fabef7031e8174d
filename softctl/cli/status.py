"""What is going on in the parts that run in this process, for whatever shows it."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from softctl.control import Controller
from softctl.field import FieldDevice
from softctl.machine import Machine
from softctl.modbus.faults import Faults
from softctl.runtime.clock import MachineClock


@dataclass(slots=True)
class Status:
    """The running parts; `device` or `controller` is None where it runs elsewhere.

    `wire` holds the wire faults of the servers in this process, "field" and "hmi".
    """

    machine: Machine
    device: FieldDevice | None
    controller: Controller | None
    clock: MachineClock | None = None
    wire: Mapping[str, Faults] = field(default_factory=dict)

    def wire_faults(self) -> list[str]:
        """Each wire fault whose time is now, with how many requests it has struck."""
        now_ns = time.monotonic_ns()
        return [
            f"{server} {rule.name or 'unnamed'} ({rule.effect.title}) {faults.count(rule)}"
            for server, faults in self.wire.items()
            for rule in faults.active(now_ns)
        ]

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
