"""The section `mqtt` of a machine file as pydantic models."""

from __future__ import annotations

import re
from typing import Annotated, Final

from pydantic import Field

from softctl.machine.fields import (
    Checked,
    Host,
    Names,
    Port,
    Text,
    choice,
    duration,
    is_number,
    refuse,
    whole,
)
from softctl.machine.model import MqttLayout, MqttVersion
from softctl.machine.section import Section

_VERSIONS: Final = {version.value: version for version in MqttVersion}
_VARIABLE: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_PERCENT: Final = re.compile(r"(\d+(?:\.\d+)?) ?%")
_LEVEL: Final = re.compile(r"[^+#/\s][^+#/]*")
_LONGEST_TOPIC: Final = 200


def _version(value: object) -> object:
    """YAML reads 5 as a number and 3.1.1 as text."""
    if not isinstance(value, bool) and str(value) in _VERSIONS:
        return _VERSIONS[str(value)]
    return refuse(" or ".join(_VERSIONS), value)


def _topic(value: object) -> object:
    """The beginning of topics: no wildcards, none of the broker's own, none of Sparkplug's."""
    if isinstance(value, str) and 0 < len(value) <= _LONGEST_TOPIC and value.isprintable():
        levels = value.split("/")
        if all(levels) and not set("+#") & set(value) and value[0] != "$":
            if levels[0] != "spBv1.0":
                return value
            refuse("a topic outside spBv1.0, which is Sparkplug's", value)
    return refuse("the beginning of topics such as 'plant/skid_1'", value)


def _level(value: object) -> object:
    """An element of Sparkplug topics (3.0: no +, / or #)."""
    if isinstance(value, str) and _LEVEL.fullmatch(value) and value.isprintable():
        return value
    return refuse("a name without +, / and #", value)


def _variable(value: object) -> object:
    if isinstance(value, str) and _VARIABLE.fullmatch(value):
        return value
    return refuse("the name of an environment variable", value)


def _percent(value: object) -> object:
    """A share of a range, `0.5 %`, kept as 0.005."""
    found = _PERCENT.fullmatch(value) if isinstance(value, str) else None
    if found is not None and float(found[1]) <= 100:
        return float(found[1]) / 100
    hint = f"write '{value:g} %'" if is_number(value) and isinstance(value, int | float) else ""
    return refuse("a share of the range from '0 %' to '100 %'", value, hint)


_STRING: Final = {"type": "string"}
Version = Annotated[
    MqttVersion, Checked(_version, {"anyOf": [{"enum": ["3.1.1", "5"]}, {"enum": [5]}]})
]
Topic = Annotated[str, Checked(_topic, {"type": "string", "pattern": r"^[^+#$/][^+#]*$"})]
Level = Annotated[str, Checked(_level, {"type": "string", "pattern": r"^[^+#/]+$"})]
Variable = Annotated[str, Checked(_variable, _STRING)]
Percent = Annotated[
    float, Checked(_percent, {"type": "string", "pattern": r"^[0-9]+(\.[0-9]+)? ?%$"})
]


class MqttTlsSection(Section):
    """TLS to the broker."""

    authority: Text | None = Field(
        default=None, description="PEM file of whoever signed the broker's; else the system's"
    )
    certificate: Text | None = Field(default=None, description="PEM file of its own certificate")
    key: Text | None = Field(default=None, description="PEM file of its private key")


class MqttJsonSection(Section):
    """Plain JSON topics."""

    topic: Topic | None = Field(default=None, description="beginning of all topics")
    layout: Annotated[MqttLayout, choice(MqttLayout)] = Field(
        default=MqttLayout.SINGLE, description="a topic for each point, or all that changed in one"
    )


class MqttSparkplugSection(Section):
    """Sparkplug B 3.0."""

    group: Level = Field(description="group id")
    node: Level | None = Field(default=None, description="edge node id; else the machine's name")
    device: Level | None = Field(default=None, description="device id; else 'machine'")
    primary_host: Level | None = Field(
        default=None, description="host application without which values are stored"
    )


class MqttWritesSection(Section):
    """What may be written from MQTT; nothing without it."""

    allow: Names = Field(description="commands and set points, by name or kind")
    role: Text | None = Field(
        default=None, description="role of `hmi.tls` whose rights bound it too, for the journal"
    )


class MqttSection(Section):
    """What an MQTT broker gets of this machine, and what it may ask."""

    host: Host = Field(default="127.0.0.1", description="the broker's host")
    port: Port = Field(default=1_883, description="the broker's TCP port")
    version: Version = Field(default=MqttVersion.V311, description="MQTT version")
    client_id: Text | None = Field(default=None, description="client id; else drawn at random")
    user: Text | None = Field(default=None, description="user name at the broker")
    password_file: Text | None = Field(default=None, description="file that holds the password")
    password_env: Variable | None = Field(
        default=None, description="environment variable that holds the password"
    )
    tls: MqttTlsSection | None = Field(default=None, description="TLS to the broker")
    points: Names = Field(default=("all",), description="which points, by name or kind")
    interval: Annotated[int, duration("10 ms", "3600 s")] = Field(
        default=1_000_000_000, description="how often changes are published"
    )
    deadband: Percent = Field(
        default=0.0, description="how far a number has to move, as a share of its range"
    )
    statistics: Annotated[int, duration("1 s", "3600 s")] = Field(
        default=10_000_000_000, description="how often the controller's figures are published"
    )
    queue: Annotated[int, whole(100, 1_000_000)] = Field(
        default=10_000, description="values and events kept while the broker is away"
    )
    # `json` alone is a method of pydantic's models.
    json_: MqttJsonSection | None = Field(
        default=None, alias="json", description="plain JSON topics"
    )
    sparkplug: MqttSparkplugSection | None = Field(
        default=None, description="Sparkplug B 3.0 (extra 'sparkplug')"
    )
    writes: MqttWritesSection | None = Field(
        default=None, description="what may be written from MQTT; nothing without it"
    )
