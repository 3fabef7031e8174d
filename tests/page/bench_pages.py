"""Machines that run behind a bench page, and a browser that must not complain."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from playwright.async_api import ConsoleMessage, Page
from programs import Program, port_of, started

CONFIGS = Path(__file__).parents[2] / "configs"
SECTIONS = (
    "machine",
    "sequence",
    "trends",
    "points",
    "faults",
    "alarms",
    "clients",
    "checks",
)


@dataclass(frozen=True, slots=True)
class Bench:
    """One machine that runs: its page, and where its two Modbus servers listen."""

    program: Program
    url: str
    hmi_port: int
    field_port: int


@contextlib.contextmanager
def running(machine: str, state: Path, *options: str, page: int = 0) -> Iterator[Bench]:
    """`softctl run` of one of the machines in configs, with a page."""
    arguments = ("run", str(CONFIGS / machine), "--field-port", "0", "--hmi-port", "0")
    environment = {"XDG_STATE_HOME": str(state)}
    with started(*arguments, "--page", str(page), *options, environment=environment) as program:
        url = program.wait_for("bench page")["url"]
        ready = program.wait_for("ready")
        yield Bench(program, url, port_of(ready["hmi"]), port_of(ready["field"]))


class Complaints:
    """What a browser complained of: errors on its console (the CSP's too), and in scripts."""

    def __init__(self, page: Page) -> None:
        self.found: list[str] = []
        page.on("console", self._note)
        page.on("pageerror", lambda error: self.found.append(f"script: {error}"))

    def _note(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            where = message.location.get("url", "")
            self.found.append(f"{message.type}: {message.text} ({where})")
