"""Controllers of independent make, written by hand on pyModbusTCP.

They know nothing of softctl but the demo's register maps as its documents print them: a client
of the field's cards and a server for an HMI, with as much of that map as such a controller would
have. `Wrong` says what one of them does badly. Each is a process of its own:

    python tests/runtime/foreign_controllers.py FIELD_PORT HMI_PORT SPEED WRONG
"""

from __future__ import annotations

import signal
import sys
import threading
import time
from enum import Enum

from pyModbusTCP.client import ModbusClient
from pyModbusTCP.server import DataBank, ModbusServer

IDLE, CLOSING, FEEDING, SETTLING, STIRRING, COASTING, HELD, DISCHARGING, COUNTING = range(9)
_LEAST_S = 0.5
"""Machine time that a step lasts at least, so that somebody who polls sees each of them."""
_DONT = {"coils_size": 3, "d_inputs_size": 24, "i_regs_size": 24, "h_regs_size": 10}


class Wrong(Enum):
    """What a controller may have wrong."""

    NOTHING = "nothing"
    UPPER_SWITCH = "stops feeding a while after the upper switch"
    OPEN_OUTLET = "opens the outlet while it feeds"
    NO_STOP = "goes on after STOP"
    SHORT_STIR = "stirs for half the time"
    SILENT_STEP = "always shows step 0"


class HandMade:
    """Runs the make-up skid's sequence every `period_s`, its times divided by `speed`.

    It connects to the field at `field_port` again and again until somebody is there.
    """

    def __init__(
        self, field_port: int, hmi_port: int, speed: float = 1.0, wrong: Wrong = Wrong.NOTHING
    ) -> None:
        self._field = ModbusClient("127.0.0.1", field_port, unit_id=1, timeout=2)
        self._bank = DataBank(**_DONT)
        self._server = ModbusServer("127.0.0.1", hmi_port, no_block=True, data_bank=self._bank)
        self._period_s = max(0.004, 0.05 / speed)
        self._speed = speed
        self._wrong = wrong
        self._step = IDLE
        self._since_s = 0.0
        self._full_at_s: float | None = None
        self._batches = 0

    def run(self, ends: threading.Event) -> None:
        """Work until the event is set."""
        self._set_stir_time(75_000)
        self._server.start()
        print("ready", flush=True)
        while not ends.is_set():
            begun = time.monotonic()
            if not self._scan():
                self._go(IDLE)
            ends.wait(max(0.0, self._period_s - (time.monotonic() - begun)))
        self._server.stop()
        self._field.close()

    # One scan after the other

    def _scan(self) -> bool:
        inputs = self._field.read_discrete_inputs(0, 10)
        if inputs is None:
            return False
        self._sequence(inputs)
        self._show()
        return bool(self._field.write_multiple_coils(0, self._outputs()))

    def _sequence(self, inputs: list[bool]) -> None:
        lower, not_full, pump1, pump2, agitator = inputs[:5]
        upper = not not_full
        opened, closed = inputs[8:10]
        start, stop, _ = self._bank.get_coils(0, 3)
        self._bank.set_coils(0, [False, False, False])
        step = self._step
        if stop and self._wrong is not Wrong.NO_STOP:
            self._go(IDLE)
        elif step == IDLE and start:
            self._go(CLOSING)
        elif step in (CLOSING, SETTLING) and self._elapsed_s() < _LEAST_S:
            pass
        elif step == CLOSING and closed and not opened:
            self._go(FEEDING)
        elif step == FEEDING and self._is_full(upper):
            self._go(SETTLING)
        elif step == SETTLING and not pump1 and not pump2:
            self._go(STIRRING)
        elif step == STIRRING and self._elapsed_s() >= self._stir_time_s():
            self._go(COASTING)
        elif step == COASTING and not agitator:
            self._go(DISCHARGING)
        elif step == DISCHARGING and not lower:
            self._batches += 1
            self._go(CLOSING)

    def _is_full(self, upper: bool) -> bool:
        if not upper:
            return False
        if self._full_at_s is None:
            self._full_at_s = self._elapsed_s()
        wait_s = 5.0 if self._wrong is Wrong.UPPER_SWITCH else 0.0
        return self._elapsed_s() - self._full_at_s >= wait_s

    def _outputs(self) -> list[bool]:
        feeds = self._step == FEEDING
        opens = self._step == DISCHARGING or (feeds and self._wrong is Wrong.OPEN_OUTLET)
        return [feeds, feeds, self._step == STIRRING, *([False] * 5), opens]

    def _go(self, step: int) -> None:
        if step != self._step:
            self._step = step
            self._since_s = time.monotonic()
            self._full_at_s = None

    def _elapsed_s(self) -> float:
        return (time.monotonic() - self._since_s) * self._speed

    # Its HMI map

    def _show(self) -> None:
        shown = IDLE if self._wrong is Wrong.SILENT_STEP else self._step
        self._bank.set_input_registers(18, [self._batches & 0xFFFF, self._batches >> 16, shown])
        self._bank.set_discrete_inputs(19, [self._step != IDLE])

    def _stir_time_s(self) -> float:
        low, high = self._bank.get_holding_registers(0, 2)
        share = 0.5 if self._wrong is Wrong.SHORT_STIR else 1.0
        return (high << 16 | low) / 1000 * share

    def _set_stir_time(self, milliseconds: int) -> None:
        self._bank.set_holding_registers(0, [milliseconds & 0xFFFF, milliseconds >> 16])


def main() -> None:
    """Run one until SIGTERM."""
    ends = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: ends.set())
    field_port, hmi_port, speed, wrong = sys.argv[1:]
    HandMade(int(field_port), int(hmi_port), float(speed), Wrong[wrong]).run(ends)


if __name__ == "__main__":
    main()
