"""Rules of the specifications that are about every function, or about streams of frames.

Sources: Modbus Application Protocol Specification V1.1b3 (MAP) and Modbus Messaging on
TCP/IP Implementation Guide V1.0b (MTG). The worked examples are those of the tests of the
single functions, each with a device in the state that the document describes.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_modbus_examples import EXAMPLES as TABLE_EXAMPLES
from test_modbus_examples import Example, _device
from test_modbus_functions import EXAMPLES as OTHER_EXAMPLES

from softctl.modbus import Bank, Client, Device, Diagnostics, ExceptionCode, Server
from softctl.modbus.actions import Close, Send
from softctl.modbus.frames import encode_frame
from softctl.modbus.functions import FUNCTIONS
from softctl.values.tables import Table

UNIT = 0xFF
FOREIGN = encode_frame(7, UNIT, b"\x03\0\0\0\1", protocol=0x0100)
REFUSED = encode_frame(8, UNIT, b"\x40")
REFUSAL = encode_frame(8, UNIT, b"\xc0\x01")


def _examples() -> dict[str, tuple]:
    """By section: how to build the device, the request and the reply."""
    found: dict[str, tuple] = {
        example.section: (lambda one=example: _build(one), example.request, example.reply)
        for example in TABLE_EXAMPLES
    }
    return found | {section: tuple(rest) for section, *rest in OTHER_EXAMPLES}


def _build(example: Example) -> Device:
    device = _device(example)
    device.unit = 1  # a lone device is also unit 255
    return device


EXAMPLES = _examples()
ASKING_CHANGES_THE_ANSWER = {"6.10"}
"""The event log counts the messages before it."""

GARBAGE = {
    "text": b"GET / HTTP/1.1\r\nHost: there\r\n\r\n",
    "zeros": bytes(24),
    "ones": b"\xff" * 24,
    "serial frame": bytes.fromhex("01 03 00 00 00 01 84 0A"),
    "half a header": b"\0\1\0",
    "half a frame": encode_frame(9, UNIT, b"\x03\0\0\0\1")[:9],
    "too long": encode_frame(9, UNIT, b"\x03\0\0\0\1", length=255),
    "another protocol": FOREIGN,
}

LOST = {"text", "zeros", "ones", "serial frame", "too long"}
"""Bytes 4 and 5 are no length of a frame, so that nothing after them can be found."""


def test_every_function_of_the_table_has_its_example() -> None:
    """MAP section 6 has 19 public functions with an example each; 43/13 is another network's."""
    codes = {bytes.fromhex(request)[0] for _, request, _ in EXAMPLES.values()}
    assert codes == set(FUNCTIONS)
    assert len(EXAMPLES) == 19


def _fed(device: Device, parts: list[bytes]) -> tuple[bytes, bool]:
    """All that was sent, and whether the connection was closed."""
    connection = Server([device]).connect(Client("test"))
    actions = [action for part in parts for action in connection.receive(part, 5)]
    sent = b"".join(action.data for action in actions if isinstance(action, Send))
    return sent, Close(5) in actions


@pytest.mark.parametrize("section", EXAMPLES)
def test_an_example_among_other_frames_is_answered_in_its_turn(section: str) -> None:
    """MTG 4.4: whole, in one segment with others, and byte by byte, in the order asked."""
    build, request, reply = EXAMPLES[section]
    asked = encode_frame(0x1501, UNIT, bytes.fromhex(request))
    answer = encode_frame(0x1501, UNIT, bytes.fromhex(reply))
    is_counted = section in ASKING_CHANGES_THE_ANSWER
    stream = FOREIGN + (b"" if is_counted else REFUSED) + asked + FOREIGN + REFUSED
    expected = (b"" if is_counted else REFUSAL) + answer + REFUSAL
    assert _fed(build(), [asked]) == (answer, False)
    assert _fed(build(), [stream]) == (expected, False)
    assert _fed(build(), [stream[i : i + 1] for i in range(len(stream))]) == (expected, False)


@pytest.mark.parametrize("garbage", GARBAGE)
@pytest.mark.parametrize("section", EXAMPLES)
def test_garbage_behind_an_example_is_not_answered(section: str, garbage: str) -> None:
    """MTG 4.4.2: what is no request is discarded; the one before it has its answer."""
    build, request, reply = EXAMPLES[section]
    asked = encode_frame(0x1501, UNIT, bytes.fromhex(request))
    answer = encode_frame(0x1501, UNIT, bytes.fromhex(reply))
    for parts in ([asked + GARBAGE[garbage]], [asked, GARBAGE[garbage]]):
        sent, is_closed = _fed(build(), parts)
        assert sent == answer
        assert is_closed == (garbage in LOST)


@settings(max_examples=200)
@given(
    st.lists(st.sampled_from(sorted(set(EXAMPLES) - ASKING_CHANGES_THE_ANSWER)), max_size=30),
    st.lists(st.integers(1, 60), min_size=1, max_size=20),
    st.booleans(),
)
def test_any_stream_of_examples_gives_their_answers(sections, sizes, has_foreign) -> None:
    """In any order, cut anywhere, with frames of another protocol between: 18 units answer."""
    devices = []
    for unit, section in enumerate(EXAMPLES, 1):
        device = EXAMPLES[section][0]()
        device.unit = unit
        devices.append(device)
    units = {section: unit for unit, section in enumerate(EXAMPLES, 1)}
    stream, expected = b"", b""
    for number, section in enumerate(sections):
        _, request, reply = EXAMPLES[section]
        stream += FOREIGN if has_foreign else b""
        stream += encode_frame(number, units[section], bytes.fromhex(request))
        expected += encode_frame(number, units[section], bytes.fromhex(reply))
    connection = Server(devices).connect(Client("test"))
    sent, start, turn = b"", 0, 0
    while start < len(stream):
        size = sizes[turn % len(sizes)]
        for action in connection.receive(stream[start : start + size], 0):
            assert isinstance(action, Send)
            sent += action.data
        start, turn = start + size, turn + 1
    assert sent == expected
    assert connection.pending == 0


# Function codes ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "codes",
    [
        (9, 10, 13, 14, 41, 42, 90, 91, 125, 126, 127),  # annex A: reserved
        (*range(65, 73), *range(100, 111)),  # section 5: user-defined
        tuple(sorted(set(range(1, 128)) - set(FUNCTIONS))),  # everything that is not there
    ],
    ids=["reserved", "user-defined", "all others"],
)
def test_a_code_without_a_function_is_exception_01(codes: tuple[int, ...]) -> None:
    """MAP section 7, whatever follows the code."""
    device = Device(Bank({table: [(0, 8)] for table in Table}), diagnostics=Diagnostics())
    for code in codes:
        for body in (b"", b"\0\0\0\1", bytes(252)):
            assert device.answer(bytes((code,)) + body) == bytes((code | 0x80, 1))


def test_every_reserved_sub_function_of_08_is_exception_01() -> None:
    """MAP 6.8: 5 to 9, 19 and 21 to 65535 are reserved, the others are answered."""
    device = Device(Bank({Table.COILS: [(0, 8)]}), diagnostics=Diagnostics())
    known = {0, 2, 3, *range(10, 19), 20}
    for sub in range(65_536):
        if sub in (1, 4):
            continue  # restart and listen-only mode, which change what is answered
        reply = device.answer(b"\x08" + sub.to_bytes(2, "big") + b"\0\0")
        assert (reply == b"\x88\x01") == (sub not in known), sub


# Values and sizes --------------------------------------------------------------------------


@pytest.mark.parametrize("value", [0, 1, 0x7FFF, 0x8000, 0xFFFF])
def test_function_06_takes_any_value(value: int) -> None:
    """MAP 6.6: 0000 to FFFF."""
    device = Device(Bank({Table.HOLDING_REGISTERS: [(0, 2)]}))
    pdu = b"\x06\0\1" + value.to_bytes(2, "big")
    assert device.answer(pdu) == pdu
    assert device.bank.registers(Table.HOLDING_REGISTERS)[2:] == pdu[3:]


def test_an_empty_event_log_has_no_events() -> None:
    """MAP 6.10: 0 to 64 event bytes; the byte count is 6 and their number."""
    device = Device(Bank({}), diagnostics=Diagnostics())
    assert device.answer(b"\x0c") == bytes.fromhex("0C 07 0000 0000 0001 80")
    fresh = Device(Bank({}), diagnostics=Diagnostics())
    assert fresh.diagnostics is not None
    fresh.diagnostics.note_request = lambda: None  # so that the request itself is no event
    assert fresh.answer(b"\x0c") == bytes.fromhex("0C 06 0000 0000 0000")


def test_the_longest_frame_has_260_bytes() -> None:
    """MAP 4.1: 253 bytes of PDU and 7 of header; both ways it is whole."""
    device = Device(Bank({}), diagnostics=Diagnostics())
    frame = encode_frame(1, UNIT, b"\x08\0\0" + bytes(range(250)))
    assert len(frame) == 260
    assert _fed(device, [frame]) == (frame, False)
    longer = encode_frame(1, UNIT, b"\x08\0\0" + bytes(251))
    assert _fed(device, [longer]) == (b"", True)


def test_no_reply_is_longer_than_260_bytes() -> None:
    """The largest reads of every kind: 2000 bits, 125 registers, F5 bytes of records."""
    bank = Bank({table: [(0, 2000)] for table in Table})
    device = Device(bank, files={1: bytearray(20_002)}, fifos={0: [0] * 31})
    for request in (
        "01 0000 07D0",
        "02 0000 07D0",
        "03 0000 007D",
        "04 0000 007D",
        "14 07 06 0001 0000 0079",
        "17 0000 007D 0000 0001 02 0000",
        "18 0000",
    ):
        sent, is_closed = _fed(device, [encode_frame(1, UNIT, bytes.fromhex(request))])
        assert sent[7] == int(request[:2], 16)
        assert len(sent) <= 260
        assert not is_closed


def test_the_exception_codes_are_the_specifications() -> None:
    """MAP section 7: 01 to 06, 08, 0A and 0B."""
    assert {int(code) for code in ExceptionCode} == {1, 2, 3, 4, 5, 6, 8, 0x0A, 0x0B}


@pytest.mark.parametrize("code", list(ExceptionCode))
def test_an_owner_can_refuse_with_any_of_them(code: ExceptionCode) -> None:
    """Function code plus 80, then the code, and nothing is written."""
    bank = Bank({Table.HOLDING_REGISTERS: [(0, 4)]})
    device = Device(bank, write_check=lambda table, address, data: int(code))
    for request in ("06 0000 0001", "10 0000 0001 02 0001", "16 0000 0000 0001"):
        pdu = bytes.fromhex(request)
        assert device.answer(pdu) == bytes((pdu[0] | 0x80, code))
    assert not any(bank.registers(Table.HOLDING_REGISTERS))


def test_transaction_protocol_and_unit_are_echoed() -> None:
    """MTG 3.1.3: in replies and in exceptions, at the ends of their ranges."""
    device = Device(Bank({Table.HOLDING_REGISTERS: [(0, 4)]}))
    for transaction in (0, 1, 0x00FF, 0xFF00, 0xFFFF):
        for unit in (0, 1, 0xFF):
            for pdu, reply in ((b"\x03\0\0\0\1", b"\x03\2\0\0"), (b"\x03\0\0\0\0", b"\x83\3")):
                sent, _ = _fed(device, [encode_frame(transaction, unit, pdu)])
                assert sent == encode_frame(transaction, unit, reply)
