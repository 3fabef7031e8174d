"""Where a bridge's values and events come from: this process, or a controller beside it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from mqtt_live import Told
from mqtt_machine import MQTT, PROGRAM, machine, names_of

from softctl.control import Controller
from softctl.errors import Place
from softctl.journal import Entry, UnkeptJournal
from softctl.logic import Source
from softctl.machine import KeyFiles, Machine, Scalar
from softctl.mqtt import Request
from softctl.runtime.certificate_maker import KeyKind, make_certificates
from softctl.runtime.certificate_plan import plan_certificates
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.event_feed import EventFeed
from softctl.runtime.field_client import LinkError
from softctl.runtime.folder import compile_programs
from softctl.runtime.hmi_client import HmiClient
from softctl.runtime.modbus_server import ModbusServer
from softctl.runtime.mqtt_bridge import MqttBridge, step_texts
from softctl.runtime.mqtt_local import local_bridge
from softctl.runtime.mqtt_remote import RemoteSource, remote_write
from softctl.runtime.mqtt_settings import Access
from softctl.runtime.service_port import ServicePort
from softctl.runtime.service_requests import ServiceRequests
from softctl.runtime.tls_files import hmi_tls, server_tls

MACHINE = machine()


class Service:
    """A controller with its journal's feed, not scanning."""

    def __init__(self, machine: Machine = MACHINE) -> None:
        application = compile_programs(machine, [Source("rinse.st", PROGRAM)])
        self.journal = UnkeptJournal()
        self.feed = EventFeed(self.journal, machine.points)
        self.control = ControlService(
            Controller(machine, application), MachineClock(), journal=self.journal
        )
        self.texts = step_texts(machine, application)

    @property
    def server(self) -> ModbusServer:
        return self.control.server


@pytest.fixture(scope="module")
def service() -> Service:
    return Service()


def note(service: Service, name: str, what: str, **details: object) -> None:
    service.journal.note(Entry(1_764_000_000_000_000_000, 0, "run", name, what, "", details))


def test_events_are_numbered_without_a_gap(service: Service) -> None:
    """Their ids are of this run; a follower gets what came after the number it has."""
    feed = service.feed
    note(service, "rinse_stand", "one")
    (first,) = feed.after(0)
    note(service, "rinse_stand", "two")
    assert [event.what for event in feed.after(first.number)] == ["two"]
    assert [event.number for event in feed.after(0)] == [1, 2]
    assert first.id == f"{feed.run}-1"
    assert feed.after(2) == feed.after(99) == []
    assert EventFeed(UnkeptJournal(), {}).run != feed.run


def test_values_in_events_are_those_of_the_topics(service: Service) -> None:
    """A duration in seconds; the long trail of a guard stays in the journal."""
    before = len(service.feed.after(0))
    note(service, "SOAK", "written", value=12_500_000_000, unit="", trail=[1, 2])
    (event,) = service.feed.after(before)
    assert event.details == {"value": 12.5}


def test_the_names_of_steps_come_from_the_chart(service: Service) -> None:
    """By the point that shows it."""
    assert service.texts == {"STAGE": ["Idle", "Soaking"]}


async def test_a_program_changed_online_has_its_own_steps() -> None:
    """The next snapshot's texts are those of the chart that runs then."""
    service = Service()
    bridge = bridge_of(service)
    await bridge._source.snapshot()
    assert bridge._source._texts == {"STAGE": ["Idle", "Soaking"]}
    changed = PROGRAM.replace("Soaking", "Steeping")
    service.control.controller.change(compile_programs(MACHINE, [Source("rinse.st", changed)]))
    await bridge._source.snapshot()
    assert bridge._source._texts == {"STAGE": ["Idle", "Steeping"]}


def bridge_of(service: Service) -> MqttBridge:
    assert MACHINE.mqtt is not None
    access = Access(MACHINE.mqtt.broker)
    return local_bridge(service.control, service.feed, MACHINE.mqtt, access)


def test_each_session_has_a_client_id_of_its_own(service: Service) -> None:
    """With both payloads the machine file's gets their names; without one they are random."""
    ids = [one._client_id for one in bridge_of(service).connections]
    assert len(set(ids)) == 2
    assert all(re.fullmatch("softctl[0-9a-f]{12}", one) for one in ids)
    for more, wanted in (
        (MQTT, ["skid-JSON", "skid-Sparkplug"]),
        ("mqtt:\n  json: {}\n", ["skid"]),
    ):
        found = machine(more + "  client_id: skid\n")
        assert found.mqtt is not None
        access = Access(found.mqtt.broker)
        bridge = local_bridge(service.control, service.feed, found.mqtt, access)
        assert [one._client_id for one in bridge.connections] == wanted


async def test_a_write_is_journalled_with_the_broker_as_its_source(service: Service) -> None:
    """As that of an HMI is, and the value is on the map."""
    bridge = bridge_of(service)
    write = bridge.connections[0]._write
    assert write is not None
    before = len(service.feed.after(0))
    await write(Request(((MACHINE.points["SPEED"], -7),)))
    (event,) = service.feed.after(before)
    assert (event.kind, event.name, event.by) == ("setpoint", "SPEED", "mqtt 127.0.0.1:1883")
    assert service.control.controller.values()["SPEED"] == -7


async def test_the_snapshot_is_what_the_map_shows(service: Service) -> None:
    """In the order of the catalogue; inputs are not trusted without their field."""
    bridge = bridge_of(service)
    snapshot = await bridge._source.snapshot()
    names = [point.name for point in names_of(MACHINE).all]
    values = service.control.controller.values()
    assert list(snapshot.values) == [values[name] for name in names]
    assert snapshot.is_present
    assert not snapshot.is_linked


@pytest.mark.network
async def test_a_controller_beside_is_read_and_written_over_its_map(
    service: Service, tmp_path: Path
) -> None:
    """And its events come through its socket, each once, as long as it runs."""
    host, port = await service.server.start("127.0.0.1", 0)
    entrance = ServicePort(tmp_path / "s", ServiceRequests(service.control, service.feed).answer)
    await entrance.start()
    hmi, told = HmiClient(MACHINE, host, port), Told()
    source = RemoteSource(hmi, names_of(MACHINE), tmp_path / "s", told)
    try:
        await source.events()
        await remote_write(hmi)(Request(((MACHINE.points["SPEED"], 42),)))
        snapshot = await source.snapshot()
        index = [point.name for point in names_of(MACHINE).all].index("SPEED")
        assert snapshot.values[index] == 42
        assert snapshot.is_present
        (event,) = await source.events()
        assert (event.name, event.details["value"]) == ("SPEED", 42)
        assert event == service.feed.after(0)[-1]
        assert await source.events() == []
    finally:
        await hmi.close()
        await entrance.close()
        await service.server.close()
    snapshot = await source.snapshot()
    assert not snapshot.is_present
    assert snapshot.values[index] == 42
    assert await source.events() == await source.events() == []
    assert [name for name, _ in told.events] == [
        "controller reached",
        "controller not reached",
        "no events",
    ]


SECURED = """
hmi:
  port: 0
  tls:
    certificate: hmi.pem
    key: hmi.key
    authority: authority.pem
    roles: {panel: {read: all, write: commands}}
"""


@pytest.mark.network
async def test_a_controller_that_speaks_tls_lets_the_bridge_do_what_its_role_may(
    tmp_path: Path,
) -> None:
    """By the role in the certificate that the bridge shows there."""
    found = machine(MQTT.replace("setpoints]", "setpoints], role: panel") + SECURED)
    security = found.hmi.security
    assert security is not None
    plan = plan_certificates(found, tmp_path, ())
    make_certificates(plan, days=2, kind=KeyKind.P256, overwrite=False)
    service = Service(found)
    host, port = await service.server.start("127.0.0.1", 0, server_tls(found.hmi, tmp_path))
    files = (Scalar(f"client_panel.{end}", Place("--certificate")) for end in ("pem", "key"))
    tls = hmi_tls(security, KeyFiles(*files), tmp_path)
    hmi = HmiClient(found, host, port, tls=tls)
    source = RemoteSource(hmi, names_of(found), tmp_path / "s")
    write = remote_write(hmi)
    try:
        assert (await source.snapshot()).is_present
        await write(Request(((found.points["START"], True),)))
        assert service.control.controller.values()["START"] is True
        with pytest.raises(LinkError, match="exception 01"):
            await write(Request(((found.points["SPEED"], 1),)))
    finally:
        await hmi.close()
        await service.server.close()
