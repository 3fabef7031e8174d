"""The real command: as a process that says when it is ready, or in this one until it ends."""

from __future__ import annotations

import contextlib
import io
import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any
from unittest import mock

import pytest

READY_S = 60.0


@dataclass
class Program:
    """A running softctl command with the events it has told so far."""

    process: subprocess.Popen[str]
    events: queue.Queue[dict[str, Any]] = field(default_factory=queue.Queue)
    seen: list[dict[str, Any]] = field(default_factory=list)

    def wait_for(self, event: str, timeout_s: float = READY_S) -> dict[str, Any]:
        """The next event of that name; fails the test when it does not come."""
        deadline = time.monotonic() + timeout_s
        while True:
            try:
                found = self.events.get(timeout=max(0.01, deadline - time.monotonic()))
            except queue.Empty:
                raise AssertionError(f"no event {event!r}, but {self.seen}") from None
            self.seen.append(found)
            if found.get("event") == event:
                return found

    def stop(self) -> int:
        """Ctrl-C, and the exit code."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(timeout=20)

    def kill(self) -> None:
        """SIGKILL: no good-bye of any kind."""
        self.process.kill()
        self.process.wait(timeout=20)


@contextlib.contextmanager
def started(*arguments: str, environment: Mapping[str, str] | None = None) -> Iterator[Program]:
    """Run `softctl ARGUMENTS --log json` and stop it at the end, whatever happens."""
    command = [sys.executable, "-m", "softctl", *arguments, "--log", "json"]
    environ = {**os.environ, **(environment or {})}
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environ
    )
    program = Program(process)
    reader = threading.Thread(target=_read, args=(program,), daemon=True)
    reader.start()
    try:
        yield program
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(timeout=20)
        reader.join(timeout=20)
        assert process.stdout is not None
        process.stdout.close()


def _read(program: Program) -> None:
    assert program.process.stdout is not None
    for line in program.process.stdout:
        try:
            program.events.put(json.loads(line))
        except ValueError:
            program.events.put({"event": "not JSON", "line": line})


def ended(*arguments: str) -> subprocess.CompletedProcess[str]:
    """A command that ends by itself, in this process: another would load everything anew."""
    from softctl.cli.app import main

    printed, errors = io.StringIO(), io.StringIO()
    with (
        mock.patch.object(sys, "argv", ["softctl", *arguments]),
        contextlib.redirect_stdout(printed),
        contextlib.redirect_stderr(errors),
        pytest.raises(SystemExit) as end,
    ):
        main()
    code = int(end.value.code or 0)
    return subprocess.CompletedProcess(arguments, code, printed.getvalue(), errors.getvalue())


def port_of(endpoint: str) -> int:
    """The port of `host:port`."""
    return int(endpoint.rpartition(":")[2])
