"""What is going on in the parts that run in this process, for whatever shows it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from softctl.control import Controller
from softctl.field import FieldDevice
from softctl.machine import Machine
from softctl.runtime.clock import MachineClock


@dataclass(slots=True)
class Status:
    """The running parts; `device` or `controller` is None where it runs elsewhere."""

    machine: Machine
    device: FieldDevice | None
    controller: Controller | None
    clock: MachineClock | None = None

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
