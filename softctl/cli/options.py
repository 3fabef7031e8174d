"""Options that several commands share."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class LogFormat(StrEnum):
    """How events are written."""

    TEXT = "text"
    JSON = "json"


class ListFormat(StrEnum):
    """How a list is written."""

    TABLE = "table"
    CSV = "csv"
    JSON = "json"


class PageRoleName(StrEnum):
    """What somebody may do on a page."""

    VIEW = "view"
    OPERATE = "operate"
    ENGINEER = "engineer"


class KeyKind(StrEnum):
    """What keys of certificates are made of."""

    RSA = "rsa"
    P256 = "p256"


MachineDir = Annotated[
    Path | None, typer.Argument(metavar="DIR", help="Machine folder; the demo if left out.")
]
Speed = Annotated[
    float,
    typer.Option(min=0.01, max=1000.0, help="Machine time against wall time, for both clocks."),
]
Log = Annotated[
    LogFormat, typer.Option(help="Status screen and text, or one JSON object per event.")
]
FieldPort = Annotated[
    int | None,
    typer.Option(min=0, max=65535, help="Port of the field server; 0 takes any free one."),
]
HmiPort = Annotated[
    int | None,
    typer.Option(min=0, max=65535, help="Port of the HMI server; 0 takes any free one."),
]
HmiHost = Annotated[
    str | None,
    typer.Option(help="Address the HMI server listens on; the machine file's if left out."),
]
ControllersHmi = Annotated[
    str | None,
    typer.Option(
        metavar="HOST:PORT", help="The controller's HMI server; the machine file's if left out."
    ),
]
Commands = Annotated[
    list[str] | None,
    typer.Option(
        "--command",
        metavar="NAME",
        help="Give this command once, as an HMI would, when the field link is healthy.",
    ),
]
WireFaultsFile = Annotated[
    Path | None,
    typer.Option(
        "--wire-faults",
        metavar="FILE",
        help="What goes wrong on the wire on purpose; read again whenever the file changes.",
    ),
]
AuditFile = Annotated[
    Path | None,
    typer.Option(
        "--audit",
        metavar="FILE",
        help="Audit what clients ask; the record, as JSON, is written here at the end.",
    ),
]
StateDirectory = Annotated[
    Path | None,
    typer.Option(
        "--state",
        metavar="DIR",
        help="Where RETAIN values and the journal are kept; else in your state home.",
    ),
]
Cold = Annotated[
    bool, typer.Option("--cold", help="Start RETAIN variables at their initial values too.")
]
Journal = Annotated[
    bool, typer.Option("--journal/--no-journal", help="Keep a journal of events and values.")
]
WatchPrograms = Annotated[
    bool, typer.Option("--watch", help="Change the running program whenever its files change.")
]
MetricsPort = Annotated[
    int | None,
    typer.Option(
        "--metrics",
        metavar="PORT",
        min=0,
        max=65535,
        help="Serve /health and /metrics (extra 'metrics') at this port of loopback.",
    ),
]
PagePort = Annotated[
    int | None,
    typer.Option(
        "--page",
        metavar="PORT",
        min=0,
        max=65535,
        help="Serve the bench page (extra 'page') at this port; 0 takes any free one.",
    ),
]
PageRole = Annotated[
    PageRoleName,
    typer.Option(help="What somebody may do on the bench page who does not have to sign in."),
]
PageHost = Annotated[
    str,
    typer.Option(
        help="Address of the bench page; elsewhere than on loopback it needs people and TLS."
    ),
]
PagePeople = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE", help="Who may sign in to the bench page: lines of `softctl page-entry`."
    ),
]
PageCertificate = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Serve the bench page over TLS with this PEM.")
]
PageKey = Annotated[
    Path | None, typer.Option(metavar="FILE", help="The private key of that certificate.")
]
PageNames = Annotated[
    list[str] | None,
    typer.Option(
        "--page-name", metavar="HOST", help="A host name by which the bench page is called too."
    ),
]
ForSeconds = Annotated[
    float | None, typer.Option("--for", min=0.0, help="Stop after this many wall seconds.")
]
Html = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Write the record as an HTML page too.")
]
Pdf = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Write the record as PDF too, by an installed Chromium."),
]
Mqtt = Annotated[
    bool,
    typer.Option("--mqtt/--no-mqtt", help="Publish what `mqtt` in the machine file says."),
]
MqttWritesHosts = Annotated[
    list[str] | None,
    typer.Option(
        "--mqtt-writes",
        metavar="HOST",
        help="Confirm that what comes from the MQTT broker at this host, which is not loopback, "
        "may be written: whoever can publish there moves the machine.",
    ),
]
