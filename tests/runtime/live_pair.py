"""A field and a controller in this process, over loopback TCP, for tests that disturb them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from softctl.control import Controller
from softctl.field import FieldDevice
from softctl.journal import JournalWriter
from softctl.machine import Machine
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService
from softctl.runtime.folder import MachineFolder
from softctl.runtime.hmi_client import HmiClient
from softctl.runtime.service_requests import ServiceRequests
from softctl.runtime.state import StateKeeper
from softctl.values.tables import Table

OUTPUTS = ("P_101", "P_102", "A_101", "XV_101")


class Pair:
    """The demo live; `control` replaces fields of its machine."""

    def __init__(
        self,
        folder: MachineFolder,
        tmp_path: Path,
        journal: JournalWriter | None = None,
        **control: object,
    ) -> None:
        machine: Machine = replace(folder.machine, **control)
        self.machine = machine
        self.device = FieldDevice(machine, folder.build_plant())
        self.controller = Controller(machine, folder.application)
        self.clock = MachineClock()
        self.field = FieldService(self.device, self.clock)
        self.field_at = ("127.0.0.1", 0)
        self.hmi_at = ("127.0.0.1", 0)
        self.events: list[tuple[str, dict[str, object]]] = []
        self.service = ControlService(
            self.controller,
            self.clock,
            lambda event, **fields: self.events.append((event, fields)),
            keeper=StateKeeper(self.controller, tmp_path),
            journal=journal,
        )
        self.answer = ServiceRequests(self.service).answer

    async def __aenter__(self) -> Pair:
        self.field_at = await self.field.start("127.0.0.1", 0)
        self.hmi_at = await self.service.start("127.0.0.1", 0, self.field_at)
        await self.until(lambda: self.controller.link_healthy)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.service.close()
        await self.field.close()

    async def until(self, condition: Callable[[], object]) -> None:
        """Wait for a condition; fails after a long while."""
        for _ in range(4_000):
            if condition():
                return
            await asyncio.sleep(0.005)
        raise AssertionError(self.events)

    async def scans(self, count: int) -> None:
        """Wait for so many scans."""
        end = self.controller.statistics.scans + count
        await self.until(lambda: self.controller.statistics.scans >= end)

    async def feed(self) -> None:
        """START, until a pump is told to run; again where a busy computer lost the link."""

        def is_feeding() -> object:
            if self.controller.link_healthy:
                self.controller.hmi.give(["START"])
            return self.shown("P_101")

        await self.until(is_feeding)

    def shown(self, name: str) -> object:
        """A point's value on the HMI map."""
        return self.controller.values()[name]

    def is_safe(self) -> bool:
        """Whether all outputs are off on the map and on the cards."""
        cards = self.device.bank.bits(Table.COILS)
        return not any(self.shown(name) for name in OUTPUTS) and not any(cards)

    def hang_once(self, act: Callable[[], None]) -> None:
        """Let the next scan of the programs do this first."""
        honest = self.controller.scan

        def scan(now_ns: int) -> None:
            self.controller.scan = honest  # type: ignore[method-assign]
            act()
            honest(now_ns)

        self.controller.scan = scan  # type: ignore[method-assign]

    def stopped(self) -> list[dict[str, object]]:
        """What was told about programs that stopped."""
        wanted = "program stopped, outputs at fail-safe"
        return [fields for event, fields in self.events if event == wanted]

    def client(self) -> HmiClient:
        """An HMI, not yet connected."""
        return HmiClient(self.machine, *self.hmi_at)
