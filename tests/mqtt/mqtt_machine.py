"""A small invented machine, and sessions for it, without a broker."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from softctl.machine import Machine, Value, parse_machine
from softctl.mqtt import JsonSession, Message, Session, Snapshot, SparkplugSession
from softctl.mqtt.catalogue import Catalogue, catalogue

TEXT = """
name: rinse_stand
title: Rinse stand 3
programs: [rinse.st]
cards:
  DI_1: {kind: digital input, channels: 8}
  DO_1: {kind: digital output, channels: 8}
  AI_1: {kind: analog input, channels: 4}
points:
  LS_1: {card: DI_1}
  PUMP: {card: DO_1, fail_safe: false}
  LEVEL: {card: AI_1, unit: m, range: [0, 2], description: level in the basin}
  START: {role: command}
  SOAK: {role: setpoint, type: TIME, range: [1 s, 60 s], initial: 20 s}
  SPEED: {role: setpoint, type: INT, range: [-100, 100]}
  DOSE: {role: setpoint, type: REAL, unit: L, range: [0, 5]}
  DAY: {role: setpoint, type: DATE, initial: 2026-11-25, range: [2026-01-01, 2026-12-31]}
  LABEL: {role: state, type: "STRING[12]"}
  STAGE: {role: step, chart: Rinse}
alarms:
  HIGH: {text: Basin high, point: LEVEL, above: 1.8 m, priority: high}
"""
MQTT = """
mqtt:
  sparkplug: {group: yard, node: stand_3, device: basin}
  json: {topic: yard/stand_3}
  writes: {allow: [commands, setpoints]}
"""
PRIMARY = """
mqtt:
  queue: 100
  sparkplug: {group: yard, node: stand_3, device: basin, primary_host: hub}
  writes: {allow: [commands, setpoints]}
"""
PROGRAM = """
PROGRAM Rinse
INITIAL_STEP Idle: END_STEP
STEP Soaking: PUMP(N); END_STEP
TRANSITION FROM Idle TO Soaking := START; END_TRANSITION
TRANSITION FROM Soaking TO Idle := Soaking.T > SOAK OR LS_1; END_TRANSITION
END_PROGRAM
"""
STEPS = {"STAGE": ("Idle", "Soaking")}


def machine(mqtt: str = MQTT) -> Machine:
    """The machine with this section `mqtt`."""
    return parse_machine(TEXT + mqtt, "machine.yaml")


def names_of(found: Machine) -> Catalogue:
    """What is published of it."""
    assert found.mqtt is not None
    return catalogue(found, found.mqtt, STEPS)


class Bench:
    """A session with its machine's values, a clock that stands still, and what was sent."""

    def __init__(self, kind: str, mqtt: str = MQTT) -> None:
        self.machine = machine(mqtt)
        self.catalogue = names_of(self.machine)
        settings = self.machine.mqtt
        assert settings is not None
        self.session: Session
        if kind == "json":
            self.session = JsonSession(self.catalogue, settings, "run-1")
        else:
            assert settings.sparkplug is not None
            self.session = SparkplugSession(self.catalogue, settings, settings.sparkplug)
        self.now_ms = 1_764_000_000_000
        self.values: dict[str, Value] = {p.name: p.initial for p in self.catalogue.all}
        self.snapshot = Snapshot(self.now_ms, ())

    def tick(self, ms: int = 1_000) -> None:
        """Let time pass."""
        self.now_ms += ms

    def observe(self, *, present: bool = True, linked: bool = True, **values: Value) -> None:
        """A second later the values are these."""
        self.tick()
        self.values |= values
        row = [self.values[point.name] for point in self.catalogue.all]
        self.session.observe(Snapshot(self.now_ms, row, present, linked))

    def connect(self) -> Message:
        """Connect; gives the will."""
        self.tick()
        will = self.session.connect(self.now_ms)
        self.session.opened(self.now_ms)
        return will

    def drain(self) -> list[Message]:
        """Everything that is to be sent now."""
        found = []
        while (message := self.session.next(self.now_ms)) is not None:
            found.append(message)
        return found

    def close(self) -> None:
        """The connection ends."""
        self.session.closed(self.now_ms)


def topics(messages: Sequence[Message]) -> list[str]:
    """Their topics."""
    return [message.topic for message in messages]


def plain(message: Message) -> Message:
    """The message as the broker sees it."""
    return replace(message, load=None)
