"""The worked examples and limits of the Modbus Application Protocol Specification V1.1b3.

Section numbers in the tests are that document's. Each example's request is sent as a PDU,
and whole, byte by byte and coalesced as Modbus/TCP frames.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import pytest

from softctl.modbus import Bank, Client, Device, Server
from softctl.modbus.bits import unpack_bits
from softctl.modbus.frames import encode_frame
from softctl.modbus.server import Send
from softctl.values.tables import Table

COILS, INPUTS = Table.COILS, Table.DISCRETE_INPUTS
INPUT_WORDS, WORDS = Table.INPUT_REGISTERS, Table.HOLDING_REGISTERS


class Example(NamedTuple):
    section: str
    request: str
    reply: str
    before: tuple[Table, int, str] | None  # what the document says the addresses hold
    after: tuple[Table, int, str] | None  # what they hold when the request is done


EXAMPLES = [
    Example("6.1", "01 0013 0013", "01 03 CD6B05", (COILS, 0x13, "CD6B05/19"), None),
    Example("6.2", "02 00C4 0016", "02 03 ACDB35", (INPUTS, 0xC4, "ACDB35/22"), None),
    Example("6.3", "03 006B 0003", "03 06 022B 0000 0064", (WORDS, 0x6B, "022B00000064"), None),
    Example("6.4", "04 0008 0001", "04 02 000A", (INPUT_WORDS, 8, "000A"), None),
    Example("6.5", "05 00AC FF00", "05 00AC FF00", (COILS, 0xAC, "00/1"), (COILS, 0xAC, "01/1")),
    Example("6.6", "06 0001 0003", "06 0001 0003", (WORDS, 1, "FFFF"), (WORDS, 1, "0003")),
    Example(
        "6.11",
        "0F 0013 000A 02 CD01",
        "0F 0013 000A",
        (COILS, 0x13, "32FE/12"),
        (COILS, 0x13, "CDFD/12"),
    ),
    Example(
        "6.12",
        "10 0001 0002 04 000A 0102",
        "10 0001 0002",
        (WORDS, 0, "AAAAAAAAAAAAAAAA"),
        (WORDS, 0, "AAAA000A0102AAAA"),
    ),
    Example(
        "6.16", "16 0004 00F2 0025", "16 0004 00F2 0025", (WORDS, 4, "0012"), (WORDS, 4, "0017")
    ),
    Example(
        "6.17",
        "17 0003 0006 000E 0003 06 00FF 00FF 00FF",
        "17 0C 00FE 0ACD 0001 0003 000D 00FF",
        (WORDS, 3, "00FE0ACD00010003000D00FF"),
        (WORDS, 0xE, "00FF00FF00FF"),
    ),
]


def _by_section(example: Example) -> str:
    return f"section {example.section}"


def _memory(text: str) -> bytes:
    packed, _, count = text.partition("/")
    data = bytes.fromhex(packed)
    return unpack_bits(data, int(count)) if count else data


def _device(example: Example) -> Device:
    device = Device(Bank({table: [(0, 1000)] for table in Table}), unit=0xFF)
    if example.before is not None:
        table, address, text = example.before
        device.bank.area(table).write(address, _memory(text))
    return device


def _assert_done(example: Example, device: Device) -> None:
    if example.after is not None:
        table, address, text = example.after
        data = _memory(text)
        area = device.bank.area(table)
        assert area.read(address, len(data) // area.width) == data


@pytest.mark.parametrize("example", EXAMPLES, ids=_by_section)
def test_a_worked_example_is_answered_as_printed(example: Example) -> None:
    """The request of each section gets the reply of that section and has its effect."""
    device = _device(example)
    assert device.answer(bytes.fromhex(example.request)) == bytes.fromhex(example.reply)
    _assert_done(example, device)


def _whole(data: bytes) -> list[bytes]:
    return [data]


def _bytewise(data: bytes) -> list[bytes]:
    return [data[i : i + 1] for i in range(len(data))]


def _in_threes(data: bytes) -> list[bytes]:
    return [data[i : i + 3] for i in range(0, len(data), 3)]


@pytest.mark.parametrize("cut", [_whole, _bytewise, _in_threes])
@pytest.mark.parametrize("example", EXAMPLES, ids=_by_section)
def test_a_frame_is_answered_however_it_is_cut(
    example: Example, cut: Callable[[bytes], list[bytes]]
) -> None:
    """Transaction and unit are echoed whether a frame comes whole or in pieces."""
    device = _device(example)
    connection = Server([device]).connect(Client("test"))
    frame = encode_frame(0x1501, 0xFF, bytes.fromhex(example.request))
    actions = [action for part in cut(frame) for action in connection.receive(part, 7)]
    assert actions == [Send(7, encode_frame(0x1501, 0xFF, bytes.fromhex(example.reply)))]
    assert connection.pending == 0
    _assert_done(example, device)


@pytest.mark.parametrize("example", EXAMPLES, ids=_by_section)
def test_coalesced_frames_are_answered_in_one_write(example: Example) -> None:
    """Frames in one receive are answered in order and together; a part frame waits."""
    device = _device(example)
    connection = Server([device]).connect(Client("test"))
    ask = encode_frame(1, 0xFF, bytes.fromhex(example.request))
    read = encode_frame(2, 0xFF, bytes.fromhex("03 03E7 0001"))
    (sent,) = connection.receive(ask + read + ask[:5], 0)
    assert isinstance(sent, Send)
    assert sent.data == encode_frame(1, 0xFF, bytes.fromhex(example.reply)) + encode_frame(
        2, 0xFF, bytes.fromhex("03 02 0000")
    )
    assert connection.pending == 5


def test_an_exception_reply_is_as_printed() -> None:
    """Section 7's example: reading a coil that does not exist gives 81 02."""
    device = Device(Bank({COILS: [(0, 0x0400)]}))
    assert device.answer(bytes.fromhex("01 04A1 0001")) == bytes.fromhex("81 02")


def test_the_range_check_is_as_the_text_says() -> None:
    """Section 7: with 100 registers, start 96 quantity 4 is fine and quantity 5 gives 02."""
    device = Device(Bank({WORDS: [(0, 100)]}))
    assert device.answer(bytes.fromhex("03 0060 0004"))[:2] == b"\x03\x08"
    assert device.answer(bytes.fromhex("03 0060 0005")) == b"\x83\x02"


def _bits_pdu(function: int, count: int) -> bytes:
    size = (count + 7) // 8
    return bytes((function, 0, 0)) + count.to_bytes(2, "big") + bytes((size & 0xFF,)) + bytes(size)


def _words_pdu(function: int, count: int) -> bytes:
    head = bytes((function, 0, 0)) + count.to_bytes(2, "big")
    return head + bytes((2 * count & 0xFF,)) + bytes(2 * count)


def _read_write_pdu(read: int, write: int) -> bytes:
    head = b"\x17\0\0" + read.to_bytes(2, "big") + b"\0\0" + write.to_bytes(2, "big")
    return head + bytes((2 * write & 0xFF,)) + bytes(2 * write)


def _read_pdu(function: int, count: int) -> bytes:
    return bytes((function, 0, 0)) + count.to_bytes(2, "big")


LIMITS = [
    *((f"{code:02X}", _read_pdu, code, 2000) for code in (1, 2)),  # sections 6.1, 6.2
    *((f"{code:02X}", _read_pdu, code, 125) for code in (3, 4)),  # sections 6.3, 6.4
    ("0F", _bits_pdu, 15, 1968),  # section 6.11
    ("10", _words_pdu, 16, 123),  # section 6.12
]


@pytest.mark.parametrize(("name", "build", "code", "limit"), LIMITS, ids=[row[0] for row in LIMITS])
def test_a_quantity_is_held_to_its_limits(
    name: str, build: Callable[[int, int], bytes], code: int, limit: int
) -> None:
    """Quantities 1 and the limit are done; 0, one more and 65535 give exception 03."""
    device = Device(Bank({table: [(0, 65536)] for table in Table}))
    assert device.answer(build(code, 1))[0] == code
    assert device.answer(build(code, limit))[0] == code
    for quantity in (0, limit + 1):
        assert device.answer(build(code, quantity)) == bytes((code | 0x80, 3))
    assert device.answer(_read_pdu(code, 0xFFFF)) == bytes((code | 0x80, 3))


@pytest.mark.parametrize(
    ("read", "write", "is_done"),
    [
        (1, 1, True),
        (125, 121, True),
        (0, 1, False),
        (126, 1, False),
        (1, 0, False),
        (1, 122, False),
    ],
)
def test_function_23_is_held_to_both_limits(read: int, write: int, is_done: bool) -> None:
    """Section 6.17: it reads 1..125 and writes 1..121 registers, else exception 03."""
    device = Device(Bank({WORDS: [(0, 65536)]}))
    reply = device.answer(_read_write_pdu(read, write))
    assert reply == (bytes((0x17, 2 * read)) + bytes(2 * read) if is_done else b"\x97\x03")


@pytest.mark.parametrize("value", ["0001", "FF01", "00FF", "FFFF", "0100"])
def test_a_coil_value_is_ff00_or_0000(value: str) -> None:
    """Section 6.5: every other value is illegal and does not affect the coil."""
    device = Device(Bank({COILS: [(0, 8)]}))
    assert device.answer(bytes.fromhex("05 0000" + value)) == b"\x85\x03"
    assert not any(device.bank.bits(COILS))


# The state diagrams of sections 6.1-6.6, 6.11, 6.12 and 6.17 (read for 01 and 16, the
# others from memory) check the quantity, value and byte count before the address.
@pytest.mark.parametrize(
    ("both_wrong", "address_wrong"),
    [
        ("01 0400 07D1", "01 0400 0001"),
        ("02 0400 0000", "02 0400 0001"),
        ("03 0400 007E", "03 0400 0001"),
        ("04 0400 0000", "04 0400 0001"),
        ("05 0400 1234", "05 0400 FF00"),
        ("0F 0400 0001 02 0101", "0F 0400 0001 01 01"),
        ("10 0400 0001 04 0001 0001", "10 0400 0001 02 0001"),
        ("17 0400 0001 0000 0001 04 0001", "17 0400 0001 0000 0001 02 0001"),
        ("17 0000 0001 0400 0001 04 0001", "17 0000 0001 0400 0001 02 0001"),
    ],
)
def test_quantity_is_checked_before_address(both_wrong: str, address_wrong: str) -> None:
    """With both wrong the answer is 03, with the address alone 02."""
    device = Device(Bank({table: [(0, 0x400)] for table in Table}))
    code = int(both_wrong[:2], 16) | 0x80
    assert device.answer(bytes.fromhex(both_wrong)) == bytes((code, 3))
    assert device.answer(bytes.fromhex(address_wrong)) == bytes((code, 2))


@pytest.mark.parametrize("request_", ["06 0400 0001", "16 0400 FFFF 0000"])
def test_a_missing_register_is_exception_02(request_: str) -> None:
    """Functions 06 and 22 accept any value, so only the address can be wrong."""
    device = Device(Bank({WORDS: [(0, 0x400)]}))
    assert device.answer(bytes.fromhex(request_)) == bytes((int(request_[:2], 16) | 0x80, 2))


@pytest.mark.parametrize("example", EXAMPLES, ids=_by_section)
def test_a_pdu_of_the_wrong_length_is_exception_03(example: Example) -> None:
    """Section 7: a length that is not the implied one is an illegal data value."""
    request = bytes.fromhex(example.request)
    for pdu in [*(request[:size] for size in range(1, len(request))), request + b"\0"]:
        device = _device(example)
        before = bytes(device.bank.registers(WORDS)), bytes(device.bank.bits(COILS))
        assert device.answer(pdu) == bytes((request[0] | 0x80, 3)), pdu.hex(" ")
        assert before == (bytes(device.bank.registers(WORDS)), bytes(device.bank.bits(COILS)))


def test_function_23_with_a_bad_read_range_writes_nothing() -> None:
    """Section 6.17's diagram checks both address ranges before it does anything."""
    device = Device(Bank({WORDS: [(0, 10)]}))
    assert device.answer(bytes.fromhex("17 000A 0001 0000 0001 02 BEEF")) == b"\x97\x02"
    assert not any(device.bank.registers(WORDS))


def test_function_23_reads_what_it_wrote() -> None:
    """Section 6.17: the write operation is performed before the read."""
    device = Device(Bank({WORDS: [(0, 10)]}))
    reply = device.answer(bytes.fromhex("17 0003 0001 0003 0001 02 BEEF"))
    assert reply == bytes.fromhex("17 02 BEEF")


@pytest.mark.parametrize("code", [0, 9, 10, 13, 14, 41, 42, 65, 72, 90, 91, 100, 110, 125, 127])
def test_a_function_that_is_not_there_is_exception_01(code: int) -> None:
    """Reserved, user-defined and unassigned codes (section 5, annex A) are refused."""
    device = Device(Bank({WORDS: [(0, 10)]}))
    assert device.answer(bytes((code, 0, 0, 0, 1))) == bytes((code | 0x80, 1))
