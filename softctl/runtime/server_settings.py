"""What a machine file says about a server, as the Modbus server takes it."""

from __future__ import annotations

from collections.abc import Sequence

from softctl import __version__
from softctl.machine import Endpoint, Machine, WhenFull
from softctl.machine import UnknownUnit as UnknownUnitSetting
from softctl.modbus.clients import Policy, parse_networks
from softctl.modbus.clients import WhenFull as PolicyWhenFull
from softctl.modbus.device import Device
from softctl.modbus.faults import Faults
from softctl.modbus.identification import Identification
from softctl.modbus.server import Server, UnknownUnit

_UNKNOWN_UNIT = {
    UnknownUnitSetting.EXCEPTION: UnknownUnit.EXCEPTION,
    UnknownUnitSetting.SILENCE: UnknownUnit.SILENCE,
}
_WHEN_FULL = {
    WhenFull.CLOSE_OLDEST: PolicyWhenFull.CLOSE_OLDEST,
    WhenFull.REFUSE: PolicyWhenFull.REFUSE,
}
_LONGEST = 200


def serve(devices: Sequence[Device], endpoint: Endpoint, faults: Faults) -> Server:
    """The server of some devices, with the endpoint's settings and the faults on its wire.

    The first one is the server's own: it answers to the unit ids 0 and 255 too.
    """
    who = endpoint.connections
    policy = Policy(
        max_connections=who.limit,
        when_full=_WHEN_FULL[who.when_full],
        idle_timeout_ns=who.idle_ns,
        allowed=parse_networks(who.allow),
        read_only=parse_networks(who.read_only),
    )
    return Server(
        devices,
        direct=devices[0],
        unknown_unit=_UNKNOWN_UNIT[endpoint.unknown_unit],
        policy=policy,
        faults=faults,
    )


def identification(machine: Machine, endpoint: Endpoint, application: str) -> Identification:
    """What a server says about itself: the machine file's texts, else softctl's own.

    `application` says which of the machine's servers it is. The objects are those of the
    Modbus Application Protocol V1.1b3, section 6.21.
    """
    own = endpoint.identification
    objects = {
        3: own.vendor_url,
        4: own.product_name or machine.title,
        5: own.model_name,
        6: own.application_name or application,
    }
    return Identification(
        own.vendor or "softctl",
        own.product_code or machine.name,
        own.revision or __version__,
        {number: _ascii(text) for number, text in objects.items() if text},
    )


def _ascii(text: str) -> str:
    """Objects are ASCII strings; a title may be more."""
    return text.encode("ascii", "replace").decode("ascii")[:_LONGEST]
