"""Many devices with a client on each: what a plant step costs, and what is late.

`python tests/benchmarks/fleet_load.py [DEVICES [SECONDS [PERIOD_S]]]` serves that many
sump stations, polls each every PERIOD_S from the same process, and prints the processor
time of a plant step against that of a device stepped alone in a bare loop, in one run.
"""

from __future__ import annotations

import asyncio
import sys
import time
from dataclasses import dataclass

from softctl.field import FieldDevice
from softctl.modbus.frames import encode_frame
from softctl.runtime.clock import MachineClock
from softctl.runtime.fleet_seats import Seat, Spread, seats
from softctl.runtime.fleet_service import FleetService, Member
from softctl.runtime.folder import MachineFolder, configs_folder, load_folder
from softctl.runtime.loop import run_loop, settle_memory

ASK = encode_frame(1, 1, b"\x04\x00\x00\x00\x01")
REPLY_BYTES = 11
BARE_STEPS = 20_000


@dataclass
class Result:
    """Sums over all devices; processor time of the plants alone, in seconds."""

    devices: int
    seconds: float
    requests: int = 0
    errors: int = 0
    steps: int = 0
    step_cpu_s: float = 0.0
    late_steps: int = 0
    lost_ns: int = 0
    bare_step_s: float = 0.0

    @property
    def ratio(self) -> float:
        """A step's processor time against one in a bare loop."""
        return self.step_cpu_s / self.steps / self.bare_step_s


def bare_step_s(folder: MachineFolder) -> float:
    """Processor time of one step of one device, alone."""
    device = FieldDevice(folder.machine, folder.build_plant())
    started = time.process_time()
    for _ in range(BARE_STEPS):
        device.step()
    return (time.process_time() - started) / BARE_STEPS


async def measure(devices: int, seconds: float, period_s: float) -> Result:
    """Serve, poll and sum up."""
    folder = load_folder(configs_folder() / "sump_station")
    result = Result(devices, seconds, bare_step_s=bare_step_s(folder))
    device = FieldDevice(folder.machine, folder.build_plant())
    row = seats(devices, Seat("127.0.0.1", 0, 1), Spread.PORT)
    fleet = FleetService(device, row, MachineClock())
    honest_turn = fleet.take_turn

    def timed_turn(member: Member, now_ns: int) -> None:
        before_ns, started = member.device.plant.now_ns, time.thread_time()
        honest_turn(member, now_ns)
        result.step_cpu_s += time.thread_time() - started
        result.steps += (member.device.plant.now_ns - before_ns) // folder.machine.plant_step_ns

    fleet.take_turn = timed_turn  # type: ignore[method-assign]
    await fleet.start()
    settle_memory()
    try:
        end_s = time.monotonic() + seconds
        polled = [_poll(member.seat, end_s, period_s) for member in fleet.members]
        for requests, errors in await asyncio.gather(*polled):
            result.requests += requests
            result.errors += errors
        result.late_steps, result.lost_ns = fleet.late_steps, fleet.lost_ns
    finally:
        await fleet.close()
    return result


async def _poll(seat: Seat, end_s: float, period_s: float) -> tuple[int, int]:
    """One client; the requests it made and the replies that were none."""
    reader, writer = await asyncio.open_connection(seat.host, seat.port)
    requests = errors = 0
    while time.monotonic() < end_s or not requests:
        writer.write(ASK)
        reply = await reader.readexactly(REPLY_BYTES)
        errors += reply[:2] != ASK[:2] or reply[7] != 4
        requests += 1
        await asyncio.sleep(period_s)
    writer.close()
    await writer.wait_closed()
    return requests, errors


def main() -> None:
    given = [float(text) for text in sys.argv[1:]]
    devices, seconds, period_s = given + [500, 10, 1.0][len(given) :]
    result = run_loop(measure(int(devices), seconds, period_s))
    print(
        f"{result.devices} devices, {result.seconds:g} s: {result.requests} requests, "
        f"{result.errors} errors; {result.steps} plant steps, {result.ratio:.2f} times the "
        f"processor time of a bare one ({result.step_cpu_s / result.seconds:.0%} of a processor), "
        f"{result.late_steps} late, {result.lost_ns / 1e9:g} s lost"
    )


if __name__ == "__main__":
    main()
