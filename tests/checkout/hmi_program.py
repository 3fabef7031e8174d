"""An HMI made from the tag list that an HMI project imports, and a tester who reads it.

It decodes registers by itself, so that a mistake of softctl's own cells would be seen. A
flaw is a change of one tag, or another way to write.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field

from softctl.checkout import Answer, Checkout, Step, make_plan
from softctl.checkout.session import Session
from softctl.control.hmi import HmiMap
from softctl.machine import Machine, Role, parse_machine
from softctl.machine.tag_list import tag_list
from softctl.modbus.clients import Client
from softctl.modbus.device import Device
from softctl.modbus.server import Server
from softctl.paper import Basis

MACHINE = parse_machine(
    """
name: mixer
programs: [main.st]
control: {scan: 50 ms}
hmi: {port: 15021, unit: 1, word_order: CDAB}
cards: {AI_1: {kind: analog input, channels: 8}, DI_1: {kind: digital input, channels: 8}}
points:
  LT_1: {card: AI_1, unit: m, range: [0, 2], wired: T_1.level}
  TT_1: {card: AI_1, unit: degC, range: [-20, 180], wired: T_1.temperature,
         scale: {type: UINT, raw: [0, 65535]}}
  PT_1: {card: AI_1, unit: bar, range: [-1, 9], wired: T_1.pressure,
         scale: {type: INT, raw: [-10000, 10000]}}
  LSH_1: {card: DI_1, wired: T_1.high}
  ZSC_1: {card: DI_1, wired: V_1.closed, description: Valve closed}
  START: {role: command}
  HAND: {role: command, hold: true}
  UP: {role: command, in_register: BUTTONS}
  DOWN: {role: command, in_register: BUTTONS}
  SPEED: {role: setpoint, type: REAL, unit: rpm, range: [100, 900]}
  COUNT: {role: setpoint, type: INT, range: [-50, 50], initial: 5}
  STIR: {role: setpoint, type: TIME, range: [5 s, 900 s], initial: 60 s}
  LABEL: {role: setpoint, type: 'STRING[12]'}
  LAMP: {role: setpoint, type: BOOL}
  BATCHES: {role: state, type: UDINT}
  DRIFT: {role: state, type: DINT}
  MAIN_STEP: {role: step, chart: Main}
alarms:
  LAH_1: {text: Level high, point: LT_1, above: 1.8 m, deadband: 20 mm, ending: reset}
  TAH_1: {text: Hot, point: TT_1, above: 120 degC, ending: confirm}
""",
    "machine.yaml",
)
CHARTS = {"MAIN": ["Idle", "Filling", "Stirring"]}
_FORMS = {"REAL": "f", "INT": "h", "UINT": "H", "UDINT": "I", "DINT": "i", "TIME": "i"}
_FUNCTIONS = {"coils": 1, "discrete inputs": 2, "holding registers": 3, "input registers": 4}


@dataclass
class Tag:
    """A tag as an HMI project has it; tests change what they want to be wrong."""

    name: str
    table: str
    address: int
    bit: int | None
    count: int
    type: str
    order: str
    raw: tuple[float, float] | None
    ends: tuple[float, float]
    factor: float = 1
    times: int = 1
    releases: bool = True
    pressed: int = 0xFF00


def tags_of(machine: Machine) -> dict[str, Tag]:
    """The tag list as an import reads it: texts to figures."""
    found = {}
    for tag in tag_list(machine):
        raw = (float(tag.raw_low), float(tag.raw_high)) if tag.raw_low else None
        ends = (float(tag.low), float(tag.high)) if raw else (0.0, 1.0)
        found[tag.name] = Tag(
            tag.name,
            tag.table,
            int(tag.address),
            int(tag.bit) if tag.bit else None,
            int(tag.registers or 1),
            tag.type,
            tag.word_order,
            raw,
            ends,
        )
    return found


@dataclass
class Hmi:
    """One connection to the checkout's map, without a socket."""

    checkout: Checkout
    tags: dict[str, Tag] = field(default_factory=lambda: tags_of(MACHINE))

    def __post_init__(self) -> None:
        hmi = self.checkout.hmi
        self.server = Server(
            [Device(hmi.bank, 1, write_check=hmi.check_write)],
            on_request=self.checkout.log.on_request,
        )
        self.connection = self.server.connect(Client("192.0.2.7:5000", "192.0.2.7"))
        self.transaction = 0
        self.beats: list[float] = []

    def ask(self, pdu: bytes) -> bytes:
        self.transaction += 1
        frame = struct.pack(">HHHB", self.transaction & 0xFFFF, 0, len(pdu) + 1, 1) + pdu
        (action,) = self.connection.receive(frame, self.transaction)
        return action.data[7:]

    # What a screen shows

    def value(self, name: str) -> float | bool | str:
        tag = self.tags[name]
        function = _FUNCTIONS[tag.table]
        reply = self.ask(struct.pack(">BHH", function, tag.address, tag.count))
        assert reply[0] == function, f"{name}: exception {reply[1]}"
        raw = reply[2:]
        if function < 3:
            return bool(raw[0])
        if tag.bit is not None:
            return bool(struct.unpack(">H", raw)[0] >> tag.bit & 1)
        if tag.type.startswith("STRING"):
            return raw.split(b"\0")[0].decode("latin-1")
        (number,) = struct.unpack(">" + _FORMS[tag.type], arranged(raw, tag.order))
        if tag.raw is not None:
            share = (number - tag.raw[0]) / (tag.raw[1] - tag.raw[0])
            number = tag.ends[0] + share * (tag.ends[1] - tag.ends[0])
        return number * tag.factor

    def shown(self, step: Step) -> str:
        """What a tester reads off the screen."""
        value = self.value(step.point)
        if step.answer is Answer.TIME:
            return f"{value / 1000:.1f} s".replace(".", ",")
        if isinstance(value, bool):
            return "on" if value else "off"
        if isinstance(value, str):
            return value
        return f"{value:.2f}" if isinstance(value, float) else str(value)

    # What somebody operates

    def press(self, name: str) -> None:
        tag = self.tags[name]
        for _ in range(tag.times):
            if tag.bit is None:
                self.ask(struct.pack(">BHH", 5, tag.address, tag.pressed))
            else:
                self.ask(
                    struct.pack(">BHHH", 22, tag.address, ~(1 << tag.bit) & 0xFFFF, 1 << tag.bit)
                )
        if tag.releases and tag.bit is None:
            self.ask(struct.pack(">BHH", 5, tag.address, 0xFF00 - tag.pressed))

    def switch(self, name: str, value: bool) -> None:
        self.ask(struct.pack(">BHH", 5, self.tags[name].address, 0xFF00 if value else 0))

    def enter(self, name: str, value: float | str) -> None:
        tag = self.tags[name]
        if tag.type.startswith("STRING"):
            assert isinstance(value, str)
            raw = value.encode("latin-1").ljust(2 * tag.count, b"\0")
        else:
            assert not isinstance(value, str)
            value = value * tag.factor
            number = value if tag.type == "REAL" else round(value)
            raw = arranged(struct.pack(">" + _FORMS[tag.type], number), tag.order)
        head = struct.pack(">BHHB", 16, tag.address, len(raw) // 2, len(raw))
        for _ in range(tag.times):
            self.ask(head + raw)

    def operate(self, step: Step) -> None:
        operation = step.operation
        assert operation is not None
        if operation.main == "ALARM_REQUEST":
            alarm = step.id.partition("-")[2]
            self.enter("ALARM_NUMBER", list(MACHINE.alarms).index(alarm) + 1)
            if ":shelve" in step.id:
                self.enter("ALARM_SHELF_TIME", 600_000)
            self.enter("ALARM_REQUEST", operation.value)
        elif MACHINE.points[operation.main].role is Role.COMMAND:
            self.press(operation.main)
        elif isinstance(operation.value, bool):
            self.switch(operation.main, operation.value)
        else:
            value = operation.value
            is_time = MACHINE.points[operation.main].type.name == "TIME"
            self.enter(operation.main, value / 1_000_000 if is_time else value)

    def says(self, step: Step) -> str:
        """The tester's answer to a step."""
        if step.answer is Answer.DONE:
            self.operate(step)
            return "done"
        if step.answer is Answer.YES:
            first = self.value("HEARTBEAT")
            self.checkout.tick(1)
            is_alive = self.value("HEARTBEAT") != first
            return "yes" if is_alive is step.id.endswith(":alive") else "no"
        return self.shown(step)


def new_checkout(machine: Machine = MACHINE, session: Session | None = None, **more) -> Checkout:
    """A checkout of the whole map with a clock that stands still."""
    basis = Basis(machine.name, machine.title, "2026-11-30T03:00:00+00:00", "0.1.0", {"a": "b"})
    return Checkout(
        machine,
        make_plan(machine, CHARTS),
        session or Session(basis),
        HmiMap(machine),
        now=lambda: "2026-11-30T03:30:00+00:00",
        reviewer="R. Tester",
        **more,
    )


def carry_out(checkout: Checkout, hmi: Hmi) -> dict[str, str]:
    """Ask for every open step; what failed, by step, with what was seen."""
    for step in checkout.open_steps():
        checkout.begin(step.id)
        checkout.tick(1)
        checkout.answer(step.id, hmi.says(step))
    return {a.step: f"{a.seen} ({a.hint})" for a in checkout.session.attempts if not_passed(a)}


def not_passed(attempt) -> bool:
    return attempt.verdict.value != "pass"


Flaw = Callable[[dict[str, Tag]], None]


def arranged(raw: bytes, order: str) -> bytes:
    """Bytes in a word order, from big-endian and back."""
    if len(raw) == 2 or order in ("", "ABCD"):
        return raw
    if order == "DCBA":
        return raw[::-1]
    words = [raw[i : i + 2] for i in range(0, len(raw), 2)]
    if order == "CDAB":
        return b"".join(reversed(words))
    return b"".join(word[::-1] for word in words)
