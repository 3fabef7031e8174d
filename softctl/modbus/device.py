"""One unit behind a server: a bank and the decisions about requests for it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from softctl.modbus.bank import Bank
from softctl.modbus.clients import LOCAL, Client
from softctl.modbus.codes import ExceptionCode, Refusal, encode_exception
from softctl.modbus.diagnostics import Diagnostics
from softctl.modbus.functions import (
    CHANGING_FUNCTIONS,
    DIAGNOSTIC_FUNCTIONS,
    FIFO_FUNCTIONS,
    FILE_FUNCTIONS,
    IDENTIFICATION_FUNCTIONS,
    TABLE_FUNCTIONS,
    Function,
    decode_request,
)
from softctl.modbus.identification import Identification
from softctl.modbus.requests import Reject, Request
from softctl.values.tables import Table

WriteCheck = Callable[[Table, int, bytes], int | None]
"""(table, address, data in bank form) -> an exception code to refuse with, or None."""

OnWrite = Callable[[Client, Table, int, bytes], None]
"""(client, table, address, data in bank form), after the bank has changed."""


Permit = Callable[[Client, Table | None, int, int, bool], bool]
"""(client, table, address, count, is a write) -> whether the client may.

The table is None, and the range empty, for a function that is about none of the four.
"""


class Device:
    """Answers the requests of one unit.

    A request is done in one go, without awaiting anything, so that no client can see or
    leave a value of several registers half written. A function whose data the device was
    not given is not there: exception 01.

    Args:
        bank: the memory; the owner shares it.
        unit: the unit id, 0..255.
        write_check: called before anything changes, once per written range, when the
            range exists; the exception code it returns refuses the whole request, and a
            ValueError (the data is not a value of the point) refuses it with 04.
        permit: called for every range of a request before its addresses are checked, and
            once for a function that has none; False is exception 01 (Modbus/TCP Security
            v36: not authorised). What it says of a read holds for the life of the
            connection.
        on_write: called after a range was written, with the client that asked.
        identification: what function 43/14 tells.
        files: file number (1..65535) -> records of two bytes each, for functions 20, 21.
        fifos: address -> the queue's registers, for function 24.
        diagnostics: the state that functions 07, 08, 11, 12 and 17 report. The
            specification keeps them for serial lines, so they are off unless given.

    Raises:
        ValueError: the unit id is not a byte, or a file number is not 1..65535.
    """

    __slots__ = (
        "bank",
        "diagnostics",
        "fifos",
        "files",
        "functions",
        "identification",
        "on_write",
        "permit",
        "unit",
        "write_check",
    )

    def __init__(
        self,
        bank: Bank,
        unit: int = 1,
        *,
        write_check: WriteCheck | None = None,
        permit: Permit | None = None,
        on_write: OnWrite | None = None,
        identification: Identification | None = None,
        files: Mapping[int, bytearray] | None = None,
        fifos: Mapping[int, Sequence[int]] | None = None,
        diagnostics: Diagnostics | None = None,
    ) -> None:
        if not 0 <= unit <= 255:
            raise ValueError(f"expected a unit id between 0 and 255, got {unit}")
        for number in files or ():
            if not 1 <= number <= 0xFFFF:
                raise ValueError(f"expected a file number between 1 and 65535, got {number}")
        self.bank = bank
        self.unit = unit
        self.write_check = write_check
        self.permit = permit
        self.on_write = on_write
        self.identification = identification
        self.files = files or {}
        self.fifos = fifos or {}
        self.diagnostics = diagnostics
        self.functions: dict[int, Function] = {
            **TABLE_FUNCTIONS,
            **(IDENTIFICATION_FUNCTIONS if identification is not None else {}),
            **(FILE_FUNCTIONS if files is not None else {}),
            **(FIFO_FUNCTIONS if fifos is not None else {}),
            **(DIAGNOSTIC_FUNCTIONS if diagnostics is not None else {}),
        }

    def answer(self, pdu: bytes, client: Client = LOCAL) -> bytes:
        """The reply PDU for a request PDU; never raises, whatever the bytes are.

        Empty when the request gets no reply, as in listen-only mode.
        """
        return self.perform(decode_request(pdu, self.functions), client)

    def perform(self, request: Request | Reject, client: Client = LOCAL) -> bytes:
        """The reply PDU for a decoded request, empty for none."""
        if self.diagnostics is None:
            return self._perform(request, client)
        return self._perform_observed(request, client, self.diagnostics)

    def check_write(self, table: Table, address: int, data: bytes) -> None:
        """Ask the owner about a write; raises the exception code it answers with."""
        if self.write_check is None:
            return
        try:
            code = self.write_check(table, address, data)
        except ValueError:
            code = ExceptionCode.SERVER_DEVICE_FAILURE
        if code is not None:
            raise Refusal(code)

    def require_permission(
        self, client: Client, table: Table | None, address: int, count: int, is_write: bool
    ) -> None:
        """Raise exception 01 unless the client may read or write the range."""
        if self.permit is not None and not self.permit(client, table, address, count, is_write):
            raise Refusal(ExceptionCode.ILLEGAL_FUNCTION)

    def write(self, client: Client, table: Table, address: int, data: bytes) -> None:
        """Store checked data and tell the owner who wrote it."""
        self.bank.area(table).write(address, data)
        if self.on_write is not None:
            self.on_write(client, table, address, data)

    def _perform(self, request: Request | Reject, client: Client) -> bytes:
        if isinstance(request, Reject):
            return encode_exception(request.function, request.exception)
        code = request.function
        try:
            if self.permit is not None and code not in TABLE_FUNCTIONS:
                self.require_permission(client, None, 0, 0, code in CHANGING_FUNCTIONS)
            return self.functions[code].perform(self, request, client)
        except Refusal as refusal:
            return encode_exception(code, refusal.code)

    def _perform_observed(
        self, request: Request | Reject, client: Client, diagnostics: Diagnostics
    ) -> bytes:
        diagnostics.note_request()
        reply = self._perform(request, client) if diagnostics.hears(request) else b""
        diagnostics.note_reply(request.function, reply)
        return reply
