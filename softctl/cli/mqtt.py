"""The MQTT bridge of a running command, and its embedded broker."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from softctl.errors import SoftctlError
from softctl.machine import Machine, Mqtt, MqttVersion, default_mqtt

if TYPE_CHECKING:
    from softctl.cli.output import Output
    from softctl.runtime.control_service import ControlService
    from softctl.runtime.event_feed import EventFeed
    from softctl.runtime.folder import MachineFolder
    from softctl.runtime.mqtt_bridge import MqttBridge
    from softctl.runtime.mqtt_broker import EmbeddedBroker


@dataclass(frozen=True, slots=True)
class MqttOptions:
    """What the command line says: hosts whose writes are confirmed, and an own broker."""

    confirmed: tuple[str, ...] = ()
    broker: bool = False


def mqtt_options(wanted: bool, hosts: list[str] | None, broker: bool = False) -> MqttOptions | None:
    """The options of a bridge, None where none is wanted."""
    if broker and not wanted:
        raise SoftctlError("expected --broker or --no-mqtt, got both")
    return MqttOptions(tuple(hosts or ()), broker) if wanted else None


@dataclass(slots=True)
class MqttSide:
    """A bridge that is not yet started, and the broker to start before it, if any."""

    bridge: MqttBridge
    broker: EmbeddedBroker | None

    async def watch(self, output: Output) -> None:
        """Never returns: a defect of the bridge is told, and the controller goes on."""
        try:
            await self.bridge.wait()
        except Exception as error:
            output.event("mqtt bridge ended", reason=f"{type(error).__name__}: {error}")
        await asyncio.Event().wait()


def make_mqtt(
    options: MqttOptions | None,
    folder: MachineFolder,
    control: ControlService,
    feed: EventFeed,
    output: Output,
) -> MqttSide | None:
    """The bridge of a controller of this process, None where none is wanted.

    Raises SoftctlError for settings that are unsafe, or files and packages that are missing.
    """
    machine = folder.machine
    mqtt = machine.mqtt
    if options is None or (mqtt is None and not options.broker):
        return None
    from softctl.runtime.mqtt_local import local_bridge
    from softctl.runtime.mqtt_settings import broker_access, require_writable

    mqtt = mqtt or default_mqtt(machine.name, machine.points)
    require_writable(mqtt, [mqtt.broker.host], options.confirmed)
    broker = _own_broker(machine, mqtt) if options.broker else None
    if broker is not None:
        mqtt = replace(mqtt, broker=replace(mqtt.broker, port=broker.port))
    access = broker_access(mqtt.broker, folder.path)
    return MqttSide(local_bridge(control, feed, mqtt, access, output.event), broker)


def _own_broker(machine: Machine, mqtt: Mqtt) -> EmbeddedBroker:
    """The embedded broker, where the machine file's settings are those that it can do."""
    from softctl.runtime.hosts import is_loopback
    from softctl.runtime.mqtt_broker import EmbeddedBroker

    settings = mqtt.broker
    if not is_loopback(settings.host):
        got = f"host {settings.host}"
    elif settings.has_tls:
        got = "tls"
    elif settings.version is not MqttVersion.V311:
        got = f"version {settings.version.value}"
    else:
        return EmbeddedBroker(settings.port)
    raise SoftctlError(
        f"expected `mqtt` in {machine.file} with a loopback host, version 3.1.1 and no tls "
        f"for --broker, got {got}"
    )
