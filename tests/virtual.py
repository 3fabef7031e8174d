"""A plant and a controller that meet through their banks, with no sockets and no waiting."""

from __future__ import annotations

from collections.abc import Callable

from softctl.control import Controller
from softctl.field import FieldDevice
from softctl.machine import Value
from softctl.runtime.folder import MachineFolder
from softctl.values.tables import Table


class VirtualMachine:
    """Steps the plant for one scan period, copies inputs, scans, copies outputs."""

    def __init__(self, folder: MachineFolder) -> None:
        self.device = FieldDevice(folder.machine, folder.build_plant())
        self.controller = Controller(folder.machine, folder.application)
        self.controller.link_healthy = True
        self.period_ns = folder.machine.scan_ns
        self.now_ns = 0

    def scan(self) -> dict[str, Value]:
        """One period; the values of every point at its end."""
        self.now_ns += self.period_ns
        while self.device.plant.now_ns < self.now_ns:
            self.device.step()
        units = self.device.banks
        banks = [(units[unit], self.controller.field_banks[unit]) for unit in units]
        for field, mirror in banks:
            mirror.bits(Table.DISCRETE_INPUTS)[:] = field.bits(Table.DISCRETE_INPUTS)
            mirror.registers(Table.INPUT_REGISTERS)[:] = field.registers(Table.INPUT_REGISTERS)
        self.controller.scan(self.now_ns)
        for field, mirror in banks:
            field.bits(Table.COILS)[:] = mirror.bits(Table.COILS)
            field.registers(Table.HOLDING_REGISTERS)[:] = mirror.registers(Table.HOLDING_REGISTERS)
        self.device.note_write(self.now_ns)
        return self.controller.values()

    def command(self, name: str) -> None:
        """What an HMI does when somebody presses a button."""
        self.controller.hmi.give([name])

    def run_until(
        self, condition: Callable[[dict[str, Value]], bool], limit_s: float
    ) -> dict[str, Value]:
        """Scan until the condition holds; fails after so much machine time."""
        end_ns = self.now_ns + int(limit_s * 1e9)
        while True:
            values = self.scan()
            if condition(values):
                return values
            assert self.now_ns < end_ns, f"not within {limit_s} s: {values}"
