"""Many devices of one machine: `softctl field --count`."""

from __future__ import annotations

import asyncio
import time
from collections import deque
from dataclasses import dataclass

from softctl.cli import live
from softctl.cli.output import Output, open_output
from softctl.cli.status import Status
from softctl.errors import SoftctlError
from softctl.field import FieldDevice
from softctl.machine import Machine
from softctl.runtime.clock import MachineClock
from softctl.runtime.fleet_seats import Seat, Spread, seats
from softctl.runtime.fleet_service import FleetService
from softctl.runtime.loop import settle_memory
from softctl.runtime.tls_files import server_tls

_TELL_EVERY_S = 10.0
_RATE_WINDOW = 8


@dataclass(frozen=True, slots=True)
class Bases:
    """Where devices in a row begin; one of the three is given."""

    port: int | None
    address: str | None
    unit: int | None

    @property
    def given(self) -> list[str]:
        """The options that were given."""
        options = {
            "--base-port": self.port,
            "--base-address": self.address,
            "--base-unit": self.unit,
        }
        return [name for name, value in options.items() if value is not None]

    def seats(self, machine: Machine, where: live.Where, count: int) -> list[Seat]:
        """A seat for each of so many devices; ports in a row if no base is given.

        Raises:
            SoftctlError: more than one base, a base beside what it replaces, or too many.
        """
        host, port = where
        if len(self.given) > 1:
            raise SoftctlError(f"expected one way to put devices in a row, got {self._both()}")
        if self.port is not None and port is not None:
            raise SoftctlError("expected --base-port or --port, got both")
        if self.address is not None and host is not None:
            raise SoftctlError("expected --base-address or --host, got both")
        field = machine.field
        usual_port = field.port if port is None else port
        first = Seat(
            self.address or host or field.host,
            usual_port if self.port is None else self.port,
            field.unit if self.unit is None else self.unit,
        )
        spread = Spread.UNIT if self.unit is not None else Spread.PORT
        return seats(count, first, Spread.ADDRESS if self.address is not None else spread)

    def _both(self) -> str:
        return " and ".join(self.given)


def run_fleet(options: live.Options, where: live.Where, count: int, bases: Bases) -> None:
    """Many independent devices of one machine, until stopped."""
    if options.wire_faults is not None:
        raise SoftctlError("expected --wire-faults for one machine, got it beside --count")
    folder = options.load()
    machine = folder.machine
    row = bases.seats(machine, where, count)
    device = FieldDevice(machine, folder.build_plant())
    status = Status(machine, None, None)

    async def serve(output: Output, stop: asyncio.Event) -> None:
        clock = MachineClock(options.speed)
        fleet = FleetService(device, row, clock, output.event)
        if options.field_audit is not None:
            options.field_audit.watch_fleet(fleet)
        meter = Meter(fleet)
        status.summary = meter.line
        async with live.closing(fleet.close):
            await fleet.start(server_tls(machine.field, folder.path))
            settle_memory()
            first, last = fleet.members[0], fleet.members[-1]
            output.begin(clock=clock, field=(first.seat.host, first.seat.port), hmi=None)
            output.event(
                "devices ready",
                count=count,
                first=str(first.seat),
                last=str(last.seat),
                seeds=f"{first.seed} to {last.seed}",
                round_ms=round(clock.wall_ns(fleet.round_ns) / 1e6, 3),
            )
            await live.until_stopped(options, stop, output, fleet.wait, meter.teller(output))

    live.run_serving(serve, open_output(status, as_json=options.as_json))


class Meter:
    """The figures of many devices, with the rate of requests over the last moments."""

    def __init__(self, fleet: FleetService) -> None:
        self._fleet = fleet
        self._seen: deque[tuple[int, int]] = deque(maxlen=_RATE_WINDOW)

    def figures(self) -> dict[str, object]:
        """Devices, clients, requests, rate since some calls ago, steps late, time lost."""
        fleet = self._fleet
        now_ns, requests = time.monotonic_ns(), fleet.requests
        then_ns, before = self._seen[0] if self._seen else (now_ns, requests)
        self._seen.append((now_ns, requests))
        rate = (requests - before) / ((now_ns - then_ns) / 1e9) if now_ns > then_ns else 0.0
        return {
            "devices": len(fleet.members),
            "driven": fleet.driven,
            "clients": fleet.clients,
            "requests": requests,
            "requests_per_s": round(rate),
            "late_steps": fleet.late_steps,
            "lost_s": round(fleet.lost_ns / 1e9, 3),
        }

    def line(self) -> str:
        """The same for a screen."""
        return "   ".join(f"{name.replace('_', ' ')} {n}" for name, n in self.figures().items())

    def teller(self, output: Output) -> live.Loop:
        """What tells the figures now and then, where no screen shows them."""

        async def tell() -> None:
            meter = Meter(self._fleet)
            meter.figures()
            while True:
                await asyncio.sleep(_TELL_EVERY_S)
                output.event("load", **meter.figures())

        return tell
