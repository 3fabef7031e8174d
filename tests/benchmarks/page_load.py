"""The bench page under load: bytes on the wire, and what viewers do to the scan.

    python tests/benchmarks/page_load.py [SECONDS [VIEWERS [realtime]]]

First the bytes of one viewer with 1,000 points that change ten times a second, all of them and
a tenth, as they are on the wire, frames and all, with permessage-deflate and without. Then the
lateness and length of a controller's scans without a viewer and with (20), in one run: 1,000
points and a scan of 10 ms, as in control_load. The field and the viewers are in other
processes; the page is in the controller's, as `softctl run --page` has it.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import os
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

import control_load
from control_load import Run, machine_text, program_text
from demo_scan import RecordingStatistics, quantile

from softctl.control import Controller
from softctl.field import FieldDevice
from softctl.journal import UnkeptJournal
from softctl.logic import Source
from softctl.machine import parse_machine
from softctl.plant import build_plant
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService
from softctl.runtime.folder import MachineFolder, compile_programs
from softctl.runtime.loop import run_loop, settle_memory
from softctl.web.local import LocalBench
from softctl.web.start import Page, PageSettings, local_page

POINTS = 1_000
AIM_BYTES_S = 100 * 1024
SHARES = (0.5, 0.9, 0.99, 1.0)


def changing_machine(changing: int) -> tuple[str, str]:
    """A machine file of 1,000 REAL states, and the program that changes so many of them."""
    lines = ["name: wide", "programs: [wide.st]", "control: {scan: 50 ms}", "points:"]
    lines += [f"  R{n}: {{role: state, type: REAL, unit: m}}" for n in range(POINTS)]
    program = ["PROGRAM Wide VAR n : INT; END_VAR", "n := (n + 1) MOD 10000;"]
    program += [f"R{n} := INT_TO_REAL(n) * 0.0123457 + {n}.1;" for n in range(changing)]
    return "\n".join(lines) + "\n", "\n".join([*program, "END_PROGRAM"]) + "\n"


def folder_of(machine: str, program: str, name: str) -> MachineFolder:
    """A machine folder that is on no disk."""
    parsed = parse_machine(machine, f"{name}.yaml")
    source = Source(f"{name}.st", program)
    application = compile_programs(parsed, [source])
    return MachineFolder(Path("nowhere"), parsed, (source,), (), application, ())


@contextlib.asynccontextmanager
async def paged(
    folder: MachineFolder, at_field: tuple[str, int] | None = None
) -> AsyncIterator[tuple[Page, Controller, str]]:
    """A controller with a page in this loop; its field too, unless that is elsewhere."""
    clock, journal = MachineClock(), UnkeptJournal()
    field = FieldService(FieldDevice(folder.machine, build_plant(folder.machine)), clock)
    controller = Controller(folder.machine, folder.application)
    control = ControlService(controller, clock, journal=journal)
    page = local_page(LocalBench(folder, control, None, journal, None), PageSettings())
    try:
        where = at_field or await field.start("127.0.0.1", 0)
        await control.start("127.0.0.1", 0, where)
        yield page, controller, await page.start()
    finally:
        await page.close()
        await control.close()
        if at_field is None:
            await field.close()


async def look(url: str, *, deflates: bool, counts: list[int]) -> None:
    """One viewer that takes whatever comes and adds up its bytes; it decodes nothing."""
    netloc = url.partition("//")[2].rstrip("/")
    host, _, port = netloc.partition(":")
    reader, writer = await asyncio.open_connection(host, int(port))
    key = base64.b64encode(os.urandom(16)).decode()
    extension = "Sec-WebSocket-Extensions: permessage-deflate\r\n" if deflates else ""
    writer.write(
        f"GET /ws HTTP/1.1\r\nHost: {netloc}\r\nOrigin: http://{netloc}\r\n"
        f"Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n"
        f"Sec-WebSocket-Key: {key}\r\n{extension}\r\n".encode()
    )
    head = await reader.readuntil(b"\r\n\r\n")
    assert b" 101 " in head.partition(b"\r\n")[0], head
    assert (b"permessage-deflate" in head) is deflates, head
    try:
        while data := await reader.read(65_536):
            counts[0] += len(data)
    finally:
        writer.close()


async def traffic(
    changing: int, seconds: float, *, deflates: bool, settling_s: float = 1.0
) -> float:
    """Bytes a second of one viewer, once it has had everything."""
    folder = folder_of(*changing_machine(changing), "wide")
    counts = [0]
    async with paged(folder) as (_, _, url):
        viewer = asyncio.create_task(look(url, deflates=deflates, counts=counts))
        await asyncio.sleep(settling_s)
        before, began = counts[0], time.monotonic()
        await asyncio.sleep(seconds)
        found = (counts[0] - before) / (time.monotonic() - began)
        viewer.cancel()
        await asyncio.gather(viewer, return_exceptions=True)
    return found


@dataclass(frozen=True, slots=True)
class Looked:
    """A run of the controller, and the bytes a second that all viewers got."""

    run: Run
    bytes_s: float


async def looked_at(seconds: float, viewers: int) -> Looked:
    """The controller of control_load with a page and so many viewers."""
    folder = folder_of(machine_text(), program_text(), "load")
    async with control_load._outside() as field:
        assert field.stdout is not None
        port = int(await asyncio.to_thread(field.stdout.readline))
        async with paged(folder, ("127.0.0.1", port)) as (page, controller, url):
            with _viewers(url, viewers) as watching:
                await _until_settled(page, controller, viewers)
                settle_memory()
                await asyncio.sleep(0.2)
                statistics = controller.statistics = RecordingStatistics()
                await asyncio.sleep(seconds)
                run = Run(
                    list(statistics.samples.late),
                    list(statistics.samples.took),
                    statistics.overruns,
                )
                assert len(page.hub.viewers) == viewers, "a viewer was lost"
                watching.terminate()
                said, _ = await asyncio.to_thread(watching.communicate)
    return Looked(run, float(said or 0.0))


@contextlib.contextmanager
def _viewers(url: str, count: int):  # type: ignore[no-untyped-def]
    command = [sys.executable, __file__, "viewers", url, str(count)]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        try:
            yield process
        finally:
            process.kill()


async def _until_settled(page: Page, controller: Controller, viewers: int) -> None:
    deadline = time.monotonic() + 60
    while not controller.link_healthy or len(page.hub.viewers) < viewers:
        assert time.monotonic() < deadline, "no field or no viewers"
        await asyncio.sleep(0.05)
    await asyncio.sleep(1.0)


async def view(url: str, count: int) -> None:
    """The other process: so many viewers until it is told to end; then their bytes a second."""
    import signal

    counts, began = [0], time.monotonic()
    ended = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, ended.set)
    tasks = [asyncio.create_task(look(url, deflates=True, counts=counts)) for _ in range(count)]
    await ended.wait()
    print(counts[0] / (time.monotonic() - began), flush=True)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


def main() -> None:
    """Print bytes a second, then the distributions and their ratios."""
    if sys.argv[1:2] == ["viewers"]:
        run_loop(view(sys.argv[2], int(sys.argv[3])))
        return
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    viewers = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    if sys.argv[3:] == ["realtime"]:
        control_load._go_first(2)
    print(f"load of the machine (1 min): {os.getloadavg()[0]:.1f}")
    for changing in (POINTS, POINTS // 10):
        for deflates in (False, True):
            found = run_loop(traffic(changing, min(seconds, 5.0), deflates=deflates))
            how = "deflated" if deflates else "plain"
            kib = found / 1024
            print(f"{changing} of {POINTS} points change, {how}: {kib:.1f} KiB/s a viewer")
    runs = {count: run_loop(looked_at(seconds, count)) for count in (0, viewers)}
    alone = runs[0].run
    for count, looked in runs.items():
        run = looked.run
        for what, values, bare in (("late", run.late, alone.late), ("took", run.took, alone.took)):
            row = "".join(f"{quantile(values, share):9.0f}" for share in SHARES)
            ratios = [quantile(values, s) / max(1.0, quantile(bare, s)) for s in SHARES]
            shown = "".join(f"{ratio:7.2f}" for ratio in ratios)
            print(f"{count:3} viewers {what} us {row}   against none {shown}")
        early = sum(late < 2_000 for late in run.late) / len(run.late)
        print(
            f"    below 2 ms {100 * early:.2f} %, overruns {100 * run.overrun_share:.2f} %, "
            f"all viewers {looked.bytes_s / 1024:.0f} KiB/s"
        )


if __name__ == "__main__":
    main()
