"""A file of wire faults in force: read at the start, and again whenever it changes."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping
from pathlib import Path

from softctl.errors import ProblemsError
from softctl.machine import Machine
from softctl.modbus.faults import Faults, Rule
from softctl.runtime.events import EventSink, ignore, tell_problems
from softctl.runtime.folder import read_text, shown_path
from softctl.runtime.settled_files import SettledFiles
from softctl.wire import WireFaults, parse_wire_faults

LOOK_EVERY_S = 0.25


class WireFaultFile:
    """Keeps the faults of running servers as a file says.

    A person switches faults while everything runs by editing the file. One with errors
    changes nothing, and its errors are told; faults that the new text has unchanged go on
    undisturbed.

    Raises:
        ProblemsError: the file cannot be read or has errors at the start.
    """

    def __init__(self, path: Path, machine: Machine) -> None:
        self._path = path
        self._machine = machine
        self._files = SettledFiles([path])
        self._plan = self._read()
        self._servers: Mapping[str, Faults] = {}
        self._sink: EventSink = ignore
        self._running: dict[Rule, tuple[str, int]] = {}

    def attach(self, servers: Mapping[str, Faults], sink: EventSink = ignore) -> None:
        """Put the faults in force at the servers of this process, by "field" and "hmi"."""
        self._servers = servers
        self._sink = sink
        self._apply()

    async def watch(self) -> None:
        """Look at the file, and tell which faults begin and end; never returns."""
        while True:
            self.look()
            await asyncio.sleep(LOOK_EVERY_S)

    def look(self) -> None:
        """Read the file again if it has changed, and tell which faults began or ended."""
        if self._files.have_changed():
            self._reload()
        self._tell_changes()

    def _reload(self) -> None:
        try:
            self._plan = self._read()
        except ProblemsError as error:
            tell_problems(error, "wire faults stay as they were", self._sink)
        else:
            self._apply()

    def _read(self) -> WireFaults:
        text = read_text(self._path, "a file of wire faults")
        return parse_wire_faults(text, shown_path(self._path), self._machine)

    def _apply(self) -> None:
        for server, rules in (("field", self._plan.field), ("hmi", self._plan.hmi)):
            if server in self._servers:
                self._servers[server].replace(rules)
            elif rules:
                names = ", ".join(rule.name for rule in rules)
                self._sink("wire faults of another process", server=server, faults=names)

    def _tell_changes(self) -> None:
        """Faults begin and end with their times, with the file, and by the program.

        What one has struck is as it was at the last look before its end.
        """
        now_ns = time.monotonic_ns()
        running = {
            rule: (server, faults.count(rule))
            for server, faults in self._servers.items()
            for rule in faults.active(now_ns)
        }
        for rule, (server, struck) in self._running.items():
            if rule not in running:
                self._sink("wire fault ends", server=server, fault=rule.name, struck=struck)
        for rule, (server, _) in running.items():
            if rule not in self._running:
                self._sink(
                    "wire fault begins", server=server, fault=rule.name, effect=rule.effect.title
                )
        self._running = running
