"""The entrance of a running controller, and following its program files."""

from __future__ import annotations

import asyncio
import json
import socket
import stat
from pathlib import Path

import pytest

from softctl.control import Controller
from softctl.errors import SoftctlError
from softctl.logic.literals import parse_value
from softctl.machine import parse_machine
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.folder import compile_programs, read_programs
from softctl.runtime.program_watch import ProgramWatch
from softctl.runtime.service_port import ServicePort, ask
from softctl.runtime.service_requests import ServiceRequests

MACHINE = """
name: counter
programs: [main.st]
control: {scan: 10 ms}
cards: {DO_1: {kind: digital output, channels: 8}}
points:
  LAMP: {card: DO_1, fail_safe: false}
  COUNT: {role: state, type: DINT}
alarms:
  MANY: {when: COUNT >= 3, text: many}
"""
PROGRAM = "PROGRAM Main VAR label : STRING; END_VAR COUNT := COUNT + 1; END_PROGRAM\n"

pytestmark = pytest.mark.network


async def echo(request):
    if request.get("do") == "fail":
        raise SoftctlError("expected something else")
    return {"heard": request["do"]}


async def test_a_request_gets_its_answer_and_a_refusal_its_reason(tmp_path: Path) -> None:
    """One line each way; nobody but the owner may open the socket."""
    path = tmp_path / "s"
    port = ServicePort(path, echo)
    await port.start()
    assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0
    assert await asyncio.to_thread(ask, path, {"do": "x"}) == {"heard": "x"}
    with pytest.raises(SoftctlError, match="expected something else"):
        await asyncio.to_thread(ask, path, {"do": "fail"})
    for line in (b"no json\n", b"[1]\n", b"{}\n"):
        answer = await asyncio.to_thread(_raw, path, line)
        assert "expected" in json.loads(answer)["error"]
    with pytest.raises(SoftctlError, match="another controller of this machine runs already"):
        await ServicePort(path, echo).start()
    await port.close()
    with pytest.raises(SoftctlError, match="expected a running controller, got none"):
        ask(path, {"do": "x"})


async def test_a_socket_that_nobody_answers_is_replaced(tmp_path: Path) -> None:
    """What a killed controller left behind is in nobody's way; a path has a limit."""
    path = tmp_path / "s"
    left = socket.socket(socket.AF_UNIX)
    left.bind(str(path))
    left.close()
    port = ServicePort(path, echo)
    await port.start()
    await port.close()
    with pytest.raises(SoftctlError, match="expected a shorter path"):
        await ServicePort(tmp_path / ("x" * 100), echo).start()


def _raw(path: Path, line: bytes) -> bytes:
    with socket.socket(socket.AF_UNIX) as connection:
        connection.connect(str(path))
        connection.sendall(line)
        return connection.makefile("rb").readline()


class Running:
    """A controller with no field, scanning in real time."""

    def __init__(self, folder: Path) -> None:
        (folder / "main.st").write_text(PROGRAM, encoding="utf-8")
        self.folder = folder
        self.machine = parse_machine(MACHINE, "machine.yaml")
        application = compile_programs(self.machine, read_programs(folder, self.machine))
        self.controller = Controller(self.machine, application)
        self.events: list[tuple[str, dict[str, object]]] = []
        self.service = ControlService(self.controller, MachineClock(), self.note)
        self.answer = ServiceRequests(self.service).answer

    def note(self, event: str, **fields: object) -> None:
        self.events.append((event, fields))

    async def __aenter__(self) -> Running:
        await self.service.start("127.0.0.1", 0, ("127.0.0.1", 1))
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.service.close()

    async def until(self, event: str) -> dict[str, object]:
        for _ in range(2_000):
            for name, fields in self.events:
                if name == event:
                    return fields
            await asyncio.sleep(0.005)
        raise AssertionError(self.events)


async def test_a_program_is_loaded_between_two_scans(tmp_path: Path) -> None:
    """Values go on; one that does not compile leaves the old one running."""
    async with Running(tmp_path) as running:
        await running.until("alarm raised")
        bad = {"do": "load", "sources": [["main.st", PROGRAM.replace(":=", "=:")]]}
        with pytest.raises(SoftctlError, match=r"main\.st:1:"):
            await running.answer(bad)
        changed = PROGRAM.replace("+ 1", "+ 1000").replace("label : STRING", "label : INT")
        before = running.controller.instance.read("COUNT")
        answer = await running.answer({"do": "load", "sources": [["main.st", changed]]})
        assert answer["reset"] == ["Main.label"]
        assert running.controller.instance.read("COUNT") >= before
        told = await running.until("program changed")
        assert told["reset"] == "Main.label"
        await asyncio.sleep(0.05)
        assert running.controller.instance.read("COUNT") >= 1000


async def test_saved_programs_are_followed(tmp_path: Path) -> None:
    """A file that stands still is loaded; one with errors is told and changes nothing."""
    async with Running(tmp_path) as running:
        watch = ProgramWatch(tmp_path, running.service, running.note)
        (tmp_path / "main.st").write_text(PROGRAM.replace("+ 1", "+"), encoding="utf-8")
        await watch.look()
        assert not [e for e in running.events if e[0].startswith("the program")]
        await watch.look()
        told = await running.until("the program stays as it was")
        assert "main.st:1:" in str(told["reason"])
        (tmp_path / "main.st").write_text(PROGRAM.replace("+ 1", "+ 1000"), encoding="utf-8")
        await watch.look()
        await watch.look()
        await running.until("program changed")
        (tmp_path / "main.st").unlink()
        running.events.clear()
        await watch.look()
        await watch.look()
        told = await running.until("the program stays as it was")
        assert "expected an ST file" in str(told["reason"])


async def test_forces_and_alarms_through_the_entrance(tmp_path: Path) -> None:
    """Force, list, release; alarms listed and acknowledged, with who did it."""
    async with Running(tmp_path) as running:
        await running.until("alarm raised")
        answer = running.answer
        force = {"do": "force", "path": "COUNT", "value": "7", "for_ns": 10**12, "by": "me"}
        assert await answer({**force, "reason": "try"}) == {"path": "COUNT", "value": 7}
        (row,) = (await answer({"do": "forces"}))["forces"]
        assert (row["path"], row["value"], row["by"], row["reason"]) == ("COUNT", 7, "me", "try")
        assert 990 < row["left_s"] <= 1000
        with pytest.raises(SoftctlError, match="expected digits of base 2"):
            await answer({**force, "value": "2#9", "reason": ""})
        released = await answer({"do": "release", "path": None, "by": "me"})
        assert released == {"released": ["COUNT"]}
        (alarm,) = (await answer({"do": "alarms"}))["alarms"]
        assert (alarm["name"], alarm["state"]) == ("MANY", "unacknowledged")
        act = {"do": "alarm", "name": "many", "by": "me", "for_ns": 10**9}
        assert await answer({**act, "act": "acknowledge"}) == {"state": "acknowledged"}
        for name, state in (("shelve", "normal"), ("unshelve", "unacknowledged")):
            assert await answer({**act, "act": name}) == {"state": state}
        for name in ("remove", "return"):
            await answer({**act, "act": name})
        with pytest.raises(SoftctlError, match="can be reset, got MANY"):
            await answer({**act, "act": "reset"})
        with pytest.raises(SoftctlError, match="expected one of acknowledge"):
            await answer({**act, "act": "hide"})
        with pytest.raises(SoftctlError, match="expected a request among load"):
            await answer({"do": "dance"})


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("TRUE", True),
        ("false", False),
        ("-5", -5),
        ("16#FF", 255),
        ("1.5e3", 1500.0),
        ("T#1m30s", 90 * 10**9),
        ("'it is'", "it is"),
        ("Busy", "Busy"),
    ],
)
def test_values_are_written_as_in_st(text: str, value: object) -> None:
    """Literals of IEC 61131-3, or the name of an enumeration's value."""
    found = parse_value(text)
    assert found == value
    assert type(found) is type(value)
