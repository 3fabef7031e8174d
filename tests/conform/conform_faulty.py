"""Our own server with every function, spoilt by wire faults, without sockets and without time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

from conform_reference import BITS, FILE, INPUTS, MEASURED, RECORDS, REGISTERS

from softctl.modbus import Bank, Client, Device, Diagnostics, Identification, Server
from softctl.modbus.actions import Send
from softctl.modbus.faults import Faults, Rule
from softctl.modbus.server import Connection
from softctl.values.tables import Table

TIMEOUT_NS = 1_000_000_000
"""What is sent later than this never comes."""


def build_device() -> Device:
    """Everything the cases can ask for; files begin at record 0."""
    counts = {table: BITS if table.is_bits else REGISTERS for table in Table}
    bank = Bank({table: [(0, count)] for table, count in counts.items()})
    bank.bits(Table.DISCRETE_INPUTS)[:] = bytes(INPUTS)
    words = b"".join(value.to_bytes(2, "big") for value in MEASURED)
    bank.registers(Table.INPUT_REGISTERS)[:] = words
    return Device(
        bank,
        identification=Identification("Fernhollow", "FH-1", "1.0", {3: "http://localhost"}),
        files={FILE: bytearray(2 * RECORDS)},
        fifos={0: [0x01B8, 0x1284]},
        diagnostics=Diagnostics(),
    )


@dataclass
class FaultyLink:
    """One connection."""

    connection: Connection
    is_closed: bool = False


class FaultyServer:
    """Speaks as `ReferenceServer` does, so that cases can be played against it."""

    serves_half_closed = True

    def __init__(self, rules: Sequence[Rule] = ()) -> None:
        self.server = Server([build_device()], faults=Faults(Random(1), 0, rules))
        self.links = 0

    def connect(self) -> FaultyLink | None:
        """Every connection comes from a host of its own: 192.0.2.1, .2, and so on."""
        self.links += 1
        client = Client(f"client {self.links}", f"192.0.2.{self.links}")
        faults = self.server.faults
        if faults is not None and faults.denies(client, 0):
            return None
        return FaultyLink(self.server.connect(client))

    def greeting(self, link: FaultyLink) -> bytes:
        return b""

    def receive(self, link: FaultyLink, data: bytes) -> bytes:
        out = b""
        for action in link.connection.receive(data, 0):
            if isinstance(action, Send):
                late = action.at_ns > TIMEOUT_NS
                out += b"" if late or link.is_closed else action.data
            else:
                link.is_closed = True
        return out

    def heard(self, link: FaultyLink) -> None:
        pass

    def half_close(self, link: FaultyLink) -> None:
        link.is_closed = True

    def disconnect(self, link: FaultyLink) -> None:
        link.is_closed = True
