"""The virtual bench, as the tests of control ask for it."""

from __future__ import annotations

from collections.abc import Callable

from softctl.machine import Value
from softctl.runtime.folder import MachineFolder
from softctl.trial.bench import VirtualBench


class VirtualMachine(VirtualBench):
    """A bench whose link is healthy from the first scan on."""

    def __init__(self, folder: MachineFolder) -> None:
        super().__init__(folder.machine, folder.application, folder.build_plant())
        self._exchanged_at_ns = 0

    def scan(self) -> dict[str, Value]:
        """One period; the values of every point at its end."""
        self.next_scan()
        return self.controller.values()

    def command(self, name: str) -> None:
        """What an HMI does when somebody presses a button."""
        self.give([name])

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
