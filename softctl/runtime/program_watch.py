"""Follows the programs of a machine folder: what is saved is what runs."""

from __future__ import annotations

import asyncio
from pathlib import Path

from softctl.errors import ProblemsError, SoftctlError
from softctl.machine import Machine
from softctl.runtime.control_service import ControlService
from softctl.runtime.events import EventSink, tell_problems
from softctl.runtime.folder import compile_programs, read_programs
from softctl.runtime.settled_files import SettledFiles

LOOK_EVERY_S = 0.5


class ProgramWatch:
    """Changes a running controller's programs when their files change.

    A version with errors changes nothing, and its errors are told.
    """

    def __init__(self, folder: Path, service: ControlService, sink: EventSink) -> None:
        self._folder = folder
        self._service = service
        self._sink = sink
        machine = service.controller.machine
        self._files = SettledFiles([folder / str(one.value) for one in machine.programs])

    async def watch(self) -> None:
        """Look at the files again and again; never returns."""
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            await self.look()

    async def look(self) -> None:
        """Change the program if its files have changed and stand still."""
        if self._files.have_changed():
            await self._change(self._service.controller.machine)

    async def _change(self, machine: Machine) -> None:
        try:
            programs = read_programs(self._folder, machine)
            application = await asyncio.to_thread(compile_programs, machine, programs)
            await self._service.change(application)
        except ProblemsError as error:
            tell_problems(error, "the program stays as it was", self._sink)
        except SoftctlError as error:
            self._sink("the program stays as it was", reason=str(error))
