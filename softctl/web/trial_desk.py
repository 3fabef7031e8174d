"""Trials run and watched from a page, beside the machine and never on it."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Iterator, Mapping
from typing import Any

from softctl.errors import Problem, ProblemsError, SoftctlError
from softctl.machine.document import read_document
from softctl.runtime.folder import MachineFolder, read_text, shown_path
from softctl.runtime.tasks import end_task
from softctl.runtime.trials import trial_paths
from softctl.web.access import Person, Role
from softctl.web.actions import Act, Message, number, text
from softctl.web.bench import Bench, Row, Show

FASTEST = 1_000.0
_LONGEST_LINE = 4 * 1024 * 1024


def trial_rows(folder: MachineFolder) -> list[Row]:
    """The trials of a folder by name, with file and text; files that cannot be read are left out.

    Nothing is compiled: what is wrong with a trial is told when it is run.
    """
    rows: list[Row] = []
    for path in trial_paths(folder.path):
        try:
            rows += _named(read_text(path), shown_path(path))
        except ProblemsError:
            continue
    return rows


def _named(content: str, file: str) -> Iterator[Row]:
    problems: list[Problem] = []
    trials = read_document(content, file, problems, "'trials:'").child("trials")
    if trials is None or not isinstance(trials.value, dict):
        return
    for name in trials.keys:
        one = trials.child(name)
        said = one.child("text") if one is not None and isinstance(one.value, dict) else None
        words = said.value if said is not None and isinstance(said.value, str) else ""
        yield {"name": name, "file": file, "text": words}


class TrialDesk:
    """One trial at a time, in a process of its own (`trial_worker`)."""

    def __init__(self, bench: Bench, show: Show) -> None:
        self._bench = bench
        self._show = show
        self._rows = list(bench.trials())
        self._verdicts: dict[str, str] = {}
        self._running: asyncio.Task[None] | None = None
        self._tell_verdicts()

    def acts(self) -> dict[str, Act]:
        """Run one, and stop it."""
        return {
            "trial": Act(Role.ENGINEER, self._start),
            "trial_stop": Act(Role.ENGINEER, self._stop),
        }

    async def close(self) -> None:
        """Stop what runs."""
        if self._running is not None:
            await end_task(self._running)

    async def _start(self, person: Person, message: Message) -> Mapping[str, Any]:
        name, speed = text(message, "name"), number(message, "speed", 10.0)
        if name not in (row["name"] for row in self._rows):
            known = ", ".join(row["name"] for row in self._rows) or "none"
            raise SoftctlError(f"expected a trial ({known}), got {name}")
        if not 0 <= speed <= FASTEST:
            raise SoftctlError(f"expected a speed from 0 to {FASTEST:g}, got {speed:g}")
        if self._running is not None and not self._running.done():
            raise SoftctlError("expected no trial to run beside another, got one that runs")
        self._running = asyncio.create_task(self._run(name, speed))
        self._bench.note("run", name, "trial begun", person.source)
        return {}

    async def _stop(self, person: Person, _: Message) -> Mapping[str, Any]:
        if self._running is None or self._running.done():
            raise SoftctlError("expected a trial that runs, got none")
        self._running.cancel()
        self._bench.note("run", "", "trial stopped", person.source)
        return {}

    async def _run(self, name: str, speed: float) -> None:
        self._tell({"name": name, "running": True, "at_s": 0.0, "rows": [], "verdict": None})
        command = (sys.executable, "-m", "softctl.web.trial_worker")
        arguments = (str(self._bench.folder.path), name, str(speed))
        worker = await asyncio.create_subprocess_exec(
            *command, *arguments, stdout=asyncio.subprocess.PIPE, limit=_LONGEST_LINE
        )
        last: dict[str, Any] = {"rows": []}
        try:
            assert worker.stdout is not None, "it was asked for"
            while line := await worker.stdout.readline():
                last = json.loads(line)
                self._tell({"name": name, **last})
        finally:
            if worker.returncode is None:
                worker.kill()
            await worker.wait()
            self._end(name, last)

    def _end(self, name: str, last: Mapping[str, Any]) -> None:
        """The last word; a worker that was stopped, or died, has not said it."""
        verdict = last.get("verdict") or "not run"
        stopped = last.get("stopped", "stopped before its end")
        self._verdicts[name] = verdict
        self._tell({**last, "name": name, "running": False, "verdict": verdict, "stopped": stopped})
        self._tell_verdicts()
        self._bench.note("run", name, f"trial ended: {verdict}", "")

    def _tell(self, body: Mapping[str, Any]) -> None:
        self._show("trial", body)

    def _tell_verdicts(self) -> None:
        rows = [{**row, "verdict": self._verdicts.get(row["name"])} for row in self._rows]
        self._show("trials", {"rows": rows})
