"""`bench`: the page of a controller that runs in another process."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from softctl.cli.live import Options, closing, endpoint, run_serving, until_stopped
from softctl.cli.output import JsonOutput, Output, TextOutput
from softctl.cli.page import PageOptions, page_settings
from softctl.cli.status import Status
from softctl.errors import SoftctlError
from softctl.runtime.caution import CAUTION
from softctl.runtime.hosts import require_drivable


@dataclass(frozen=True, slots=True)
class Attached:
    """The controller that is meant: its HMI server, and who confirmed that it may be driven."""

    hmi: str | None
    drive: str | None


def run_bench(options: Options, page: PageOptions, attached: Attached) -> None:
    """Serve the page until stopped; raises SoftctlError."""
    settings = page_settings(page)
    from softctl.web.remote import RemoteBench
    from softctl.web.start import remote_page

    folder = options.load()
    machine = folder.machine
    if machine.hmi.security is not None:
        raise SoftctlError(
            "expected an HMI server in the clear for bench, got one with TLS: "
            "use the page of the controller itself (--page)"
        )
    host, port = endpoint(attached.hmi) if attached.hmi else (machine.hmi.host, machine.hmi.port)
    require_drivable(machine, host, attached.drive)
    status = Status(machine, None, None)
    output: Output = JsonOutput(status) if options.as_json else TextOutput(status)
    bench = RemoteBench(folder, host, port, options.state_of(folder), output.event)
    served = remote_page(bench, settings, output.event)

    async def serve(output: Output, stop: asyncio.Event) -> None:
        async with closing(bench.close), closing(served.close):
            output.event("bench page", url=await served.start(), caution=CAUTION)
            await until_stopped(options, stop, output, bench.run)

    run_serving(serve, output)
