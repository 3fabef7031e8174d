"""The settings of a machine's servers, at the services that serve it."""

from __future__ import annotations

import asyncio
import socket

import pytest

from softctl import __version__
from softctl.control import Controller, program_globals
from softctl.field import FieldDevice
from softctl.logic import Application, Source, compile_application
from softctl.machine import Machine, parse_machine
from softctl.modbus.actions import Send
from softctl.modbus.clients import Client
from softctl.modbus.codes import ExceptionCode
from softctl.modbus.frames import encode_frame
from softctl.modbus.server import Server
from softctl.plant import build_plant
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService

POINTS = """
cards:
  DO_1: {kind: digital output, channels: 8}
points:
  LAMP: {card: DO_1, fail_safe: false}
  GO: {role: command}
"""
PLAIN = "field: {port: 0}\nhmi: {port: 0}\n"
STRICT = """
field: {port: 0, unknown_unit: silence, connections: {allow: [127.0.0.0/8], idle: 5 s}}
hmi:
  port: 0
  unknown_unit: silence
  connections: {limit: 1, when_full: refuse, read_only: [127.0.0.2]}
  identification: {vendor: Fernhollow, revision: '3.1', vendor_url: 'https://feed.example'}
"""


def desk(settings: str) -> tuple[Machine, Application]:
    """A machine with these settings and a program that does nothing."""
    head = "name: desk\ntitle: Desk – 1\nprograms: [none.st]\n"
    machine = parse_machine(head + settings + POINTS, "desk.yaml")
    source = Source("none.st", "PROGRAM Nothing\n;\nEND_PROGRAM\n")
    return machine, compile_application([source], program_globals(machine))


def servers(settings: str) -> tuple[Server, Server]:
    """The field's and the HMI's server of a machine, as the services build them."""
    machine, application = desk(settings)
    clock = MachineClock()
    field = FieldService(FieldDevice(machine, build_plant(machine)), clock)
    control = ControlService(Controller(machine, application), clock)
    return field.server.server, control.server.server


def ask(server: Server, pdu: bytes, *, unit: int = 1, host: str = "127.0.0.1") -> bytes | None:
    """The reply PDU that a client from `host` gets, None for silence."""
    client = Client(f"{host}:50000", host)
    is_admitted, _ = server.admit(client, 0)
    assert is_admitted
    actions = server.connect(client).receive(encode_frame(7, unit, pdu), 0)
    server.pool.remove(client)
    if not actions:
        return None
    (action,) = actions
    assert isinstance(action, Send)
    return action.data[7:]


READ_COIL = bytes.fromhex("01 0000 0001")
SET_COIL = bytes.fromhex("05 0000 FF00")


@pytest.mark.parametrize("index", [0, 1], ids=["field", "hmi"])
def test_a_unit_that_nobody_has(index: int) -> None:
    """Exception 0B (V1.1b3, section 7: target failed to respond) by default, or silence."""
    code = ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
    assert ask(servers(PLAIN)[index], READ_COIL, unit=9) == bytes((0x81, code))
    strict = servers(STRICT)[index]
    assert ask(strict, READ_COIL, unit=9) is None
    assert ask(strict, READ_COIL, unit=255) == b"\x01\x01\x00"


def texts(server: Server) -> dict[int, str]:
    """All objects of the device identification (function 43/14, V1.1b3 section 6.21)."""
    reply = ask(server, bytes.fromhex("2B 0E 02 00"))
    assert reply is not None
    assert reply[:3] == bytes.fromhex("2B 0E 02")
    count, rest = reply[6], reply[7:]
    found = {}
    for _ in range(count):
        number, size = rest[0], rest[1]
        found[number] = rest[2 : 2 + size].decode("ascii")
        rest = rest[2 + size :]
    assert not rest
    return found


def test_what_the_servers_say_about_themselves() -> None:
    """By default softctl, its version, the machine's name and title, and which server it is."""
    field, hmi = servers(PLAIN)
    own = {0: "softctl", 1: "desk", 2: __version__, 4: "Desk ? 1"}
    assert texts(field) == {**own, 6: "simulated field"}
    assert texts(hmi) == {**own, 6: "soft controller"}


def test_what_the_machine_file_has_them_say() -> None:
    """Each server has its own texts, and the default for those left out."""
    field, hmi = servers(STRICT)
    assert texts(field)[0] == "softctl"
    assert texts(hmi) == {
        0: "Fernhollow",
        1: "desk",
        2: "3.1",
        3: "https://feed.example",
        4: "Desk ? 1",
        6: "soft controller",
    }


def test_who_may_change_something() -> None:
    """Clients of a read-only network read, and hear 01 when they write."""
    _, hmi = servers(STRICT)
    assert ask(hmi, SET_COIL, host="127.0.0.2") == bytes((0x85, ExceptionCode.ILLEGAL_FUNCTION))
    assert ask(hmi, READ_COIL, host="127.0.0.2") == b"\x01\x01\x00"
    assert ask(hmi, SET_COIL, host="127.0.0.1") == SET_COIL


def test_who_may_connect_and_for_how_long() -> None:
    """The allow list, the limit and the idle time reach the server; RFC 5737's addresses."""
    field, hmi = servers(STRICT)
    assert not field.admit(Client("x", "192.0.2.1"), 0)[0]
    own = Client("y", "127.0.0.1")
    assert field.admit(own, 0)[0]
    assert field.pool.expire(4_999_999_999)[0] == []
    assert field.pool.expire(5_000_000_000)[0] == [own]
    assert hmi.admit(Client("a", "192.0.2.1"), 0) == (True, None)
    assert hmi.admit(Client("b", "192.0.2.1"), 0) == (False, None)


LIMITED = """
field: {port: 0}
hmi:
  port: 0
  connections: {limit: 2, idle: 1 s, allow: [127.0.0.1, 127.0.0.2], read_only: [127.0.0.2]}
"""


class Caller:
    """A client at a loopback address of its choice."""

    def __init__(self, port: int, host: str = "127.0.0.1") -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), 5, source_address=(host, 0))

    def ask(self, pdu: bytes) -> bytes:
        """The reply PDU, empty when the server has closed the connection."""
        try:
            self.socket.sendall(encode_frame(7, 1, pdu))
            return self.socket.recv(260)[7:]
        except ConnectionError:
            return b""


@pytest.mark.network
async def test_connections_of_a_running_controller() -> None:
    """Allowed, read-only, capped and idle clients, as the machine file says, over sockets."""
    machine, application = desk(LIMITED)
    control = ControlService(Controller(machine, application), MachineClock())
    _, port = await control.start("127.0.0.1", 0, ("127.0.0.1", 1))
    callers: list[Caller] = []

    def call(host: str = "127.0.0.1") -> Caller:
        callers.append(Caller(port, host))
        return callers[-1]

    def act() -> None:
        assert call("127.0.0.3").ask(READ_COIL) == b"", "not allowed"
        oldest, reader = call(), call("127.0.0.2")
        assert reader.ask(SET_COIL) == b"\x85\x01"
        assert reader.ask(READ_COIL) == b"\x01\x01\x00"
        assert oldest.ask(READ_COIL) == b"\x01\x01\x00"
        assert reader.ask(READ_COIL) == b"\x01\x01\x00"
        assert call().ask(SET_COIL) == SET_COIL
        assert oldest.ask(READ_COIL) == b"", "closed for the new one"
        assert reader.ask(READ_COIL)[:2] == b"\x01\x01", "used later, so it stays"

    await asyncio.to_thread(act)
    counts = {
        client.host: (client.requests, client.exceptions) for client in control.server.clients
    }
    assert counts["127.0.0.2"] == (4, {1: 1})
    async with asyncio.timeout(10):
        while control.server.connections:
            await asyncio.sleep(0.02)
    assert callers[2].ask(READ_COIL) == b"", "closed because it was idle"
    for caller in callers:
        caller.socket.close()
    await control.close()


def test_defaults_let_everybody_in() -> None:
    """Without settings every network is served and may write, and nobody ages."""
    for server in servers(PLAIN):
        assert ask(server, SET_COIL, host="192.0.2.1") == SET_COIL
        assert server.admit(Client("z", "192.0.2.9"), 0)[0]
        assert server.pool.expire(10**18) == ([], None)
