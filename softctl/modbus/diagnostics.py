"""Functions 07, 08, 11, 12 and 17: what a device says about its line and itself.

Modbus Application Protocol V1.1b3, sections 6.7-6.10 and 6.13. The document marks them
"serial line only". Over TCP a device of ours refuses them with exception 01 unless it is
given a `Diagnostics`: then it stands for a serial device behind a gateway and answers.

The example of section 6.10 calls event 0x20 "entered listen only mode"; the definition in
the same section makes that event 0x04, and the definition is followed.
"""

from __future__ import annotations

from collections import deque
from struct import Struct
from typing import TYPE_CHECKING

from softctl.modbus.codes import ERROR_BIT, ExceptionCode, Refusal
from softctl.modbus.requests import DiagnosticRequest, Reject, Request

if TYPE_CHECKING:
    from softctl.modbus.clients import Client
    from softctl.modbus.device import Device

MAX_EVENTS = 64

_SUB_FUNCTION = Struct(">BH")
_WORD = Struct(">H")

RETURN_QUERY_DATA = 0
RESTART_COMMUNICATIONS = 1
FORCE_LISTEN_ONLY = 4
CLEAR_COUNTERS = 10
CLEAR_OVERRUN = 20
_COUNTERS = {
    11: "bus_messages",
    12: "bus_errors",
    13: "exceptions",
    14: "messages",
    15: "silences",
    16: "naks",
    17: "busies",
    18: "overruns",
}
"""Sub-functions that return a counter, and its name."""

_KEEP_LOG, _CLEAR_LOG = b"\x00\x00", b"\xff\x00"
_EVENT_RESTART = 0x00
_EVENT_LISTEN_ONLY = 0x04
_EVENT_RECEIVED = 0x80
_EVENT_SENT = 0x40
_LISTENING_BIT = 0x20
_EXCEPTION_BITS = {1: 0x01, 2: 0x01, 3: 0x01, 4: 0x02, 5: 0x04, 6: 0x04, 7: 0x08}


class Diagnostics:
    """The counters, the event log and the modes that the serial functions report.

    Args:
        server_id: what function 17 returns before the run indicator, 1..100 bytes.
        exception_status: the eight outputs of function 07.

    Counters hold 16 bits and wrap. `bus_errors`, `naks`, `busies` and `overruns` belong
    to a serial line: nothing here raises them, their owner may.
    """

    def __init__(self, server_id: bytes = b"\x01", exception_status: int = 0) -> None:
        if not 1 <= len(server_id) <= 100:
            raise ValueError(f"expected a server id of 1 to 100 bytes, got {len(server_id)}")
        self.server_id = server_id
        self.exception_status = exception_status
        self.is_running = True
        self.register = 0
        self.delimiter = b"\n"
        self.is_listening = False
        self.events: deque[int] = deque(maxlen=MAX_EVENTS)
        self.clear_counters()

    def clear_counters(self) -> None:
        """As sub-function 10 and a restart do."""
        self.bus_messages = self.bus_errors = self.exceptions = self.messages = 0
        self.silences = self.naks = self.busies = self.overruns = 0
        self.event_count = 0

    def note_request(self) -> None:
        """Log a received message; the newest event comes first."""
        self.bus_messages += 1
        self.messages += 1
        self.events.appendleft(_EVENT_RECEIVED | self._listening_bit())

    def note_reply(self, function: int, reply: bytes) -> None:
        """Count what became of a message: an exception, a completion, or silence."""
        if not reply:
            self.silences += 1
            return
        bits = 0
        if reply[0] & ERROR_BIT:
            self.exceptions += 1
            bits = _EXCEPTION_BITS.get(reply[1], 0)
        elif function not in (0x0B, 0x0C):
            self.event_count += 1
        self.events.appendleft(_EVENT_SENT | bits | self._listening_bit())

    def restart(self, *, clear_log: bool) -> None:
        """Leave listen-only mode and start counting again."""
        self.is_listening = False
        self.clear_counters()
        if clear_log:
            self.events.clear()
        self.events.appendleft(_EVENT_RESTART)

    def force_listen_only(self) -> None:
        """Answer nothing but a restart from now on."""
        self.is_listening = True
        self.events.appendleft(_EVENT_LISTEN_ONLY)

    def hears(self, request: Request | Reject) -> bool:
        """False for what listen-only mode ignores."""
        return not self.is_listening or request[:2] == (0x08, RESTART_COMMUNICATIONS)

    def _listening_bit(self) -> int:
        return _LISTENING_BIT if self.is_listening else 0


def decode_plain(pdu: bytes) -> DiagnosticRequest:
    """Functions 07, 11, 12 and 17: the function code alone."""
    if len(pdu) != 1:
        raise Refusal(ExceptionCode.ILLEGAL_DATA_VALUE)
    return DiagnosticRequest(pdu[0])


def decode_diagnostics(pdu: bytes) -> DiagnosticRequest:
    """Function 08: an unknown sub-function is 01, a wrong data field 03."""
    if len(pdu) < 3:
        raise Refusal(ExceptionCode.ILLEGAL_DATA_VALUE)
    function, sub = _SUB_FUNCTION.unpack_from(pdu)
    if sub not in _SUB_FUNCTIONS:
        raise Refusal(ExceptionCode.ILLEGAL_FUNCTION)
    data = pdu[3:]
    if not _is_data_legal(sub, data):
        raise Refusal(ExceptionCode.ILLEGAL_DATA_VALUE)
    return DiagnosticRequest(function, sub, data)


def _is_data_legal(sub: int, data: bytes) -> bool:
    if sub == RETURN_QUERY_DATA:
        return len(data) >= 2 and len(data) % 2 == 0
    if sub == RESTART_COMMUNICATIONS:
        return data in (_KEEP_LOG, _CLEAR_LOG)
    if sub == 3:
        return len(data) == 2 and data[1] == 0
    return data == b"\x00\x00"


def perform_exception_status(device: Device, request: DiagnosticRequest, client: Client) -> bytes:
    """Function 07."""
    return bytes((request.function, _state(device).exception_status & 0xFF))


def perform_diagnostics(device: Device, request: DiagnosticRequest, client: Client) -> bytes:
    """Function 08; entering listen-only mode and all that follows gets no reply."""
    function, sub, data = request
    reply = _SUB_FUNCTIONS[sub](_state(device), sub, data)
    return b"" if reply is None else _SUB_FUNCTION.pack(function, sub) + reply


def _echo(state: Diagnostics, sub: int, data: bytes) -> bytes:
    return data


def _restart(state: Diagnostics, sub: int, data: bytes) -> bytes | None:
    was_listening = state.is_listening
    state.restart(clear_log=data == _CLEAR_LOG)
    return None if was_listening else data


def _return_register(state: Diagnostics, sub: int, data: bytes) -> bytes:
    return _WORD.pack(state.register & 0xFFFF)


def _change_delimiter(state: Diagnostics, sub: int, data: bytes) -> bytes:
    state.delimiter = data[:1]
    return data


def _listen_only(state: Diagnostics, sub: int, data: bytes) -> None:
    state.force_listen_only()


def _clear_counters(state: Diagnostics, sub: int, data: bytes) -> bytes:
    state.clear_counters()
    state.register = 0
    return data


def _return_counter(state: Diagnostics, sub: int, data: bytes) -> bytes:
    count: int = getattr(state, _COUNTERS[sub])
    return _WORD.pack(count & 0xFFFF)


def _clear_overrun(state: Diagnostics, sub: int, data: bytes) -> bytes:
    state.overruns = 0
    return data


_SUB_FUNCTIONS = {
    RETURN_QUERY_DATA: _echo,
    RESTART_COMMUNICATIONS: _restart,
    2: _return_register,
    3: _change_delimiter,
    FORCE_LISTEN_ONLY: _listen_only,
    CLEAR_COUNTERS: _clear_counters,
    **dict.fromkeys(_COUNTERS, _return_counter),
    CLEAR_OVERRUN: _clear_overrun,
}


def perform_event_counter(device: Device, request: DiagnosticRequest, client: Client) -> bytes:
    """Function 11: status 0000 (no program command is being worked on), then the count."""
    return bytes((request.function, 0, 0)) + _WORD.pack(_state(device).event_count & 0xFFFF)


def perform_event_log(device: Device, request: DiagnosticRequest, client: Client) -> bytes:
    """Function 12: status, event count, message count, up to 64 events, newest first."""
    state = _state(device)
    events = bytes(state.events)
    body = bytes(2) + _WORD.pack(state.event_count & 0xFFFF) + _WORD.pack(state.messages & 0xFFFF)
    return bytes((request.function, len(body) + len(events))) + body + events


def perform_server_id(device: Device, request: DiagnosticRequest, client: Client) -> bytes:
    """Function 17: the id, then the run indicator."""
    state = _state(device)
    body = state.server_id + (b"\xff" if state.is_running else b"\x00")
    return bytes((request.function, len(body))) + body


def _state(device: Device) -> Diagnostics:
    if device.diagnostics is None:
        raise Refusal(ExceptionCode.ILLEGAL_FUNCTION)
    return device.diagnostics
