"""The command `bridge`: MQTT beside a running controller."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from softctl.cli.options import (
    ControllersHmi,
    ForSeconds,
    Log,
    LogFormat,
    MachineDir,
    MqttWritesHosts,
    StateDirectory,
)
from softctl.errors import Place, SoftctlError

if TYPE_CHECKING:
    from softctl.cli.live import Options
    from softctl.machine import Machine, Mqtt
    from softctl.runtime.tls_files import ClientTls


def bridge(
    folder: MachineDir = None,
    hmi: ControllersHmi = None,
    to: Annotated[
        str | None,
        typer.Option(
            metavar="HOST:PORT",
            help="The broker, in place of the machine file's; without `mqtt` there it gets "
            "everything as plain JSON.",
        ),
    ] = None,
    state: StateDirectory = None,
    mqtt_writes: MqttWritesHosts = None,
    certificate: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Its certificate at an HMI server with TLS (PEM)."),
    ] = None,
    key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The private key of that (PEM).")
    ] = None,
    log: Log = LogFormat.TEXT,
    seconds: ForSeconds = None,
    schema: Annotated[
        bool, typer.Option("--schema", help="Print the JSON Schemas of the JSON topics instead.")
    ] = False,
) -> None:
    """Publish a running controller by MQTT, from a process of its own.

    Values come from its HMI map over Modbus/TCP; events from the socket in its state
    directory, so only on the controller's computer and as its user. What is published, and
    to which broker, stands in `mqtt` of the machine file.

    Writes from MQTT are off unless `writes` there allows them. Then whoever can publish at
    the broker moves the machine: give the broker passwords and access rules, and confirm
    every host that is not loopback with --mqtt-writes.
    """
    if schema:
        import json

        from softctl.mqtt.json_schema import SCHEMAS

        typer.echo(json.dumps(SCHEMAS, indent=2))
        return
    from softctl.cli.live import Options

    common = Options(folder, 1.0, log is LogFormat.JSON, seconds, state=state)
    run_bridge(common, BridgeOptions(hmi, to, tuple(mqtt_writes or ()), certificate, key))


@dataclass(frozen=True, slots=True)
class BridgeOptions:
    """What the command line says of the controller, the broker and writes."""

    hmi: str | None
    to: str | None
    confirmed: tuple[str, ...]
    certificate: Path | None
    key: Path | None


def run_bridge(common: Options, options: BridgeOptions) -> None:
    """Run until stopped; raises SoftctlError for settings that are missing or unsafe."""
    from softctl.cli import live
    from softctl.cli.output import JsonOutput, Output, TextOutput
    from softctl.cli.status import Status
    from softctl.mqtt.catalogue import catalogue
    from softctl.runtime.clock import MachineClock
    from softctl.runtime.event_feed import new_run
    from softctl.runtime.hmi_client import HmiClient
    from softctl.runtime.mqtt_bridge import MqttBridge, step_texts
    from softctl.runtime.mqtt_remote import RemoteSource, remote_write
    from softctl.runtime.mqtt_settings import broker_access, require_writable
    from softctl.runtime.state import SERVICE_SOCKET

    folder = common.load()
    machine = folder.machine
    mqtt = _mqtt(machine, options.to)
    host, port = live.endpoint(options.hmi) if options.hmi else (machine.hmi.host, machine.hmi.port)
    require_writable(mqtt, [mqtt.broker.host, host], options.confirmed)
    access = broker_access(mqtt.broker, folder.path)
    entrance = common.state_of(folder) / SERVICE_SOCKET
    hmi = HmiClient(machine, host, port, tls=_tls(machine, options, folder.path))
    found = catalogue(machine, mqtt, step_texts(machine, folder.application))
    status = Status(machine, None, None, MachineClock())
    output: Output = JsonOutput(status) if common.as_json else TextOutput(status)

    async def serve(output: Output, stop: asyncio.Event) -> None:
        source = RemoteSource(hmi, found, entrance, output.event)
        one = MqttBridge(found, mqtt, access, source, new_run(), remote_write(hmi), output.event)
        async with live.closing(hmi.close), live.closing(one.close):
            output.event("bridge started", hmi=f"{host}:{port}", broker=access.where)
            one.start()
            await live.until_stopped(common, stop, output, one.wait)

    live.run_serving(serve, output)


def _mqtt(machine: Machine, to: str | None) -> Mqtt:
    """The machine file's section, with another broker if one is given; raises SoftctlError."""
    from softctl.cli.live import endpoint
    from softctl.machine import default_mqtt

    if to is None:
        if machine.mqtt is None:
            raise SoftctlError(
                f"expected `mqtt` in {machine.file}, got none: for example `mqtt: {{}}`, or --to"
            )
        return machine.mqtt
    host, port = endpoint(to)
    mqtt = machine.mqtt or default_mqtt(machine.name, machine.points)
    return replace(mqtt, broker=replace(mqtt.broker, host=host, port=port))


def _tls(machine: Machine, options: BridgeOptions, folder: Path) -> ClientTls | None:
    """How to speak to the HMI server; raises SoftctlError where files are missing."""
    from softctl.machine import KeyFiles, Scalar
    from softctl.runtime.tls_files import hmi_tls

    security = machine.hmi.security
    given = {"--certificate": options.certificate, "--key": options.key}
    missing = [name for name, path in given.items() if path is None]
    if security is None:
        if len(missing) < len(given):
            raise SoftctlError(f"expected `tls` of `hmi` in {machine.file} beside --certificate")
        return None
    if missing:
        raise SoftctlError(
            f"expected --certificate and --key for an HMI server with TLS, got no {missing[0]}"
        )
    files = [Scalar(str(path.resolve()), Place(name)) for name, path in given.items() if path]
    return hmi_tls(security, KeyFiles(*files), folder)
