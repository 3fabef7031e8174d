"""One unit behind a server: a bank and the decisions about requests for it."""

from __future__ import annotations

from collections.abc import Callable

from softctl.modbus.bank import Bank
from softctl.modbus.clients import LOCAL, Client
from softctl.modbus.codes import Refusal, encode_exception
from softctl.modbus.functions import FUNCTIONS, decode_request
from softctl.modbus.requests import Reject, Request
from softctl.values.tables import Table

WriteCheck = Callable[[Table, int, bytes], int | None]
"""(table, address, data in bank form) -> an exception code to refuse with, or None."""

OnWrite = Callable[[Client, Table, int, bytes], None]
"""(client, table, address, data in bank form), after the bank has changed."""


class Device:
    """Answers the requests of one unit.

    A request is done in one go, without awaiting anything, so that no client can see or
    leave a value of several registers half written.

    Args:
        bank: the memory; the owner shares it.
        unit: the unit id, 0..255.
        write_check: called before anything changes, once per written range, when the
            range exists; the exception code it returns refuses the whole request.
        on_write: called after a range was written, with the client that asked.
    """

    __slots__ = ("bank", "on_write", "unit", "write_check")

    def __init__(
        self,
        bank: Bank,
        unit: int = 1,
        *,
        write_check: WriteCheck | None = None,
        on_write: OnWrite | None = None,
    ) -> None:
        if not 0 <= unit <= 255:
            raise ValueError(f"expected a unit id between 0 and 255, got {unit}")
        self.bank = bank
        self.unit = unit
        self.write_check = write_check
        self.on_write = on_write

    def answer(self, pdu: bytes, client: Client = LOCAL) -> bytes:
        """The reply PDU for a request PDU; never raises, whatever the bytes are."""
        return self.perform(decode_request(pdu), client)

    def perform(self, request: Request | Reject, client: Client = LOCAL) -> bytes:
        """The reply PDU for a decoded request."""
        if isinstance(request, Reject):
            return encode_exception(request.function, request.exception)
        try:
            return FUNCTIONS[request.function].perform(self, request, client)
        except Refusal as refusal:
            return encode_exception(request.function, refusal.code)

    def check_write(self, table: Table, address: int, data: bytes) -> None:
        """Ask the owner about a write; raises the exception code it answers with."""
        if self.write_check is not None:
            code = self.write_check(table, address, data)
            if code is not None:
                raise Refusal(code)

    def write(self, client: Client, table: Table, address: int, data: bytes) -> None:
        """Store checked data and tell the owner who wrote it."""
        self.bank.area(table).write(address, data)
        if self.on_write is not None:
            self.on_write(client, table, address, data)
