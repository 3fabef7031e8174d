"""How to reach a broker: certificates, the password, and whether writes may come from there."""

from __future__ import annotations

import os
import ssl
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from softctl.errors import Problem, ProblemsError, SoftctlError
from softctl.machine import Machine, Mqtt, MqttBroker
from softctl.runtime.hosts import is_loopback
from softctl.runtime.tls_files import broker_tls


@dataclass(frozen=True, slots=True)
class Access:
    """What a connection needs besides the machine file; `password` None for none."""

    broker: MqttBroker
    tls: ssl.SSLContext | None = None
    password: str | None = None

    @property
    def where(self) -> str:
        """The broker, for messages."""
        return f"{self.broker.host}:{self.broker.port}"


def broker_access(broker: MqttBroker, folder: Path) -> Access:
    """Read what lies outside the machine file.

    Raises ProblemsError for files that are missing or wrong, with the place that names
    them, and SoftctlError for an environment variable that is not set.
    """
    return Access(broker, broker_tls(broker, folder), _password(broker, folder))


def mqtt_problems(machine: Machine, folder: Path) -> Iterator[Problem]:
    """What would keep the bridge of a machine from starting, and what others may read."""
    if machine.mqtt is None:
        return
    broker = machine.mqtt.broker
    try:
        broker_access(broker, folder)
    except ProblemsError as error:
        yield from error.problems
    except SoftctlError as error:
        yield Problem(str(error), machine.mqtt.place, "warning")
    secrets = [broker.password_file, None if broker.own is None else broker.own.key]
    for secret in secrets:
        path = None if secret is None else folder / str(secret.value)
        if secret is not None and path is not None and _is_open(path):
            yield Problem(
                f"expected a file that only you can read, got {path}",
                secret.place,
                "warning",
                hint=f"chmod 600 {path}",
            )
    if broker.user and not broker.has_tls and not is_loopback(broker.host):
        yield Problem(
            f"expected `tls` to {broker.host}, got none: the password goes there in the clear",
            machine.mqtt.place,
            "warning",
        )


def require_writable(mqtt: Mqtt, hosts: Sequence[str], confirmed: Sequence[str]) -> None:
    """Raise SoftctlError unless what comes from a broker may be written.

    Whoever may publish at the broker moves the machine. So each of `hosts`, the broker's
    and the controller's, has to be loopback or confirmed by the person who starts the run.
    """
    if mqtt.writes is None:
        return
    for host in hosts:
        if not is_loopback(host) and host not in confirmed:
            raise SoftctlError(
                f"expected a loopback address for writes from MQTT, got {host}: whoever may "
                f"publish there can move the machine and hurt people. If that is what you "
                f"want, add `--mqtt-writes {host}` on the command line; else take `writes` out "
                f"of `mqtt` in the machine file."
            )


def _password(broker: MqttBroker, folder: Path) -> str | None:
    if broker.password_env:
        value = os.environ.get(broker.password_env)
        if value is None:
            raise SoftctlError(
                f"expected the broker's password in the environment variable "
                f"{broker.password_env}, got no such variable"
            )
        return value
    if broker.password_file is None:
        return None
    path = folder / str(broker.password_file.value)
    try:
        return path.read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8"
        problem = f"expected a file with the broker's password, got {why}: {path}"
        raise ProblemsError([Problem(problem, broker.password_file.place)]) from None


def _is_open(path: Path) -> bool:
    try:
        return bool(path.stat().st_mode & (stat.S_IRGRP | stat.S_IROTH))
    except OSError:
        return False
