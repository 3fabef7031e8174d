"""The tester's own frames and PDUs, against the specifications' printed bytes."""

from __future__ import annotations

import pytest

from softctl.conform import pdus
from softctl.conform.wire import Reply, frame, hex_text, split_replies


def test_a_frame_is_the_printed_one() -> None:
    """Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3: the example ADU."""
    built = frame(0x1501, 0xFF, pdus.read(3, 4, 1))
    assert built == bytes.fromhex("15 01 00 00 00 06 FF 03 00 04 00 01")


@pytest.mark.parametrize(
    ("built", "printed"),
    [
        (pdus.read(1, 0x13, 0x13), "01 0013 0013"),
        (pdus.read(2, 0xC4, 0x16), "02 00C4 0016"),
        (pdus.read(3, 0x6B, 3), "03 006B 0003"),
        (pdus.read(4, 8, 1), "04 0008 0001"),
        (pdus.write_coil(0xAC, 0xFF00), "05 00AC FF00"),
        (pdus.write_register(1, 3), "06 0001 0003"),
        (pdus.diagnostics(0, b"\xa5\x37"), "08 0000 A537"),
        (pdus.write_coils(0x13, [1, 0, 1, 1, 0, 0, 1, 1, 1, 0]), "0F 0013 000A 02 CD01"),
        (pdus.write_registers(1, [0x000A, 0x0102]), "10 0001 0002 04 000A 0102"),
        (pdus.read_record(4, 1, 2), "14 07 06 0004 0001 0002"),
        (
            pdus.write_record(4, 7, [0x06AF, 0x04BE, 0x100D]),
            "15 0D 06 0004 0007 0003 06AF 04BE 100D",
        ),
        (pdus.mask_write(4, 0xF2, 0x25), "16 0004 00F2 0025"),
        (
            pdus.read_write(3, 6, 14, [0xFF, 0xFF, 0xFF]),
            "17 0003 0006 000E 0003 06 00FF 00FF 00FF",
        ),
        (pdus.read_fifo(0x04DE), "18 04DE"),
        (pdus.identification(1, 0), "2B 0E 01 00"),
    ],
)
def test_a_request_is_the_printed_one(built: bytes, printed: str) -> None:
    """Modbus Application Protocol V1.1b3, section 6: the example of each function.

    Of function 20's example only the first of the two groups.
    """
    assert built == bytes.fromhex(printed)


def test_fields_can_be_overridden() -> None:
    """Illegal requests are what a tester is for."""
    assert frame(1, 2, b"\x03", protocol=5, length=9) == bytes.fromhex("0001 0005 0009 02 03")
    pdu = pdus.write_registers(0, [1], quantity=9, byte_count=7, data=b"\xaa")
    assert pdu == bytes.fromhex("10 0000 0009 07 AA")


def test_replies_are_cut_wherever_the_stream_was() -> None:
    """Every prefix gives the frames that are whole in it, and keeps the rest."""
    first, second = frame(1, 1, b"\x03\x02\x12\x34"), frame(2, 255, b"\x83\x02")
    stream = first + second
    for size in range(len(stream) + 1):
        split = split_replies(stream[:size])
        whole = (size >= len(first)) + (size >= len(stream))
        assert len(split.replies) == whole
        assert split.rest == stream[(0, len(first), len(stream))[whole] : size]
        assert not split.is_lost
    assert split_replies(stream, 1) == ((Reply(1, 0, 5, 1, b"\x03\x02\x12\x34"),), second, False)


@pytest.mark.parametrize("length", [0, 1, 255, 65535])
def test_a_length_that_cannot_be_loses_the_stream(length: int) -> None:
    """The length field counts unit id and PDU, so it lies in 2..254."""
    good = frame(1, 1, b"\x83\x02")
    split = split_replies(good + frame(2, 1, b"\x83\x02", length=length))
    assert split.is_lost
    assert len(split.replies) == 1


def test_long_bytes_are_cut_in_text() -> None:
    """Hex is upper case and spaced; the length of a long run is told."""
    assert hex_text(b"\x0a\xff") == "0A FF"
    assert hex_text(b"") == "nothing"
    assert hex_text(bytes(100)).endswith("… (100 bytes)")
