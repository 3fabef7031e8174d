"""`bench` against a controller that runs in another process: map, socket, journal."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from bench_page import Look, Served

from softctl.control import Controller
from softctl.errors import SoftctlError
from softctl.field import FieldDevice
from softctl.journal import JournalWriter
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.events import ignore
from softctl.runtime.field_service import FieldService
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder
from softctl.runtime.service_port import ServicePort
from softctl.runtime.service_requests import ServiceRequests
from softctl.runtime.state import JOURNAL_FILE, SERVICE_SOCKET
from softctl.runtime.tasks import end_task
from softctl.web.remote import RemoteBench
from softctl.web.start import PageSettings, remote_page

pytestmark = pytest.mark.network


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


@contextlib.asynccontextmanager
async def attached(
    folder: MachineFolder, state: Path, *, has_socket: bool
) -> AsyncIterator[tuple[Served, ControlService]]:
    """A field and a controller with their state in a directory, and a page that has only that
    and the HMI map."""
    clock = MachineClock()
    field = FieldService(FieldDevice(folder.machine, folder.build_plant()), clock)
    journal = JournalWriter(state / JOURNAL_FILE) if has_socket else None
    control = ControlService(Controller(folder.machine, folder.application), clock, journal=journal)
    entrance = ServicePort(state / SERVICE_SOCKET, ServiceRequests(control).answer)
    at_field = await field.start("127.0.0.1", 0)
    host, port = await control.start("127.0.0.1", 0, at_field)
    if has_socket:
        await entrance.start()
    bench = RemoteBench(folder, host, port, state, ignore)
    page = remote_page(bench, PageSettings())
    running = asyncio.create_task(bench.run())
    try:
        yield Served(page, bench, await page.start(), []), control  # type: ignore[arg-type]
    finally:
        await page.close()
        await end_task(running)
        await bench.close()
        await entrance.close()
        await control.close()
        await field.close()


async def channels(page: Served) -> tuple[dict[str, Any], list[str]]:
    model = json.loads((await page.get("/api/model"))[2])
    return model, model["channels"]


async def begin(viewer: Look, names: list[str]) -> None:
    """Until values come over the map."""
    await viewer.until("full")
    await viewer.until_value(names.index("stat:link"), True)


async def test_a_controller_elsewhere_is_shown_and_asked_through_its_socket(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """Values, steps, forces, alarms and events come, each deed with the page's name; what
    cannot be had has its reason."""
    async with (
        attached(folder, tmp_path, has_socket=True) as (page, control),
        page.look() as viewer,
    ):
        model, names = await channels(page)
        assert not model["can"]["time"]
        assert model["why"]["time"] == "The machine runs in another process."
        assert model["can"]["forces"]
        assert model["history_clock"] == "wall"
        await begin(viewer, names)
        await viewer.until_value(names.index("step:Feed.Idle"), True)
        await viewer.do("command", name="START")
        await viewer.until_value(names.index("step:Feed.Idle"), False)
        event = await viewer.until("event", kind="write")
        assert (event["text"], event["by"]) == (
            "START given = True",
            "page: engineer 127.0.0.1",
        )
        await viewer.do("force", path="LT_101", value=0.5, for_s=60, reason="test")
        assert [one.path for one in control.controller.forces.held] == ["LT_101"]
        first = (await viewer.do("subscribe", names=["var:Feed.heel"]))["first"]
        while viewer.values[first : first + 1] in ([], [None]):
            await viewer.next()
        assert isinstance(viewer.values[first], float)
        assert "expected something to do" in (await viewer.ask("pause"))["error"]


async def test_without_a_socket_there_is_still_the_map(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """Points come and commands go as an HMI's; forces and the past are refused with reasons."""
    async with (
        attached(folder, tmp_path, has_socket=False) as (page, control),
        page.look() as viewer,
    ):
        model, names = await channels(page)
        assert "no service socket" in model["why"]["forces"]
        assert "no journal" in model["why"]["journal"]
        await begin(viewer, names)
        await viewer.do("command", name="START")
        async with asyncio.timeout(60):
            while "Idle" in control.controller.instance.active_steps("Feed"):
                await asyncio.sleep(0.02)
        refused = await viewer.ask("force", path="LT_101", value=0.5, for_s=60, reason="test")
        assert "expected a running controller, got none" in refused["error"]
        assert (await page.get("/api/history?names=LT_101&from=0&to=9"))[0] == 400
        with pytest.raises(SoftctlError, match="another process"):
            page.bench.tap("hmi", "x")
