"""Splitting a stream into frames.

Sources: Modbus Messaging on TCP/IP Implementation Guide V1.0b, section 3.1, and Modbus
Application Protocol V1.1b3, section 4.1 (a PDU has at most 253 bytes).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from softctl.modbus.frames import Frame, FrameSplitter, encode_frame

# The guide's example of section 3.1.3: read one register at 4 of unit FF.
EXAMPLE = bytes.fromhex("15 01 00 00 00 06 FF 03 00 04 00 01")


def test_the_guides_example_is_built_and_split() -> None:
    """The length counts the unit id and the PDU; the other fields come back."""
    pdu = bytes.fromhex("03 0004 0001")
    assert encode_frame(0x1501, 0xFF, pdu) == EXAMPLE
    assert FrameSplitter().feed(EXAMPLE) == [Frame(0x1501, 0, 0xFF, pdu)]


@given(
    st.lists(
        st.tuples(
            st.integers(0, 0xFFFF),
            st.integers(0, 0xFF),
            st.binary(min_size=1, max_size=253),
            st.integers(0, 0xFFFF),
        ),
        max_size=6,
    ),
    st.lists(st.integers(1, 40), min_size=1, max_size=10),
)
def test_frames_do_not_depend_on_how_the_stream_is_cut(
    fields: list[tuple[int, int, bytes, int]], sizes: list[int]
) -> None:
    """Any cutting of a stream of frames gives the same frames and leaves nothing over."""
    stream = b"".join(
        encode_frame(transaction, unit, pdu, protocol=protocol)
        for transaction, unit, pdu, protocol in fields
    )
    splitter = FrameSplitter()
    frames, start, turn = [], 0, 0
    while start < len(stream):
        size = sizes[turn % len(sizes)]
        frames += splitter.feed(stream[start : start + size])
        start, turn = start + size, turn + 1
    assert frames == [Frame(t, protocol, u, pdu) for t, u, pdu, protocol in fields]
    assert splitter.pending == 0
    assert splitter.error is None


@pytest.mark.parametrize("length", [2, 254])
def test_lengths_from_2_to_254_are_frames(length: int) -> None:
    """A unit id with one function code is the least, with 253 bytes of PDU the most."""
    (frame,) = FrameSplitter().feed(encode_frame(1, 1, b"\x2b" * (length - 1)))
    assert len(frame.pdu) == length - 1


@pytest.mark.parametrize("length", [0, 1, 255, 256, 0xFFFF])
def test_any_other_length_loses_the_framing(length: int) -> None:
    """Frames before it count, nothing after it does, and the error names the limits."""
    splitter = FrameSplitter()
    broken = encode_frame(2, 1, b"\x03\0\0\0\1", length=length)
    assert len(splitter.feed(EXAMPLE + broken + EXAMPLE)) == 1
    assert splitter.feed(EXAMPLE) == []
    assert str(splitter.error) == (
        f"expected a length field between 2 and 254, got {length} in header {broken[:7].hex(' ')}"
    )
    assert splitter.pending == 0
