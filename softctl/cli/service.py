"""Commands for a controller that runs: load a program, force a variable, act on alarms."""

from __future__ import annotations

import getpass
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from softctl.cli.durations import read_duration
from softctl.runtime.folder import compile_programs, demo_folder, read_machine, read_programs
from softctl.runtime.service_port import ask
from softctl.runtime.state import SERVICE_SOCKET, state_directory


@dataclass(frozen=True, slots=True)
class Running:
    """The controller that is meant: of this machine folder, with this state directory."""

    folder: Path | None
    state: Path | None

    @property
    def machine_folder(self) -> Path:
        """The folder, or the demo's."""
        return self.folder or demo_folder()

    def ask(self, what: str, **details: object) -> dict[str, Any]:
        """Its answer; raises SoftctlError with its refusal."""
        folder = self.machine_folder
        state = self.state or state_directory(folder, read_machine(folder).name)
        return ask(state / SERVICE_SOCKET, {"do": what, "by": _me(), **details})


def load(running: Running) -> None:
    """Send the programs of a folder to the controller that runs it."""
    folder = running.machine_folder
    machine = read_machine(folder)
    programs = read_programs(folder, machine)
    compile_programs(machine, programs)
    answer = running.ask("load", sources=[[source.name, source.text] for source in programs])
    print(f"program changed, {answer['kept']} values go on")
    for what, words in (("reset", "starts anew"), ("gone", "is no longer there")):
        for path in answer[what]:
            print(f"  {path} {words}")


def stop(running: Running) -> None:
    """Stop the programs of the controller."""
    running.ask("stop")
    print("programs stopped, forces ended, outputs at fail-safe")


def restart(running: Running, *, cold: bool) -> None:
    """Start stopped or failed programs anew."""
    answer = running.ask("restart", cold=cold)
    if cold:
        print("programs started cold: every variable at its initial value")
    else:
        print(f"programs started warm: {answer['restored']} RETAIN values go on")


def force(running: Running, path: str, value: str, time: str, reason: str) -> None:
    """Hold a point or variable at a value."""
    for_ns = read_duration(time)
    answer = running.ask("force", path=path, value=value, for_ns=for_ns, reason=reason)
    print(f"{answer['path']} is held at {answer['value']} for {time}")


def show_forces(running: Running) -> None:
    """List what is held."""
    rows = running.ask("forces")["forces"]
    for row in rows:
        reason = f": {row['reason']}" if row["reason"] else ""
        left = f"{row['left_s']:.0f} s left"
        print(f"{row['path']} is held at {row['value']} by {row['by']}{reason} ({left})")
    if not rows:
        print("nothing is forced")


def release(running: Running, path: str | None) -> None:
    """Let one variable go, or all."""
    released = running.ask("release", path=path)["released"]
    print(f"released: {', '.join(released) or 'nothing was forced'}")


def show_alarms(running: Running, *, everything: bool) -> None:
    """List the alarms that are not normal, or all, and how many come."""
    answer = running.ask("alarms")
    rows = answer["alarms"]
    shown = [row for row in rows if everything or _is_notable(row)]
    for row in shown:
        in_service = row["availability"] == "in service"
        state = row["state"] if in_service else row["availability"]
        first = ", first out" if row["first_out"] else ""
        print(f"{row['name']:<20}{state:<28}{row['priority']:<8}{row['text']}{first}")
    if not shown:
        print(f"all of {len(rows)} alarms are normal")
    rates = answer["rates"]
    print(
        f"in 10 minutes: {rates['last_10_min']} now, {rates['peak_10_min']} at most, "
        f"{rates['mean_10_min']:.1f} in the mean ({rates['verdict']}); floods: {rates['floods']}"
    )


def act_on_alarm(running: Running, act: str, name: str, time: str) -> None:
    """Acknowledge, confirm, reset, shelve… one alarm."""
    answer = running.ask("alarm", act=act, name=name, for_ns=read_duration(time))
    print(f"{name} is {answer['state']}")


def _is_notable(row: dict[str, Any]) -> bool:
    return bool(row["state"] != "normal" or row["availability"] != "in service")


def _me() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "somebody here"
