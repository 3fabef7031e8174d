"""Which requests a wire fault is about."""

from __future__ import annotations

from dataclasses import dataclass

from softctl.modbus.clients import Client, Network, is_within
from softctl.modbus.frames import Frame
from softctl.modbus.requests import (
    MaskWriteRequest,
    ReadRequest,
    ReadWriteRequest,
    Reject,
    Request,
    WriteRequest,
)
from softctl.values.tables import Table

Span = tuple[Table, int, int]


def spans_of(request: Request | Reject) -> list[Span]:
    """The ranges of the four tables that a request is about."""
    words = Table.HOLDING_REGISTERS
    if isinstance(request, ReadRequest | WriteRequest):
        return [(request.table, request.address, request.quantity)]
    if isinstance(request, MaskWriteRequest):
        return [(words, request.address, 1)]
    if isinstance(request, ReadWriteRequest):
        return [
            (words, request.address, request.quantity),
            (words, request.write_address, len(request.data) // 2),
        ]
    return []


@dataclass(frozen=True, slots=True)
class Scope:
    """Which requests a rule is about; every empty field means all.

    Attributes:
        clients: networks of the clients.
        units: unit ids.
        functions: function codes.
        table, first, last: requests that touch these addresses.
        probability: the share of such requests that is struck, 0..1.
        from_ns, until_ns: when, counted from the start; `until_ns` is exclusive.
    """

    clients: tuple[Network, ...] = ()
    units: frozenset[int] = frozenset()
    functions: frozenset[int] = frozenset()
    table: Table | None = None
    first: int = 0
    last: int = 0xFFFF
    probability: float = 1.0
    from_ns: int = 0
    until_ns: int | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.probability <= 1:
            raise ValueError(f"expected a probability from 0 to 1, got {self.probability}")
        if not 0 <= self.first <= self.last <= 0xFFFF:
            raise ValueError(
                f"expected addresses within 0..65535 in order, got {self.first}..{self.last}"
            )

    @property
    def is_about_addresses(self) -> bool:
        """True when it names a table or a range, so that other requests are not struck."""
        return self.table is not None or (self.first, self.last) != (0, 0xFFFF)

    def is_active(self, elapsed_ns: int) -> bool:
        """True between `from_ns` and `until_ns`."""
        return self.from_ns <= elapsed_ns and (self.until_ns is None or elapsed_ns < self.until_ns)

    def concerns(self, client: Client) -> bool:
        """True for a client in its networks."""
        return not self.clients or is_within(client.host, self.clients)

    def covers(self, frame: Frame, request: Request | Reject) -> bool:
        """True for a request of its units, functions and addresses."""
        if self.units and frame.unit not in self.units:
            return False
        if self.functions and frame.pdu[0] not in self.functions:
            return False
        return not self.is_about_addresses or any(
            (self.table is None or table is self.table)
            and address <= self.last
            and self.first < address + count
            for table, address, count in spans_of(request)
        )
