"""The virtual bench: a plant and a controller that meet through their banks.

No socket, no waiting, no task: a heap of plain callbacks `(time, order, function)` is the
whole clock. What runs here is the code that runs live; only the copies between the two banks
stand for the Modbus requests.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from heapq import heappop, heappush

from softctl.control import Controller, Happening
from softctl.control.forces import MAX_FORCE_NS
from softctl.field import FieldDevice
from softctl.logic import Application
from softctl.machine import Machine, Value
from softctl.plant import Fault, Plant
from softctl.values.tables import Table

Callback = Callable[[], None]

SOURCE = "trial"
"""Who forces and releases."""


class VirtualBench:
    """One machine in virtual time, at 0 ns and before its first scan.

    The link is as in real time: its first exchange makes it healthy for the second scan,
    and without one for `fail_safe_after` it is lost, for the controller and for the cards.
    """

    def __init__(self, machine: Machine, application: Application, plant: Plant) -> None:
        self.machine = machine
        self.plant = plant
        self.device = FieldDevice(machine, plant)
        plant.hasten()
        self.controller = Controller(machine, application)
        self.controller.shows = False  # nobody is connected
        self.now_ns = 0
        self.after_scan: Callable[[int], None] | None = None
        """Called with the time at the end of every scan."""
        self.on_happening: Callable[[Happening], None] | None = None
        """Takes what alarms, guards and forces told in a scan, before `after_scan` is called."""
        self._heap: list[tuple[int, int, Callback]] = []
        self._order = 0
        self.period_ns = machine.scan_ns
        self._exchanged_at_ns: int | None = None
        self._cut_until_ns: float = 0
        self._copies = _copies(self.device, self.controller)
        self.at(self.period_ns, self._scan)

    # Time

    def at(self, time_ns: int, callback: Callback) -> None:
        """Call a function at a time; those of one time come in the order they were given."""
        self._order += 1
        heappush(self._heap, (time_ns, self._order, callback))

    def run_to(self, time_ns: int) -> None:
        """Go on to a time; everything due until then, and then, happens."""
        heap = self._heap
        while heap and heap[0][0] <= time_ns:
            self.now_ns, _, callback = heappop(heap)
            callback()
        self.now_ns = time_ns
        self.device.advance(time_ns)

    def next_scan(self) -> int:
        """Go on to the end of the next scan; its time."""
        time_ns = self.now_ns // self.period_ns * self.period_ns + self.period_ns
        self.run_to(time_ns)
        return time_ns

    # What can be done to it

    def give(self, names: Sequence[str]) -> None:
        """Give commands as an HMI does; raises SoftctlError for a name that is none."""
        self.controller.hmi.give(names)

    def put(self, name: str, value: Value) -> None:
        """Write a command or set point as an HMI does."""
        self.controller.hmi.put(name, value)

    def inject(self, fault: Fault) -> None:
        """Break something; raises SoftctlError for a fault that there is not."""
        self.plant.inject(fault)

    def mend(self, equipment: str, name: str = "") -> None:
        """Take a fault of a piece of equipment away, or all it has."""
        self.plant.mend(equipment, name)

    def force(
        self, path: str, value: Value, for_ns: int | None = None, reason: str = "trial"
    ) -> None:
        """Hold a variable of the program at a value, for a time or until it is released."""
        self.controller.forces.force(
            path,
            value,
            for_ns=for_ns or MAX_FORCE_NS,
            now_ns=self.now_ns,
            source=SOURCE,
            reason=reason,
        )

    def release(self, path: str = "") -> None:
        """Let a forced variable go, or all of them."""
        forces = self.controller.forces
        if path:
            forces.release(path, now_ns=self.now_ns, source=SOURCE)
        else:
            forces.release_all(now_ns=self.now_ns, source=SOURCE)

    def cut_wire(self, for_ns: int | None = None) -> None:
        """Let no exchange between controller and field through, for a time or for good."""
        self._cut_until_ns = float("inf") if for_ns is None else self.now_ns + for_ns

    def mend_wire(self) -> None:
        """Let exchanges through again."""
        self._cut_until_ns = 0

    # One scan

    def _scan(self) -> None:
        now_ns, controller, device = self.now_ns, self.controller, self.device
        device.advance(now_ns)
        is_through = now_ns >= self._cut_until_ns
        inputs, outputs = self._copies
        if is_through:
            for target, source in inputs:
                target[:] = source
        last_ns = self._exchanged_at_ns
        controller.link_healthy = (
            last_ns is not None and now_ns - last_ns < self.machine.fail_safe_after_ns
        )
        controller.scan(now_ns)
        if is_through:
            for target, source in outputs:
                target[:] = source
            device.note_write(now_ns)
            self._exchanged_at_ns = now_ns
        else:
            device.watch(now_ns)
        controller.statistics.note(duration_ns=0, jitter_ns=0, overruns=0)
        self.at(now_ns + self.period_ns, self._scan)
        if self.on_happening is not None:
            happenings = controller.watch.happenings
            while happenings:
                self.on_happening(happenings.popleft())
        if self.after_scan is not None:
            self.after_scan(now_ns)


Copies = list[tuple[bytearray, bytearray]]


def _copies(device: FieldDevice, controller: Controller) -> tuple[Copies, Copies]:
    """(to, from) of the input tables and of the output tables, those that hold something."""
    inputs: Copies = []
    outputs: Copies = []
    for unit, field in device.banks.items():
        mirror = controller.field_banks[unit]
        inputs += [
            (mirror.bits(Table.DISCRETE_INPUTS), field.bits(Table.DISCRETE_INPUTS)),
            (mirror.registers(Table.INPUT_REGISTERS), field.registers(Table.INPUT_REGISTERS)),
        ]
        outputs += [
            (field.bits(Table.COILS), mirror.bits(Table.COILS)),
            (field.registers(Table.HOLDING_REGISTERS), mirror.registers(Table.HOLDING_REGISTERS)),
        ]
    return [pair for pair in inputs if pair[0]], [pair for pair in outputs if pair[0]]
