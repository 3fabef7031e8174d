"""HMIs on two libraries of the npm registry: a good one, and each kind of bad one they can be.

The clock is the test's, so nothing waits; sockets and libraries are real.
"""

from __future__ import annotations

import contextlib
import struct
from collections.abc import Callable, Iterator

import pytest
from audited_server import MACHINE, Audited, audited
from npm_stack import NodeHmi, NpmStack, RefusedError

from softctl.modbus.faults import Freeze, Rule, Scope
from softctl.values.registers import WordOrder, encode
from softctl.values.tables import Table
from softctl.values.types import ELEMENTARY_TYPES

pytestmark = [pytest.mark.network, pytest.mark.peer]

AT = {name: point.hmi.address for name, point in MACHINE.points.items() if point.hmi}
INPUTS = max(p.hmi.end for p in MACHINE.points.values() if p.hmi and "input r" in p.hmi.table.value)
HOLDING = max(p.hmi.end for p in MACHINE.points.values() if p.hmi and "hold" in p.hmi.table.value)


def words(value: float, type_: str = "REAL", order: WordOrder = WordOrder.CDAB) -> list[int]:
    """The registers of a value."""
    raw = encode(value, ELEMENTARY_TYPES[type_], order)
    return [word for (word,) in struct.iter_unpack(">H", raw)]


class Scene:
    """One library in front of one server."""

    def __init__(self, server: Audited, hmi: NodeHmi) -> None:
        self.server = server
        self.hmi = hmi
        self._client: NpmStack | None = None

    @property
    def client(self) -> NpmStack:
        """The connection that most need; opened when it is first asked for."""
        if self._client is None:
            self._client = self.hmi.connect(self.server.port)
        return self._client

    def many(self, times: int, ask: Callable[[], object], every_s: float = 1.0) -> None:
        """Something again and again; that the library reports a refusal changes nothing."""
        for _ in range(times):
            self.server.later(every_s)
            with contextlib.suppress(RefusedError):
                ask()

    def once(self, ask: Callable[[], object]) -> None:
        self.many(1, ask)

    def close(self) -> None:
        if self._client is not None:
            self._client.close()


@pytest.fixture
def scene(npm_hmi: NodeHmi) -> Iterator[Scene]:
    with audited() as server:
        one = Scene(server, npm_hmi)
        yield one
        one.close()


def good(scene: Scene) -> None:
    """Whole blocks each second, a write on a change, a held command released."""
    client = scene.client
    for turn in range(6):
        scene.server.later(1.0)
        client.input_registers(0, INPUTS)
        scene.server.later(0.01)
        client.discrete_inputs(0, 9)
        scene.server.later(0.01)
        client.coils(0, 2)
        scene.server.later(0.01)
        client.holding_registers(0, HOLDING)
        scene.server.later(0.01)
        if turn in (2, 3):
            client.write_coil(AT["HAND"], turn == 2)
        if turn == 2:
            scene.server.later(0.01)
            client.write_registers(AT["SPEED"], words(450.0))


def test_a_good_client_gets_a_clean_report(scene: Scene) -> None:
    """No finding of any kind, and every point used but two that nobody wrote to."""
    good(scene)
    report = scene.server.report()
    assert report.findings == ()
    assert report.requests == 27
    assert report.coverage == 1.0


def off_by_one(scene: Scene) -> None:
    scene.once(lambda: scene.client.input_registers(INPUTS - 1, 2))


def wrong_table(scene: Scene) -> None:
    scene.once(lambda: scene.client.holding_registers(AT["LT_1"], 2))


def outside(scene: Scene) -> None:
    scene.once(lambda: scene.client.input_registers(900, 2))


def wrong_function(scene: Scene) -> None:
    scene.once(scene.client.server_id)


def unknown_unit(scene: Scene) -> None:
    (client,) = scene.hmi.open(scene.server.port, unit=9)
    scene.once(lambda: client.input_registers(0, 2))
    client.close()


def half_read(scene: Scene) -> None:
    scene.once(lambda: scene.client.input_registers(AT["LT_1"], 1))


def half_write(scene: Scene) -> None:
    scene.once(lambda: scene.client.write_register(AT["SPEED"], 7))


def swapped(scene: Scene) -> None:
    scene.once(lambda: scene.client.write_registers(AT["SPEED"], words(450.0, "REAL", ABCD)))


def swapped_unseen(scene: Scene) -> None:
    scene.once(lambda: scene.client.write_registers(AT["DOSE"], words(250, "DINT", ABCD)))


def whole_for_real(scene: Scene) -> None:
    scene.once(lambda: scene.client.write_registers(AT["SPEED"], words(450, "DINT")))


def out_of_range(scene: Scene) -> None:
    scene.once(lambda: scene.client.write_register(AT["COUNT"], 51))


def read_only(scene: Scene) -> None:
    scene.once(lambda: scene.client.write_register(AT["LT_1"], 1))


def every_poll(scene: Scene) -> None:
    scene.many(7, lambda: scene.client.write_registers(AT["SPEED"], words(450.0)))


def held(scene: Scene) -> None:
    scene.once(lambda: scene.client.write_coil(AT["HAND"], True))
    scene.server.later(15)


def deaf_to_a_still_heartbeat(scene: Scene) -> None:
    place = Scope(table=Table.INPUT_REGISTERS, first=AT["HEARTBEAT"], last=AT["HEARTBEAT"])
    scene.server.faults.add(Rule(Freeze(), place))
    scene.many(8, lambda: scene.client.input_registers(0, INPUTS))
    scene.once(lambda: scene.client.write_coil(AT["START"], True))


def fast(scene: Scene) -> None:
    scene.many(10, lambda: scene.client.input_registers(0, 1), every_s=0.02)


def slow(scene: Scene) -> None:
    scene.many(6, lambda: scene.client.input_registers(0, INPUTS), every_s=5)


def late_at_times(scene: Scene) -> None:
    for _ in range(3):
        scene.many(9, lambda: scene.client.input_registers(0, INPUTS))
        scene.many(1, lambda: scene.client.input_registers(0, INPUTS), every_s=4)


def left_out(scene: Scene) -> None:
    scene.many(3, lambda: scene.client.input_registers(0, 2))


def tiny(scene: Scene) -> None:
    for _ in range(2):
        for address in (0, 4, 5, 6, 7, 10, 11):
            scene.once(lambda at=address: scene.client.input_registers(at, 1))


def one_object_for_each_tag(scene: Scene) -> None:
    clients = scene.hmi.open(scene.server.port, objects=6)
    for client in clients:
        scene.once(lambda one=client: one.input_registers(0, 1))
    clients[0].close()


def polled_by_an_object_for_each_tag(scene: Scene) -> None:
    clients = scene.hmi.open(scene.server.port, objects=3)
    for _ in range(5):
        for client in clients:
            scene.once(lambda one=client: one.input_registers(0, 1))
    clients[0].close()


def deep(scene: Scene) -> None:
    scene.client.at_once(17, 0, 1)


def retries(scene: Scene) -> None:
    scene.many(5, lambda: scene.client.input_registers(900, 2), every_s=0.1)


def storm(scene: Scene) -> None:
    for _ in range(6):
        scene.server.later(1.0)
        scene.hmi.connect(scene.server.port).close()
    scene.server.wait_for(opened=6, connected=0)


def left_open(scene: Scene) -> None:
    scene.once(lambda: scene.client.input_registers(0, 2))
    scene.server.later(61)


def deaf(scene: Scene) -> None:
    scene.many(6, lambda: scene.client.input_registers(AT["LT_1"], 2))


ABCD = WordOrder.ABCD
EVERY = [
    (off_by_one, "off by one"),
    (wrong_table, "wrong table"),
    (outside, "outside the map"),
    (wrong_function, "wrong function"),
    (unknown_unit, "unknown unit"),
    (half_read, "half a value"),
    (half_write, "half a value"),
    (swapped, "word order"),
    (swapped_unseen, "word order"),
    (whole_for_real, "wrong type"),
    (out_of_range, "out of range"),
    (read_only, "read-only write"),
    (every_poll, "write on every poll"),
    (held, "command held"),
    (deaf_to_a_still_heartbeat, "heartbeat ignored"),
    (fast, "faster than the scan"),
    (slow, "slower than required"),
    (late_at_times, "at times slower"),
    (left_out, "never read"),
    (tiny, "many small reads"),
    (one_object_for_each_tag, "constant transaction id"),
    (polled_by_an_object_for_each_tag, "transaction ids reused"),
    (deep, "too many outstanding"),
    (retries, "retries after exceptions"),
    (storm, "reconnect storm"),
    (left_open, "connection left open"),
    (deaf, "heartbeat not watched"),
]
CANNOT = {
    # It has no function that softctl has not, and waits for each answer.
    "jsmodbus": {wrong_function, deep},
    "modbus-serial": set(),
}


@pytest.mark.parametrize(("act", "kind"), EVERY, ids=[act.__name__ for act, _ in EVERY])
def test_each_kind_of_bad_client_is_found(
    scene: Scene, act: Callable[[Scene], None], kind: str
) -> None:
    """The finding of its kind comes, whatever else the same mistake brings."""
    if act in CANNOT[scene.hmi.library]:
        pytest.skip(f"{scene.hmi.library} cannot do that")
    act(scene)
    assert kind in scene.server.kinds()
