"""Follows the programs of a machine folder: what is saved is what runs."""

from __future__ import annotations

import asyncio
from pathlib import Path

from softctl.errors import ProblemsError, SoftctlError
from softctl.machine import Machine
from softctl.runtime.control_service import ControlService
from softctl.runtime.events import EventSink
from softctl.runtime.folder import compile_programs, read_programs

LOOK_EVERY_S = 0.5

_Marks = dict[Path, tuple[int, int] | None]


class ProgramWatch:
    """Changes a running controller's programs when their files change.

    Editors write in steps, so a change is read when it is still the same at the second
    look. One with errors changes nothing, and its errors are told.
    """

    def __init__(self, folder: Path, service: ControlService, sink: EventSink) -> None:
        self._folder = folder
        self._service = service
        self._sink = sink
        machine = service.controller.machine
        self._paths = [folder / str(program.value) for program in machine.programs]
        self._read = self._seen = self._marks()

    async def watch(self) -> None:
        """Look at the files again and again; never returns."""
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            await self.look()

    async def look(self) -> None:
        """Change the program if its files have changed and stand still."""
        before, self._seen = self._seen, self._marks()
        if self._seen == before != self._read:
            self._read = self._seen
            await self._change(self._service.controller.machine)

    async def _change(self, machine: Machine) -> None:
        try:
            programs = read_programs(self._folder, machine)
            application = await asyncio.to_thread(compile_programs, machine, programs)
            await self._service.change(application)
        except ProblemsError as error:
            for problem in error.problems:
                reason = f"{problem.message} ({problem.place}) {problem.hint}".rstrip()
                self._sink("the program stays as it was", reason=reason)
        except SoftctlError as error:
            self._sink("the program stays as it was", reason=str(error))

    def _marks(self) -> _Marks:
        return {path: _mark(path) for path in self._paths}


def _mark(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size
